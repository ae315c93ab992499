"""A watchdog with a window: fed too late, too early or wrongly, it resets the whole board.

The one idea: nothing ticks. The count is worked out from the moment of the last feed, and only the
moment of the bite is scheduled. What the driver was doing ends with the board; what is left is a
cause that no reset clears. The register map is our own.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from typing import ClassVar

from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S, Clock, Timer
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.units import parse_frequency, show_duration

__all__ = ["FIRST_KEY", "RESET_KEY", "SECOND_KEY", "Watchdog"]

FIRST_KEY, SECOND_KEY, RESET_KEY = 0xEBB0, 0xF10D, 0xB007
_ENABLE = 0x01
_OPEN, _HALF_FED, _RUNNING = 0x01, 0x02, 0x04
_POWER_ON, _WATCHDOG, _SOFTWARE, _LATE, _EARLY, _WRONG_KEY = 0x01, 0x02, 0x04, 0x100, 0x200, 0x400


def _word(name: str, offset: int, meaning: str, *fields: Field) -> Register:
    return Register(name, offset, fields, width=32, meaning=meaning)


def _cause(name: str, bit: int, meaning: str) -> Field:
    """Declare a flag that survives resets until software writes a 1 to it."""
    return Field(name, bit, 1, meaning, reset=None, onwrite="woclr", hwset=True)


class Watchdog(Device):
    """Reset the board unless it is fed in time.

    Enabling starts the count, and so does each feed. A feed is FIRST_KEY, then SECOND_KEY, written
    to FEED; other accesses may come between. It counts at the second, which must come when OPENS
    ticks or more and fewer than TIMEOUT have passed. TIMEOUT and OPENS written while it runs count
    from the next feed on. LOCK fixes CONTROL, TIMEOUT and OPENS until a reset.

    Attributes:
        on_begin: called when it has begun to count from 0, enabled or fed.
        on_bite: called before it resets the board, with the bits of CAUSE that say why.
    """

    KIND = "watchdog"
    MEANING = "watchdog with a window, which resets the board"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        _word("CONTROL", 0x00, "control",
              Field("ENABLE", 0, 1, "lets it count", swwel="LOCK"),
              Field("LOCK", 1, 1, "fixes all settings until a reset", onwrite="woset")),
        _word("TIMEOUT", 0x04, "how long it waits",
              Field("TICKS", 0, 32, "ticks until it bites, 0 counts as 1", reset=0x8000,
                    swwel="CONTROL.LOCK")),
        _word("OPENS", 0x08, "how long it must not be fed",
              Field("TICKS", 0, 32, "ticks until the window opens", swwel="CONTROL.LOCK")),
        _word("FEED", 0x0C, "feed",
              Field("KEY", 0, 16, "0xEBB0, then 0xF10D", sw="w", onwrite="wuser")),
        _word("STATUS", 0x10, "state",
              Field("OPEN", 0, 1, "a feed would be in time", sw="r"),
              Field("HALF_FED", 1, 1, "the first key has come", sw="r"),
              Field("RUNNING", 2, 1, "it counts", sw="r")),
        _word("COUNT", 0x14, "how long it has waited",
              Field("TICKS", 0, 32, "ticks since the last feed", sw="r")),
        _word("CAUSE", 0x18, "which resets there were",
              _cause("POWER_ON", 0, "the board was switched on"),
              _cause("WATCHDOG", 1, "it bit"),
              _cause("SOFTWARE", 2, "RESET was written"),
              _cause("LATE", 8, "it bit because it was not fed"),
              _cause("EARLY", 9, "it bit because it was fed before the window opened"),
              _cause("WRONG_KEY", 10, "it bit because another key came")),
        _word("RESET", 0x1C, "reset by software",
              Field("KEY", 0, 16, "0xB007 resets the board", sw="w", onwrite="wuser")),
    )  # fmt: skip
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 32_768, "input clock, a tick a cycle"),
    )
    NOTES: ClassVar[tuple[str, ...]] = (
        (
            "Feed it by writing 0xEBB0 and then 0xF10D to FEED. Any other value, or the second key "
            "without the first, bites at once while it runs."
        ),
        (
            "The second key must come once OPENS ticks have passed since the last feed, and before "
            "TIMEOUT ticks have: STATUS.OPEN tells."
        ),
        "Set TIMEOUT and OPENS before ENABLE; written later they count from the next feed on.",
        "Once LOCK is set only a reset stops it, and writes to its settings are ignored.",
        (
            "CAUSE keeps what it holds over every reset but power-on: write back the ones that you "
            "have read, or the next reset cannot be told from this one."
        ),
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self._control, self._cause = self.registers["CONTROL"], self.registers["CAUSE"]
        self._timeout, self._opens = self.registers["TIMEOUT"], self.registers["OPENS"]
        self._cause.value = _POWER_ON
        self._running = self._half_fed = False
        self._window = (0, 0)  # ticks at which it opens, and at which it is over
        self._fed_ps = 0
        self._waited_ps = 0  # how long it had waited when it came to stand still
        self._bites = Timer(clock, self._starved)
        self.on_begin: list[Callable[[], None]] = []
        self.on_bite: list[Callable[[int], None]] = []

    def join(self, board: Board) -> None:
        """Take hold of the reset of the board."""
        self._board = board

    def on_reset(self) -> None:
        """Stop; the cause stays."""
        self._running = self._half_fed = False
        self._bites.stop()

    def on_halt(self) -> None:
        """Stand still, or count on from there."""
        now_ps = self.clock.now_ps
        if self.halted:
            self._waited_ps = now_ps - self._fed_ps
            self._bites.stop()
        else:
            self._fed_ps = now_ps - self._waited_ps
            self._plan()

    def scramble(self, generator: random.Random) -> None:
        """Leave random settings; running, it would be fed by whoever had started it."""
        for name in ("TIMEOUT", "OPENS"):
            self.ports[name].write(generator.randrange(1 << 32))

    # counting

    @property
    def running(self) -> bool:
        """Whether it counts."""
        return self._running

    @property
    def in_force(self) -> tuple[int, int]:
        """The ticks at which its window opens, and at which it bites, since it was last fed."""
        return self._window

    def _count(self) -> int:
        """Return the ticks since it was fed."""
        if not self._running:
            return 0
        waited_ps = self._waited_ps if self.halted else self.clock.now_ps - self._fed_ps
        return waited_ps * self.clock_hz // PS_PER_S

    def _begin(self) -> None:
        """Count from 0, with the settings as they are now."""
        self._half_fed = False
        self._fed_ps, self._waited_ps = self.clock.now_ps, 0
        self._window = (self._opens.value, max(1, self._timeout.value))
        self._plan()
        if self._running:
            for told in self.on_begin:
                told()

    def _plan(self) -> None:
        if self._running and not self.halted:
            self._bites.start(self._fed_ps - (-self._window[1] * PS_PER_S // self.clock_hz))

    # biting

    def _starved(self) -> None:
        self._bite(_LATE, f"not fed for {self._waited()}")

    def _waited(self) -> str:
        return show_duration(self.clock.now_ps - self._fed_ps)

    def _bite(self, cause: int, why: str) -> None:
        self._reset(_WATCHDOG | cause, f"{self.name} bit: {why}")

    def _reset(self, cause: int, why: str) -> None:
        self._cause.hw_set(cause)
        for told in self.on_bite:
            told(cause)
        self._board.reset(why)

    # registers

    def after_write_CONTROL(self, _old: int, new: int) -> None:
        """Start or stop."""
        running = bool(new & _ENABLE)
        if running != self._running:
            self._running = running
            self._bites.stop()
            self._begin()

    def write_FEED(self, data: int) -> None:
        """Take a key."""
        key = data & 0xFFFF
        if not self._running or self.halted:
            return
        if key == FIRST_KEY and not self._half_fed:
            self._half_fed = True
        elif key != SECOND_KEY or not self._half_fed:
            self._bite(_WRONG_KEY, f"fed with {key:#06x}, not {self._wanted():#06x}")
        elif self._count() < self._window[0]:
            self._bite(_EARLY, f"fed after {self._waited()}, before its window opened")
        else:
            self._begin()

    def _wanted(self) -> int:
        return SECOND_KEY if self._half_fed else FIRST_KEY

    def write_RESET(self, data: int) -> None:
        """Reset the board, given the key."""
        if data & 0xFFFF == RESET_KEY:
            self._reset(_SOFTWARE, f"software asked {self.name} for it")

    def read_COUNT(self) -> int:
        """Return the ticks since it was fed."""
        return self._count() & 0xFFFF_FFFF

    peek_COUNT = read_COUNT

    def read_STATUS(self) -> int:
        """Return whether it runs, and whether it could be fed."""
        is_open = self._running and self._count() >= self._window[0]
        return _OPEN * is_open | _HALF_FED * self._half_fed | _RUNNING * self._running

    peek_STATUS = read_STATUS
