"""What a submission may not contain is refused with its line; what drivers need is not."""

from __future__ import annotations

import gc
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emu.labs.conduct import MOST_BYTES, misconduct
from tests.lab_bench import DRIVER, submission

ROOT = Path(__file__).resolve().parents[2]
GOOD = sorted([
    *(ROOT / "drivers_example").glob("*.py"),
    *(ROOT / "tests" / "quality" / "styles").glob("*.py"),
    *(ROOT / "drivers_example" / "labs").glob("*/driver.py"),
])  # fmt: skip
REFUSED = {
    "import os": "it imports os",
    "import emu.kernel.board": "it imports emu.kernel.board",
    "from emu.kernel.board import Board": "it imports emu.kernel.board, an inside of the bench",
    "from emu import kernel": "it imports emu.kernel, an inside of the bench",
    "from . import other": "it imports .",
    "eval('1')": "it uses eval",
    "open('x')": "it uses open",
    "getattr(self._io, 'read8')": "it uses getattr",
    "__import__('os')": "it uses __import__",
    "self._io._counts": "it reaches for _counts, a hidden name that is not its own",
    "().__class__": "it reaches for __class__",
    "(one for one in ()).gi_frame": "it reaches for gi_frame",
    "self.tb_frame = 1; trace.tb_frame": "it reaches for tb_frame",
    "self._cpu.interrupts.lines.clear()": "it reaches for interrupts, an inside of the bench",
    "self._cpu.set_limit(1)": "it reaches for set_limit, an inside of the bench",
    "self._io.read32 = len": "it replaces read32, which is the bench's",
    "self.time = 0; self._cpu.time = len":
        "it replaces time, which is the bench's",
    "del self._cpu.time": "it replaces time, which is the bench's",
    "import emu; emu.Cpu = None": "it changes emu.Cpu",
    "import emu; emu.labs": "it reaches for emu.labs",
    "x = (": "it is not Python: '(' was never closed",
    "from contextlib import os": "it imports contextlib.os",
    "import contextlib; contextlib.os": "it reaches for contextlib.os",
    "import collections.abc; collections.abc.sys": "it reaches for collections.abc.sys",
    "import contextlib; hidden = contextlib": "it hands on contextlib, a module as a whole",
    "from operator import attrgetter": "it imports operator.attrgetter",
    "from operator import *; methodcaller": "it uses methodcaller",
    "import types; types.FunctionType": "it reaches for types.FunctionType",
    "import typing; typing.get_type_hints": "it reaches for typing.get_type_hints",
    "'{0._counts}'.format(self._io)": "it reaches for _counts, a hidden name that is not its own",
    "import functools; functools.wraps(1, assigned=())":
        "it chooses what attributes are copied",
    "from emu import Board": "it imports emu.Board, an inside of the bench",
    "from emu import LineErrors; LineErrors.overrun = 0": "it changes LineErrors.overrun",
}  # fmt: skip
ALLOWED = (
    "import math",
    "import emu; emu.Cpu",
    "from collections import deque",
    "from emu import BusError",
    "self.errors.overrun += 1",
    "self._mine = 1; self._mine",
    "self.read8 = 1",
    "print('hello')",
    "from functools import wraps; wraps(len); dict(assigned=1)",
    "'{0.level:#x} of {self._io}: {{}}'.format(self, self=self)",
    "super().__init__()",
    "from emu import *",
    "from types import SimpleNamespace; mark = SimpleNamespace(time=0); mark.time = 1",
    "state._replace(level=1)._asdict()",
    "self.__count = 1; self.__count",
    "self.f_baud = self.cr_value = 1; self.line.f_baud",
    "self.__class__.__name__",
    "import collections.abc; collections.abc.Iterator",
    "from collections import abc; abc.Iterator",
)
STYLES = """
import enum
from dataclasses import dataclass, field
from typing import NamedTuple

class Offset(enum.IntEnum):
    end = 0x04
    entries = 0x08

@dataclass
class Shadow:
    mask: int = 0
    name: str = ""
    _dirty: set[int] = field(default_factory=set)

class Mark(NamedTuple):
    time: float

class Port:
    __slots__ = ("_io", "_shadow")
    _LIMIT, _made = 3, 0

    class _Full(Exception):
        pass

    def __init__(this, io, cpu):
        this._io = io
        this._shadow = Shadow()
        Port._made += 1

    def open(this):
        this._shadow.mask |= Offset.end | Offset.entries
        this._shadow._dirty.add(this._LIMIT)
        match Mark(1.0)._replace(time=2.0):
            case Mark(time=late) if (more := late) > 1:
                raise this._Full(more)
"""
HIDDEN = """
match thing:
    case object(__dict__=found):
        pass
"""


