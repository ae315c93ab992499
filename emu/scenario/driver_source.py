"""Find the driver class that a person names: ``path/to/file.py:Class`` or ``package.module:Class``.

Two things can be wrong and are told apart: the name leads nowhere, which is bad input, or the code
it leads to fails, which is a finding about the driver.
"""

from __future__ import annotations

import importlib
import importlib.util
import inspect
import os
import re
import sys
import sysconfig
import zlib
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import ModuleType

from emu.devices.serial_driver import SERIAL_METHODS
from emu.errors import AccessError, EmuError, Flaw, InputError, RunEnded, nearest
from emu.kernel.bus import WIDTHS, Window
from emu.kernel.cpu import Cpu
from emu.kernel.where import Place
from emu.scenario.driver_hint import hint_for_class, hint_for_file, may_bind, plain_path

__all__ = [
    "DriverBroken",
    "DriverName",
    "load_driver",
    "place_of_class",
    "place_of_error",
    "rule_of_error",
    "text_of",
]

_LONGEST_TEXT = 200
_BENCH_CALL = re.compile(r"(io|Cpu)\.\w+\(\) ")  # what Python calls a function of the bench
_IO_CALLS = (
    "base", "beside", "clock_hz", "irq", "name", "stride",
    *(f"read{width}{rep}" for width in WIDTHS for rep in ("", "_rep")),
    *(f"write{width}{rep}" for width in WIDTHS for rep in ("", "_rep")),
)  # fmt: skip
_CPU_CALLS = (
    "connect", "disconnect", "interrupts_masked", "mask", "raise_interrupt", "sleep", "time",
    "unmask", "wait_for_interrupt", "work",
)  # fmt: skip
_ADDRESS = re.compile(r" at 0x[0-9a-fA-F]+")  # it differs from run to run
_NOT_THE_DRIVERS = (
    "<frozen",
    str(Path(__file__).resolve().parent.parent) + os.sep,
    *(sysconfig.get_path(name) + os.sep for name in ("stdlib", "purelib", "platlib")),
)


class DriverBroken(Exception):
    """Say that the driver's own code failed; caught by the runner, never seen by a user.

    Args:
        rule: the finding's rule.
        message: what failed.
        place: the driver's file and line.
    """

    def __init__(self, rule: str, message: str, place: Place) -> None:
        super().__init__(message)
        self.rule = rule
        self.message = message
        self.place = place


@dataclass(frozen=True, slots=True)
class DriverName:
    """A driver as named: where its code is and what the class is called.

    Args:
        module: the file's absolute path, or the name of the module.
        class_name: the class in it.
        is_file: which of the two.
        shown: the file or module as it was named, for messages.
    """

    module: str
    class_name: str
    is_file: bool
    shown: str = field(default="", compare=False)

    @classmethod
    def parse(cls, text: str, *, base: Path, where: str = "driver") -> DriverName:
        """Read a driver's name; file paths count from `base`.

        Raises:
            InputError: it is not of either form, or the file does not exist or has no such class.
        """
        module, colon, class_name = text.rpartition(":")
        if not colon or not module or not class_name.isidentifier():
            raise _no_driver(text, base, where)
        if not module.endswith(".py"):
            if not all(part.isidentifier() for part in module.split(".")):
                raise _no_driver(text, base, where)
            return cls(module, class_name, is_file=False, shown=module)
        path = base / module
        if not path.is_file():
            raise InputError([Flaw(
                where, 0, 0, f"driver file {module!r} does not exist",
                fix=hint_for_file(module, class_name, base),
            )])  # fmt: skip
        name = cls(str(path.resolve()), class_name, is_file=True, shown=module)
        if not may_bind(path, class_name):
            raise _no_class(name, None, where)
        return name


def _no_driver(text: str, base: Path, where: str) -> InputError:
    """Say that a text is no name of a driver, and which one may be meant."""
    module, _, class_name = text.partition(":")
    path = plain_path(module)
    if (base / path).is_file():
        fix = hint_for_class(base / path, path, class_name)
    else:
        fix = hint_for_file(path, class_name, base) if module else ""
    return InputError([Flaw(
        where, 0, 0, f"{text!r} does not name a driver",
        allowed="path/to/file.py:Class or package.module:Class", fix=fix,
    )])  # fmt: skip


def _no_class(name: DriverName, found: object, where: str) -> InputError:
    """Say that a name leads to no class but to `found`, and which one may be meant."""
    what = f"{name.shown} has no class {name.class_name!r}"
    if found is not None:
        what += f"; {name.class_name} is {text_of(found, repr)} ({type(found).__name__})"
    file = Path(name.module)
    fix = hint_for_class(file, name.shown, name.class_name) if name.is_file else ""
    return InputError([Flaw(where, 0, 0, what, fix=fix)])


