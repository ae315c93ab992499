"""A device: declared registers, a behaviour, and the wires that leave it.

A device class lists its `REGISTERS` and `PARAMETERS` and adds methods where a register does more
than its declaration says. For a register ``NAME`` these are, each optional:

* ``read_NAME() -> int`` replaces reading, ``write_NAME(value)`` replaces writing;
* ``after_read_NAME(value)`` and ``after_write_NAME(old, new)`` run once the declared access is
  done (SystemRDL calls these strobes ``swacc`` and ``swmod``);
* ``peek_NAME() -> int`` looks without side effects, where the stored value does not tell;
* ``burst_NAME(most, step_ps) -> list[int]`` answers several reads at once, see `BurstPort`.

Each register has a `Port`, the pair of functions that a bus access ends in. Faults, rules and
coverage wrap the port of the register they are about, and nothing else pays for them.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar

from emu.errors import AccessError, DeclarationError, nearest
from emu.kernel.clock import PS_PER_S, Clock, Timer
from emu.kernel.live import Gate, LiveRegister
from emu.kernel.parameter import Parameter, read_settings
from emu.kernel.register import Register, check_registers
from emu.kernel.signal import Signal

if TYPE_CHECKING:
    from emu.kernel.board import Board

__all__ = ["BurstPort", "Device", "Port", "ReadPort", "Rewiring", "WritePort"]

ReadPort = Callable[[], int]
WritePort = Callable[[int], None]

_checked: dict[int, tuple[Register, ...]] = {}  # declarations found in order, by their id

# Given at most so many reads, the first now and each `step_ps` after the one before, answer those
# of which only the first has an effect that anybody but the reader could notice; none is allowed.
BurstPort = Callable[[int, int], list[int]]


class Rewiring:
    """Tell listeners that functions behind registers changed; in a ``with`` block once, at its end.

    Attributes:
        listeners: called without arguments.
    """

    __slots__ = ("_changed", "_depth", "listeners")

    def __init__(self) -> None:
        self.listeners: list[Callable[[], None]] = []
        self._depth = 0
        self._changed = False

    def tell(self) -> None:
        """Tell everyone, now or at the end of the block."""
        self._changed = True
        if not self._depth:
            self._changed = False
            for listener in self.listeners:
                listener()

    def __enter__(self) -> None:
        self._depth += 1

    def __exit__(self, *_: object) -> None:
        self._depth -= 1
        if self._changed:
            self.tell()


class Port:
    """The two functions behind one register.

    Attributes:
        read, write: what answers.
        bare_write: what takes writes in the device itself, with nothing in front of it.
        burst: what answers several reads at once; None while each must be seen by itself.
        beyond: asked after a read that is wider than the register what the bits beyond it show,
            all of them at once; None while they are 0, which costs nothing.
    """

    __slots__ = (
        "_apart",
        "_rewiring",
        "bare_write",
        "beyond",
        "burst",
        "read",
        "register",
        "write",
    )

    def __init__(
        self,
        register: LiveRegister,
        read: ReadPort,
        write: WritePort,
        burst: BurstPort | None = None,
        rewiring: Rewiring | None = None,
    ) -> None:
        self.beyond: ReadPort | None = None
        self.burst = burst
        self.register = register
        self.read = read
        self.write = self.bare_write = write
        self._apart: tuple[ReadPort, WritePort] | None = None
        self._rewiring = rewiring or Rewiring()

    @property
    def masters(self) -> tuple[ReadPort, WritePort]:
        """What answers devices that master the bus: the same, unless they were set apart."""
        return self._apart or (self.read, self.write)

    def set_masters_apart(self) -> None:
        """Let what wraps the port from now on see the processor's accesses alone."""
        self._apart = self.masters

    def wrap_read(
        self,
        wrapper: Callable[[ReadPort], ReadPort],
        burst: Callable[[BurstPort], BurstPort] | None = None,
    ) -> None:
        """Put ``wrapper(read)`` in the place of the function that answers reads.

        Args:
            wrapper: given what answered so far, return what answers from now on.
            burst: likewise for several reads at once; without it each read comes by itself.
        """
        self.read = wrapper(self.read)
        self.burst = burst(self.burst) if burst and self.burst else None
        self._rewiring.tell()

    def wrap_write(self, wrapper: Callable[[WritePort], WritePort]) -> None:
        """Put ``wrapper(write)`` in the place of the function that takes writes."""
        self.write = wrapper(self.write)
        self._rewiring.tell()