@pytest.mark.parametrize("path", GOOD, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_drivers_are_let_through(path: Path) -> None:
    """No example driver, no style and no driver of a lab contains what is refused."""
    assert misconduct(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(("code", "what"), REFUSED.items())
def test_what_reaches_around_the_bench_is_refused(code: str, what: str) -> None:
    """Each way around the bench is told with the line that it stands in."""
    source = submission(opening=code)
    line = next(n for n, one in enumerate(source.splitlines(), 1) if code in one)
    found = misconduct(source)
    assert (line, what) in found


@pytest.mark.parametrize("code", ALLOWED)
def test_plain_python_is_let_through(code: str) -> None:
    """What a driver may well do is not taken for a trick."""
    assert misconduct(submission(opening=code)) == []


def test_all_manners_of_classes_are_let_through() -> None:
    """A class's own constants, fields and inner classes are its own, whatever they are called."""
    assert misconduct(STYLES) == []


def test_a_pattern_reaches_for_no_hidden_name() -> None:
    """What may not stand behind a dot may not stand in a pattern either."""
    assert misconduct(HIDDEN) == [(3, "it reaches for __dict__")]


def test_a_text_that_names_its_encoding_is_read_in_it() -> None:
    """What is looked at is what will run, where a comment in one encoding is code in another."""
    assert misconduct("# coding: utf-7\n# +AAo-import os\n") == [(3, "it imports os")]


def test_a_mark_at_the_beginning_is_no_matter() -> None:
    """A file from an editor that marks UTF-8 is as good as any other."""
    assert misconduct("\ufeff" + submission()) == []


def test_a_lab_may_bar_a_call() -> None:
    """Where runs cannot tell, a lab names the call that would spare the work."""
    source = submission(opening="self._cpu.sleep(1)")
    line = source.splitlines().index("        self._cpu.sleep(1)") + 1
    assert misconduct(source) == []
    assert misconduct(source, ["sleep"])[0] == (
        line, "it uses sleep, which this lab does not allow"
    )  # fmt: skip
    pattern = "match cpu:\n    case object(sleep=call): pass\n"
    assert misconduct(pattern, ["sleep"]) == [
        (2, "it uses sleep, which this lab does not allow")
    ]  # fmt: skip


def test_a_text_that_is_too_long_is_refused() -> None:
    """Nobody has to parse a submission of megabytes."""
    (found,) = misconduct(DRIVER + "#" * MOST_BYTES)
    assert found == (0, "it is longer than 64 KiB")


@given(st.text(max_size=200))
def test_any_text_gets_an_answer(text: str) -> None:
    """Whatever is handed in, the look at it ends with an answer and not with an error."""
    assert all(one.what for one in misconduct(text))


def test_many_threads_look_at_once() -> None:
    """Looks of several threads at a time do not get into each other's way.

    Threads change in the middle of a look where memory is tidied up and somebody has a hook there,
    as test tools do.
    """
    sources = [submission(opening=f"self._mine = {number}") for number in range(40)]

    def hook(_phase: str, _info: dict[str, int]) -> None:
        time.sleep(0)

    gc.callbacks.append(hook)
    try:
        with ThreadPoolExecutor(8) as pool:
            found = list(pool.map(misconduct, sources * 5))
    finally:
        gc.callbacks.remove(hook)
    assert found == [[]] * len(sources) * 5
