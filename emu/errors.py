"""Errors of the bench: where, what, what is allowed, nearest fix.

One root class, `EmuError`. Every error keeps its four parts as attributes and makes its text
from them, so a caller can print, translate or test the parts. What ends a run on purpose is not
an error but a `RunEnded`, which a driver's ``except Exception`` cannot swallow.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = [
    "AccessError",
    "DeclarationError",
    "EmuError",
    "Flaw",
    "InputError",
    "RunEnded",
    "UnitError",
    "nearest",
]


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a hint naming the known word nearest to `word`, or all of them if few, or ``""``.

    A word that differs in nothing but case is nearest of all.
    """
    names = sorted(known)
    close = [name for name in names if name.casefold() == word.casefold()]
    close = close or difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known: {', '.join(names)}" if 0 < len(names) <= 12 else ""


class EmuError(Exception):
    """Say where something went wrong, what it was, what is allowed and the nearest fix.

    Args:
        what: what happened, with value and type.
        where: register path, file:line:column or call; empty when unknown.
        allowed: what would have been accepted, inclusive ranges in the unit of the value.
        fix: the nearest valid name, or the next thing to try.
    """

    def __init__(self, what: str, *, where: str = "", allowed: str = "", fix: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.allowed = allowed
        self.fix = fix

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        return f"{text}; {self.fix}" if self.fix else text

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.args, self.__dict__))


def _rebuild(
    kind: type[BaseException], args: tuple[object, ...], state: dict[str, object]
) -> BaseException:
    """Make an error again in another process from its parts."""
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(state)
    return error


class DeclarationError(EmuError):
    """Report a device, register or board that is declared in a way that cannot be built."""


class AccessError(EmuError):
    """Report a call of the bench's own interface with a value it cannot take."""


class UnitError(EmuError, ValueError):
    """Report a quantity that cannot be read, such as ``"50 MHzz"``."""


class Flaw:
    """Hold one thing wrong with an input: its place, what it is and the nearest fix.

    Args:
        path: the file as the user named it.
        line: 1-based line, 0 when the whole file is meant.
        column: 1-based column, 0 when the whole line is meant.
        what: what is wrong, with value and type.
        allowed: what would have been accepted.
        fix: nearest valid name or next step.
    """

    __slots__ = ("allowed", "column", "fix", "line", "path", "what")

    def __init__(
        self, path: str, line: int, column: int, what: str, *, allowed: str = "", fix: str = ""
    ) -> None:
        self.path = path
        self.line = line
        self.column = column
        self.what = what
        self.allowed = allowed
        self.fix = fix

    def __str__(self) -> str:
        place = self.path
        if self.line:
            place += f":{self.line}:{self.column}"
        return str(EmuError(self.what, where=place, allowed=self.allowed, fix=self.fix))


class InputError(EmuError):
    """Report everything wrong with an input at once, each flaw with its file:line:column.

    Args:
        flaws: at least one flaw, in the order of the file.
    """

    def __init__(self, flaws: Iterable[Flaw]) -> None:
        self.flaws = list(flaws)
        super().__init__("\n".join(str(flaw) for flaw in self.flaws))


class RunEnded(BaseException):
    """End a run that would otherwise hang; not an error class, so drivers cannot catch it by habit.

    Args:
        rule: name of the rule that ended the run.
        message: what was going on, in words.
        file: driver file that was running, empty when unknown.
        line: line in that file, 0 when unknown.
        cause: what else than the driver brought it about, empty when nothing did.
    """

    def __init__(
        self, rule: str, message: str, *, file: str = "", line: int = 0, cause: str = ""
    ) -> None:
        super().__init__(message)
        self.rule = rule
        self.message = message
        self.file = file
        self.line = line
        self.cause = cause

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.args, self.__dict__))
