"""Start a process for one submission, wait for what it says, and end it come what may.

The one idea: the process and all that it may start are one group, which is killed as a whole. What
it says counts only with the word that it was given when it began.
"""

from __future__ import annotations

import json
import os
import secrets
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import yaml

from emu.labs.lab import LabRun
from emu.labs.printable import printable
from emu.labs.trials import Setting, Told, Tried
from emu.scenario.model import Scenario
from emu.scenario.written import scenario_as_plain

__all__ = ["Held", "Hold", "end_all", "hold"]

_BOOT = "import sys; sys.path[:] = {path!r}; from emu.labs.cell import main; main({pipe})"
_MOST_BYTES = 4 << 20
_FILE_NAME = "driver.py"
_SIGNALS = {one.value: one.name for one in signal.Signals}
_under_way: set[int] = set()  # processes, each the first of its group
_GRACE_S = 5.0  # more than what the process may compute, for a machine that is busy


@dataclass(frozen=True, slots=True)
class Hold:
    """Bound what a submission may use.

    Args:
        seconds: real time for everything.
        memory_bytes: of address space.
        setting: what it is tried with.
    """

    seconds: float = 60.0
    memory_bytes: int = 1 << 30
    setting: Setting = field(default_factory=Setting)


@dataclass(slots=True)
class Held:
    """What came of a process.

    Args:
        tried: what came of the submission, None if it did not get that far.
        stopped: why it was stopped, "" if it was not.
        line: the submission's line at which it was stopped, 0 where that is not known.
        moment: the moment at which it breaks, where that was asked for.
        seconds: real time taken.
    """

    tried: Tried | None = None
    stopped: str = ""
    line: int = 0
    moment: str = ""
    seconds: float = 0.0


def hold(
    source: str,
    driver: str,
    runs: Iterable[LabRun],
    *,
    private: Iterable[Path] = (),
    rows: int = 0,
    first: str = "",
    limits: Hold | None = None,
) -> Held:
    """Try a submission in a process of its own.

    Args:
        source: its text.
        driver: name of its class.
        runs: what it is tried with.
        private: folders that it may not read.
        rows: how many rows to tell of the moment at which it breaks, 0 for none.
        first: title of the run whose failure is told first.
        limits: bounds.

    Side effects: starts a process and ends it; makes a folder and removes it.
    """
    limits = limits or Hold()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="emu_lab_") as folder:
        scratch = Path(folder).resolve()
        (scratch / _FILE_NAME).write_bytes(source.encode())
        job = {
            "word": secrets.token_hex(16),
            "scratch": str(scratch),
            "driver": driver,
            "runs": [{"scenario": _text(one.scenario), "hunt": one.hunt} for one in runs],
            "private": [str(one) for one in private],
            "rows": rows,
            "first": first,
            "setting": asdict(limits.setting),
            "bounds": {
                "cpu_s": int(limits.seconds) + 1,
                "memory_bytes": limits.memory_bytes,
                "file_bytes": 1 << 16,
            },
        }
        held = _held(job, scratch, limits.seconds + _GRACE_S)
    held.seconds = time.monotonic() - began_s
    return held


def _text(scenario: Scenario) -> str:
    """Return a scenario as it would stand in a file: JSON knows no mapping by number."""
    return yaml.safe_dump(scenario_as_plain(scenario), sort_keys=False, allow_unicode=True)


def _held(job: dict[str, Any], scratch: Path, seconds: float) -> Held:
    reading, writing = os.pipe()
    process = subprocess.Popen(  # noqa: S603 - this interpreter, and text of our own
        [sys.executable, "-I", "-B", "-c", _BOOT.format(path=_path(), pipe=writing)],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        pass_fds=(writing,), cwd=scratch, start_new_session=True,
        env={"PATH": os.defpath, "PYTHONHASHSEED": "0"},
    )  # fmt: skip
    os.close(writing)
    _under_way.add(process.pid)
    try:
        with suppress(BrokenPipeError):
            _give(process, job)
        text, late = _read(reading, seconds)
    finally:
        os.close(reading)
        _end(process.pid)
        status = process.wait()
        _under_way.discard(process.pid)
    return _understood(text, job["word"], late=late, status=status, seconds=seconds - _GRACE_S)


def _end(group: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def end_all() -> None:
    """End all submissions that are under way, in whatever thread they are waited for."""
    for group in tuple(_under_way):
        _end(group)


def _path() -> list[str]:
    """Return where the process finds its modules: never in the working folder as such.

    Whoever hands something in may have put a module there that is named like one of Python's. The
    bench is this one, though another may be installed as well.
    """
    here = Path.cwd().resolve()
    package = Path(__file__).resolve().parents[1]
    bench = package.parent
    others = [one for one in tuple(sys.path) if one and Path(one).resolve() not in (here, bench)]
    before = [one for one in others if not (Path(one) / package.name).is_dir()]
    return [*before, str(bench), *(one for one in others if one not in before)]


def _give(process: subprocess.Popen[bytes], job: dict[str, Any]) -> None:
    assert process.stdin is not None, "it was asked for"
    process.stdin.write(json.dumps(job).encode())
    process.stdin.close()


def _read(pipe: int, seconds: float) -> tuple[bytes, bool]:
    """Return what came through a pipe until it was closed, and whether time was up before."""
    end_s = time.monotonic() + seconds
    text = b""
    while len(text) < _MOST_BYTES:
        left_s = end_s - time.monotonic()
        if left_s <= 0 or not select.select([pipe], [], [], left_s)[0]:
            return text, True
        part = os.read(pipe, 1 << 16)
        if not part:
            break
        text += part
    return text, False


def _understood(text: bytes, word: str, *, late: bool, status: int, seconds: float) -> Held:
    """Return what a process said, or what is to be said of one that did not get to speak."""
    try:
        said = _shown(json.loads(text))
        right = said["word"] == word
    except (ValueError, TypeError, KeyError, RecursionError):
        right = False
    if not right:
        return Held(stopped=_why_silent(late=late, status=status, seconds=seconds))
    if "stopped" in said:
        return Held(stopped=said["stopped"], line=said["line"])
    plain = said["tried"]
    tried = Tried(**{**plain, "failures": [Told(**one) for one in plain["failures"]]})
    if said.get("changes"):
        names = ", ".join(said["changes"][:3])
        return Held(stopped=f"it changed the bench: {names}")
    return Held(tried, moment=said.get("moment", ""))


def _shown(said: Any) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Return what a process said with every text in it made fit to be shown."""
    if isinstance(said, str):
        return printable(said)
    if isinstance(said, list):
        return [_shown(one) for one in said]
    if isinstance(said, dict):
        return {name: _shown(one) for name, one in said.items()}
    return said


def _why_silent(*, late: bool, status: int, seconds: float) -> str:
    if late or status == -signal.SIGXCPU:
        return f"it did not come to an end in {seconds:.0f} s"
    if status < 0 and status != -signal.SIGKILL:
        return f"it took its process down: {_SIGNALS.get(-status, -status)}"
    return f"it ended its process, with exit status {status}" if status >= 0 else "it was killed"
