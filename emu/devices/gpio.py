"""General-purpose pins: direction, output with set and clear aliases, open drain, interrupts.

The one idea: a pin has two wires, ``pin3`` that the outside drives and ``pad3`` that this device
drives. A pad idles at 1 as with a pull-up, the outside as the board says. What software reads is
the pin as its pad shows it: its own output where it drives, else what comes from outside. The
register map is our own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import ClassVar

from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.kernel.signal import Signal

__all__ = ["PINS", "Gpio"]

PINS = 16
_ALL = (1 << PINS) - 1


def _pins(name: str, offset: int, meaning: str, each: str, **more: str | None) -> Register:
    """Declare a register with one bit a pin."""
    one = Field("PIN", 0, PINS, each, **more)  # type: ignore[arg-type]
    return Register(name, offset, (one,), width=32, meaning=meaning)


class Gpio(Device):
    """Drive and read sixteen pins.

    An edge is latched in PENDING whether it is enabled or not, so what came before stays there
    until software clears it. A pin that senses a level is pending for as long as it has that level,
    and writing PENDING does not change that. An output is seen by IN, and by the edge detector, as
    any other level is.

    Attributes:
        on_change: called before anything is latched when levels change, with the levels of all pins
            before and after, and whether this device made them change.
    """

    KIND = "gpio"
    MEANING = "sixteen general-purpose pins with interrupts"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        _pins("IN", 0x00, "level of the pins", "1 where the pin is high", sw="r", reset=None),
        _pins("OUT", 0x04, "output latch", "what the pin is driven to while it is an output"),
        _pins("DIR", 0x08, "direction", "1 makes the pin an output"),
        _pins("SET", 0x0C, "set bits of OUT", "1 sets the bit", sw="w", onwrite="wuser"),
        _pins("CLEAR", 0x10, "clear bits of OUT", "1 clears the bit", sw="w", onwrite="wuser"),
        _pins("TOGGLE", 0x14, "invert bits of OUT", "1 inverts the bit", sw="w", onwrite="wuser"),
        _pins("DRAIN", 0x18, "open drain", "1 lets an output go instead of driving it high"),
        _pins("ENABLE", 0x1C, "interrupt enable", "1 lets the pin interrupt"),
        _pins("EDGE", 0x20, "what is sensed", "1 senses an edge, 0 a level"),
        _pins("HIGH", 0x24, "which of them", "1 for the rising edge or high level, 0 the other"),
        _pins("BOTH", 0x28, "both edges", "1 senses either edge, whatever HIGH says"),
        _pins("PENDING", 0x2C, "interrupts that came", "1 where one came", onwrite="woclr"),
    )
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("idle", int, 1, "level that the outside gives every pin at first", (0, 1),
                  ("integer",)),
    )  # fmt: skip
    NOTES = (
        (
            "SET, CLEAR and TOGGLE change only the bits that are written as 1, in one access. OUT "
            "is read, changed and written in several, and whoever comes in between is undone."
        ),
        (
            "An edge stays in PENDING until a 1 is written there, enabled or not: clear what is "
            "old before you enable it."
        ),
        "A pin that senses a level goes on being pending until its level changes.",
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        idle = int(self.settings["idle"])
        for pin in range(PINS):
            outside = self.signals[f"pin{pin}"] = Signal(clock, f"{name}.pin{pin}", level=idle)
            self.signals[f"pad{pin}"] = Signal(clock, f"{name}.pad{pin}", level=1)
            outside.watch(partial(self._follow, 1 << pin))
        self._outside = self._seen = _ALL * idle
        self._pads = _ALL
        self.on_change: list[Callable[[int, int, bool], None]] = []
        self._out, self._direction, self._drain = (
            self.registers[one] for one in ("OUT", "DIR", "DRAIN")
        )
        self._enable, self._edge = self.registers["ENABLE"], self.registers["EDGE"]
        self._high, self._both = self.registers["HIGH"], self.registers["BOTH"]
        self._pending = self.registers["PENDING"]
        self._irq_level = 0

    def on_reset(self) -> None:
        """Make every pin an input; what the outside drives is seen as it is, which is no edge."""
        self._drive()
        self._pending.value = 0
        self._update_irq()

    def on_halt(self) -> None:
        """Follow the pins again, or no longer."""
        if not self.halted:
            self._drive()

    # the wires

    def _follow(self, bit: int, level: int) -> None:
        """Take in what the outside drives on one pin."""
        self._outside = self._outside | bit if level else self._outside & ~bit
        if not self.halted:
            self._look(ours=False)

    def _drive(self) -> None:
        """Drive the pads as OUT, DIR and DRAIN say, and look at what comes of it."""
        if self.halted:
            return
        pads = self._out.value | ~self._direction.value & _ALL
        changed, self._pads = pads ^ self._pads, pads
        for pin in range(PINS):
            if changed >> pin & 1:
                self.signals[f"pad{pin}"].set(pads >> pin & 1)
        self._look(ours=True)

    @property
    def driven(self) -> int:
        """The pins that are driven by this device, one bit a pin."""
        return self._direction.value & ~(self._drain.value & self._out.value)

    @property
    def outside(self) -> int:
        """The levels that the outside gives, one bit a pin."""
        return self._outside

    @property
    def levels(self) -> int:
        """The levels that the pins show, one bit a pin."""
        return self._seen

    def _look(self, *, ours: bool) -> None:
        """Note the edges since the last look."""
        driven = self.driven
        seen = (self._out.value & driven) | (self._outside & ~driven)
        if seen != self._seen:
            for told in self.on_change:
                told(self._seen, seen, ours)
        rose, fell = seen & ~self._seen, self._seen & ~seen
        self._seen = seen
        high, both = self._high.value, self._both.value
        edges = (rose & (high | both)) | (fell & (~high | both))
        self._pending.value |= edges & self._edge.value
        self._update_irq()

    # registers

    def read_IN(self) -> int:
        """Return the level of each pin as its pad shows it."""
        return self._seen

    peek_IN = read_IN

    def after_write_OUT(self, _old: int, _new: int) -> None:
        """Drive the outputs."""
        self._drive()

    after_write_DIR = after_write_DRAIN = after_write_OUT

    def write_SET(self, data: int) -> None:
        """Set bits of OUT."""
        self._change(self._out.value | data)

    def write_CLEAR(self, data: int) -> None:
        """Clear bits of OUT."""
        self._change(self._out.value & ~data)

    def write_TOGGLE(self, data: int) -> None:
        """Invert bits of OUT."""
        self._change(self._out.value ^ data)

    def _change(self, out: int) -> None:
        self._out.value = out & _ALL
        self._drive()

    def after_write_ENABLE(self, _old: int, _new: int) -> None:
        """Let the interrupt line follow."""
        self._update_irq()

    after_write_EDGE = after_write_HIGH = after_write_BOTH = after_write_ENABLE
    after_write_PENDING = after_write_ENABLE

    def read_PENDING(self) -> int:
        """Return the edges that were latched, and the levels that are there now."""
        level = ~self._edge.value & (self._seen ^ ~self._high.value)
        return (self._pending.value & self._edge.value) | (level & _ALL)

    peek_PENDING = read_PENDING

    def _update_irq(self) -> None:
        level = int(bool(self.read_PENDING() & self._enable.value) and not self.halted)
        if level != self._irq_level:
            self._irq_level = level
            self.irq.set(level)
