"""What faults did: the first injections in full, and every one of them on the board's tape.

Equal injections in a row are one entry on the tape and a count, as equal reads are, so that a
stuck bit in a busy-wait loop does not push everything else off it.
"""

from __future__ import annotations

from dataclasses import dataclass

from emu.faults.plan import FaultSpec
from emu.kernel.clock import Clock
from emu.kernel.journal import AGAIN, Entry, Journal

__all__ = ["MOST_INJECTIONS", "FaultLog", "Injection"]

MOST_INJECTIONS = 1000
_ELSE = ("cpu", "write", "call")


@dataclass(frozen=True, slots=True)
class Injection:
    """Say that a fault did something.

    Args:
        time_ps: simulated time.
        fault: number of the fault in its plan, from 0.
        detail: what it did, with values.
    """

    time_ps: int
    fault: int
    detail: str


class FaultLog:
    """Keep what faults did.

    Args:
        clock: the clock of the board.
        journal: the tape of the board.

    Attributes:
        injections: the first `MOST_INJECTIONS` in order; exact counts are with the faults.
    """

    def __init__(self, clock: Clock, journal: Journal) -> None:
        self.injections: list[Injection] = []
        self._clock = clock
        self._journal = journal
        self._row: tuple[int, str] = (-1, "")
        self._again = 0
        journal.pauses.append(self._pause)

    def source(self, spec: FaultSpec) -> int:
        """Announce a fault on the tape and return its number there."""
        return self._journal.source("fault", f"{spec.kind} {spec.target}")

    def note(self, fault: int, who: int, detail: str) -> None:
        """Note what fault number `fault` did, `who` being its number on the tape."""
        now_ps = self._clock.now_ps
        if len(self.injections) < MOST_INJECTIONS:
            self.injections.append(Injection(now_ps, fault, detail))
        if self._row == (who, detail):
            self._again += 1
            return
        self._settle()
        self._row = (who, detail)
        self._journal.open_rows[self._settle] = None
        self._journal.append((now_ps, who, fault, detail))

    def _pause(self, entry: Entry) -> None:
        """Close the row where the driver did something else; reads are what faults act on."""
        if self._journal.sources[entry[1]].kind in _ELSE:
            self._settle()

    def _settle(self) -> None:
        """Close the open row of equal injections."""
        if self._again:
            self._journal.append((self._clock.now_ps, self._row[0], AGAIN, self._again))
            self._again = 0
        self._row = (-1, "")