def load_driver(
    name: DriverName, methods: Iterable[str] = SERIAL_METHODS, *, where: str = "driver"
) -> type:
    """Import the driver's code and return its class, which must have `methods`.

    Raises:
        InputError: there is no such module, or no such class in it.
        DriverBroken: the code fails when imported, or the class lacks a method.
    """
    try:
        module = _import_file(Path(name.module)) if name.is_file else _import_module(name, where)
    except (InputError, KeyboardInterrupt, RunEnded):
        raise
    except BaseException as error:
        raise DriverBroken(
            "driver-raised",
            f"importing the driver failed: {type(error).__name__}: {text_of(error)}",
            place_of_error(error, name.module),
        ) from error
    driver = getattr(module, name.class_name, None)
    if not isinstance(driver, type):
        raise _no_class(name, driver, where)
    _check_methods(driver, methods)
    return driver


def place_of_error(error: BaseException, prefer: str = "") -> Place:
    """Return the driver's innermost line in the traceback of `error`, leaving our frames out."""
    if isinstance(error, SyntaxError) and error.filename and Path(error.filename).is_file():
        return error.filename, error.lineno or 0
    place: Place = (prefer, 0)
    trace = error.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        module = str(trace.tb_frame.f_globals.get("__name__", ""))
        if not (file.startswith(_NOT_THE_DRIVERS) or module.startswith("namedtuple_")):
            place = file, trace.tb_lineno
        trace = trace.tb_next
    return place


@lru_cache(maxsize=256)
def place_of_class(driver: type) -> Place:
    """Return where a class begins, or ``("", 0)`` when it has no source."""
    with suppress(OSError, TypeError):
        return inspect.getsourcefile(driver) or "", inspect.getsourcelines(driver)[1]
    return "", 0


def rule_of_error(error: BaseException) -> str:
    """Return the rule that a driver breaks that lets `error` out."""
    if isinstance(error, SystemExit):
        return "driver-exited"
    with_wrong_arguments = isinstance(error, TypeError) and _BENCH_CALL.match(str(error))
    if isinstance(error, AccessError) or with_wrong_arguments or _no_such_call(error):
        return "refused-call"
    return "driver-raised"


def text_of(value: object, show: Callable[[object], str] = str) -> str:
    """Return what the driver's own object says of itself, in one bearable line."""
    try:
        text = _no_such_call(value) or " ".join(show(value).split())
        text = text if isinstance(value, EmuError) else _ADDRESS.sub("", text)
    except Exception as error:  # noqa: BLE001 - it is the driver's code and may do anything
        return f"(its text cannot be had: {type(error).__name__})"
    text = "".join(one if one.isprintable() else "?" for one in text)
    if not text:
        return "no message"
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]}..."


def _no_such_call(error: object) -> str:
    """Return what to say of the use of something that `io` or `cpu` lacks, "" of anything else."""
    if not isinstance(error, AttributeError) or not isinstance(error.obj, Window | Cpu):
        return ""
    given, calls = ("io", _IO_CALLS) if isinstance(error.obj, Window) else ("cpu", _CPU_CALLS)
    hint = nearest(error.name or "", calls)
    return f"{given} has no {error.name!r}; {hint or 'it has read8, write8 and so on'}"


def _import_file(path: Path) -> ModuleType:
    """Import a file afresh, under a name of its own, with its folder importable meanwhile."""
    name = f"driver_{path.stem}_{zlib.crc32(os.fsencode(path)):08x}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} is not Python")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    sys.path.insert(0, str(path.parent))
    try:
        spec.loader.exec_module(module)
    finally:
        with suppress(ValueError):  # the driver may have changed it
            sys.path.remove(str(path.parent))
    return module


def _import_module(name: DriverName, where: str) -> ModuleType:
    try:
        return importlib.import_module(name.module)
    except ModuleNotFoundError as error:
        if error.name and not name.module.startswith(error.name):
            raise
        path = plain_path(name.module)
        file = Path(path)
        raise InputError([Flaw(
            where, 0, 0, f"no module {name.module!r}",
            fix=hint_for_class(file, path, name.class_name)
            if file.is_file() else hint_for_file(path, name.class_name, Path()),
        )]) from error  # fmt: skip


def _check_methods(driver: type, methods: Iterable[str]) -> None:
    missing = _lacking(driver, methods)
    if missing:
        raise DriverBroken(
            "driver-incomplete",
            f"class {driver.__name__} lacks {', '.join(missing)}",
            place_of_class(driver),
        )


def _lacking(driver: type, names: Iterable[str]) -> list[str]:
    return [f"{name}()" for name in names if not callable(getattr(driver, name, None))]
