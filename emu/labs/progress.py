"""What a learner has done so far, kept in a file beside the exercises.

The one idea: it is a diary and no mark book. Whoever changes it by hand changes what `emu lab`
prints, and nothing else.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import msgspec

from emu.errors import Flaw, InputError

__all__ = ["FILE", "Diary", "Entry"]

FILE = "progress.json"


class Entry(msgspec.Struct, forbid_unknown_fields=True):
    """Hold what was done about one lab.

    Args:
        hints: how many hints were asked for.
        tries: how many submissions were graded.
        passed: whether one passed.
    """

    hints: int = 0
    tries: int = 0
    passed: bool = False

    @property
    def state(self) -> str:
        """The state in a few words."""
        if self.passed:
            return "passed" if self.tries == 1 else f"passed, {self.tries} tries"
        return f"{self.tries} {'try' if self.tries == 1 else 'tries'}" if self.tries else "begun"


class Diary:
    """Read and write the diary of a folder of exercises.

    Args:
        folder: the folder, which need not be there yet.

    Raises:
        InputError: there is a diary that cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self.entries: dict[str, Entry] = {}
        with suppress(FileNotFoundError, NotADirectoryError):
            try:
                self.entries = msgspec.json.decode(self._path.read_bytes(), type=dict[str, Entry])
            except (msgspec.DecodeError, OSError) as error:
                if isinstance(error, FileNotFoundError | NotADirectoryError):
                    raise
                raise self._flaw(f"cannot be read: {error}", "remove it to begin anew") from None

    def of(self, lab: str) -> Entry:
        """Return what was done about a lab, which is made if there is nothing yet."""
        return self.entries.setdefault(lab, Entry())

    def state(self, lab: str) -> str:
        """Return the state of a lab, "" if it was never begun."""
        return self.entries[lab].state if lab in self.entries else ""

    def write(self) -> None:
        """Write the diary, if the folder of the exercises is there.

        Raises:
            InputError: it cannot be written.
        """
        if not self._path.parent.is_dir():
            return
        fresh = self._path.with_suffix(".new")
        try:
            fresh.write_bytes(msgspec.json.format(msgspec.json.encode(self.entries)) + b"\n")
            fresh.replace(self._path)
        except OSError as error:
            raise self._flaw(f"cannot be written: {error.strerror}", "") from error

    def _flaw(self, what: str, fix: str) -> InputError:
        return InputError([Flaw(str(self._path), 0, 0, what, fix=fix)])
