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
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from emu.devices.serial_driver import SERIAL_METHODS
from emu.errors import Flaw, InputError, RunEnded, nearest
from emu.kernel.where import Place

__all__ = [
    "DriverBroken",
    "DriverName",
    "load_driver",
    "place_of_class",
    "place_of_error",
    "text_of",
]

_LONGEST_TEXT = 200
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
    """A driver as named: where its code is and what the class is called."""

    module: str
    class_name: str
    is_file: bool

    @classmethod
    def parse(cls, text: str, *, base: Path, where: str = "driver") -> DriverName:
        """Read a driver's name; file paths count from `base`.

        Raises:
            InputError: it is not of either form, or the file does not exist.
        """
        module, colon, class_name = text.rpartition(":")
        if not colon or not module or not class_name.isidentifier():
            raise _no_driver(text, where)
        if not module.endswith(".py"):
            if not all(part.isidentifier() for part in module.split(".")):
                raise _no_driver(text, where)
            return cls(module, class_name, is_file=False)
        path = Path(module) if Path(module).is_absolute() else base / module
        if not path.is_file():
            others = [f"{one.name}:{class_name}" for one in path.parent.glob("*.py")]
            raise InputError([Flaw(
                where, 0, 0, f"driver file {module!r} does not exist",
                fix=nearest(f"{path.name}:{class_name}", others),
            )])  # fmt: skip
        return cls(str(path.resolve()), class_name, is_file=True)


def _no_driver(text: str, where: str) -> InputError:
    return InputError([Flaw(
        where, 0, 0, f"{text!r} does not name a driver",
        allowed="path/to/file.py:Class or package.module:Class",
    )])  # fmt: skip


def load_driver(name: DriverName, *, where: str = "driver") -> type:
    """Import the driver's code and return its class.

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
        classes = [key for key, value in vars(module).items() if isinstance(value, type)
                   and value.__module__ == module.__name__]  # fmt: skip
        raise InputError([Flaw(
            where, 0, 0, f"{name.module} has no class {name.class_name!r}",
            fix=nearest(name.class_name, classes) or f"known: {', '.join(classes) or 'none'}",
        )])  # fmt: skip
    _check_methods(driver)
    return driver


def place_of_error(error: BaseException, prefer: str = "") -> Place:
    """Return the driver's innermost line in the traceback of `error`, leaving our frames out."""
    if isinstance(error, SyntaxError) and error.filename and Path(error.filename).is_file():
        return error.filename, error.lineno or 0
    place: Place = (prefer, 0)
    trace = error.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        if not file.startswith(_NOT_THE_DRIVERS):
            place = file, trace.tb_lineno
        trace = trace.tb_next
    return place


def place_of_class(driver: type) -> Place:
    """Return where a class begins, or ``("", 0)`` when it has no source."""
    with suppress(OSError, TypeError):
        return inspect.getsourcefile(driver) or "", inspect.getsourcelines(driver)[1]
    return "", 0


def text_of(value: object, show: Callable[[object], str] = str) -> str:
    """Return what the driver's own object says of itself, in one bearable line."""
    try:
        text = _ADDRESS.sub("", " ".join(show(value).split()))
    except Exception as error:  # noqa: BLE001 - it is the driver's code and may do anything
        return f"(its text cannot be had: {type(error).__name__})"
    text = "".join(one if one.isprintable() else "?" for one in text)
    if not text:
        return "no message"
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]}..."


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
        raise InputError([Flaw(where, 0, 0, f"no module {name.module!r}")]) from error


def _check_methods(driver: type) -> None:
    missing = _lacking(driver, SERIAL_METHODS)
    if missing:
        raise DriverBroken(
            "driver-incomplete",
            f"class {driver.__name__} lacks {', '.join(missing)}",
            place_of_class(driver),
        )


def _lacking(driver: type, names: Iterable[str]) -> list[str]:
    return [f"{name}()" for name in names if not callable(getattr(driver, name, None))]