class Device:
    """Base of every device on the shelf.

    Args:
        name: what the board calls it.
        clock: the clock of the board.
        settings: values for `PARAMETERS`, as a person writes them or in parsed form.

    Attributes:
        registers: the live registers by name.
        ports: their ports by name.
        rewiring: who must hear when a port is wrapped.
        signals: the wires that leave or enter the device, by name; ``irq`` is the interrupt line.
        settings: the value of every parameter.
        clock_hz: the device's own input clock, 0 if it has none.
        memory: the bytes of a device that is plain memory, None for one with registers.
        bank: the value of the bank select.
        halted: whether the behaviour stands still while registers go on answering.
    """

    KIND: ClassVar[str] = ""
    MEANING: ClassVar[str] = ""
    REGISTERS: ClassVar[tuple[Register, ...]] = ()
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = ()
    BANK_FIELD: ClassVar[str] = ""  # the field that selects the bank, such as "LCR.DLAB"
    NOTES: ClassVar[tuple[str, ...]] = ()  # what a driver's author must know besides the registers

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        self.name = name
        self.clock = clock
        self.settings: dict[str, Any] = read_settings(
            self.PARAMETERS, settings or {}, where=f"device {name}"
        )
        self.clock_hz: int = self.settings.get("clock", 0)
        self.memory: bytearray | None = None
        self.bank = 0
        self.halted = False
        self.signals: dict[str, Signal] = {"irq": Signal(clock, f"{name}.irq")}
        if id(self.REGISTERS) not in _checked:
            check_registers(self.REGISTERS, where=f"device {name}")
            _checked[id(self.REGISTERS)] = self.REGISTERS
        self.registers = {one.name: self._make_live(one) for one in self.REGISTERS}
        self.ports: dict[str, Port] = {}
        self.rewiring = Rewiring()
        self.bank_listeners: list[Callable[[int], None]] = []

    def connect_ports(self) -> None:
        """Bind the registers to the behaviour; the board calls this once the device is built."""
        self.ports = {name: self._make_port(live) for name, live in self.registers.items()}

    def join(self, board: Board) -> None:
        """Take what it needs of the board besides registers: other devices, the bus, the reset.

        The board calls this once everything is attached, before it wires interrupt lines.

        Raises:
            DeclarationError: settings name what the board does not have.
        """

    @property
    def irq(self) -> Signal:
        """The interrupt line of the device."""
        return self.signals["irq"]

    @property
    def unit_bytes(self) -> int:
        """Bytes between neighbouring registers as declared: the width of the narrowest."""
        return min((one.width // 8 for one in self.REGISTERS), default=1)

    def size_bytes(self, stride: int) -> int:
        """Return how many bytes of the bus the device takes with its registers `stride` apart.

        Raises:
            DeclarationError: the device has neither registers nor memory.
        """
        if self.memory is not None:
            return len(self.memory)
        if not self.REGISTERS:
            raise DeclarationError(
                "neither registers nor memory",
                where=f"device {self.name}",
                fix="declare REGISTERS, or set `memory` in the device's constructor",
            )
        last = max(one.offset + one.width // 8 for one in self.REGISTERS)
        return last // self.unit_bytes * stride

    def reset(self) -> None:
        """Put every register in its reset state and let the behaviour follow."""
        for live in self.registers.values():
            live.reset()
        self.select_bank(0)
        self.on_reset()

    def on_reset(self) -> None:
        """Follow a reset; devices with state of their own replace this."""

    def halt(self, halted: bool) -> None:
        """Let the behaviour stand still, or go on, while registers keep answering: a fault."""
        if halted != self.halted:
            self.halted = halted
            self.on_halt()

    def on_halt(self) -> None:
        """Follow a change of `halted`; devices that do things on their own replace this."""

    def scramble(self, generator: random.Random) -> None:
        """Leave the device as a crash or a bootloader might: random values in what can be written.

        Values go through the registers' own write path, so the state is one the device can reach.
        """
        for live in self.registers.values():
            if live.declaration.writable:
                port = self.ports[live.declaration.name]
                port.bare_write(generator.randrange(live.full + 1))

    def select_bank(self, bank: int) -> None:
        """Show the registers of `bank` at the offsets that banks share."""
        if bank != self.bank:
            self.bank = bank
            for listener in self.bank_listeners:
                listener(bank)

    def register(self, name: str) -> LiveRegister:
        """Return the live register called `name`.

        Raises:
            AccessError: there is none; the message names the nearest.
        """
        if name not in self.registers:
            raise AccessError(
                f"no register {name!r}", where=self.name, fix=nearest(name, self.registers)
            )
        return self.registers[name]

    def peek(self, name: str) -> int:
        """Return what a register holds, or one field (``"LSR.THRE"``), without side effects.

        Raises:
            AccessError: there is no such register.
            DeclarationError: there is no such field.
        """
        register_name, _, field_name = name.partition(".")
        live = self.register(register_name)
        look = getattr(self, f"peek_{register_name}", None)
        value: int = look() if look else live.value
        if not field_name:
            return value
        one = live.declaration.field(field_name)
        return (value & one.mask) >> one.low

    def _make_live(self, register: Register) -> LiveRegister:
        gates: dict[str, Gate] = {}
        for one in register.fields:
            for gate in (one.swwe, one.swwel):
                if gate is not None:
                    path = gate if "." in gate else f"{register.name}.{gate}"
                    gates[gate] = lambda path=path: self.peek(path)  # type: ignore[misc]
        return LiveRegister(
            register,
            where=f"{self.name}.{register.name}",
            now_ps=lambda: self.clock.now_ps,
            gates=gates,
        )

    def _make_port(self, live: LiveRegister) -> Port:
        name = live.declaration.name
        read: ReadPort = getattr(self, f"read_{name}", None) or live.compile_read()
        write: WritePort = getattr(self, f"write_{name}", None) or live.compile_write()
        if any(one.singlepulse for one in live.declaration.fields):
            write = self._pulsing(live, write)  # also around a write of the device's own
        after_read = getattr(self, f"after_read_{name}", None)
        after_write = getattr(self, f"after_write_{name}", None)
        return Port(
            live,
            _then_read(read, after_read) if after_read else read,
            _then_write(live, write, after_write) if after_write else write,
            None if after_read else getattr(self, f"burst_{name}", None),
            self.rewiring,
        )

    def _pulsing(self, live: LiveRegister, write: WritePort) -> WritePort:
        """Return `write`, with the pulses it starts ended one cycle of the device's clock later.

        Without a clock of its own a device takes no time over it: 1 ps.
        """
        cycle_ps = PS_PER_S // self.clock_hz if self.clock_hz else 1
        clock = self.clock
        timers = [
            (one, Timer(clock, partial(live.end_pulse, one.mask)))
            for one in live.declaration.fields
            if one.singlepulse
        ]

        def write_pulsing(data: int) -> None:
            started = [pulse for pulse in timers if data & pulse[0].mask and live.accepts(pulse[0])]
            write(data)
            for one, timer in started:
                if live.value & one.mask:
                    timer.start(clock.now_ps + cycle_ps)

        return write_pulsing


def _then_read(read: ReadPort, after: Callable[[int], None]) -> ReadPort:
    def read_then() -> int:
        value = read()
        after(value)
        return value

    return read_then


def _then_write(
    live: LiveRegister, write: WritePort, after: Callable[[int, int], None]
) -> WritePort:
    def write_then(data: int) -> None:
        old = live.value
        write(data)
        after(old, live.value)

    return write_then
