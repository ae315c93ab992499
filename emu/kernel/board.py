"""A board: one clock, one processor, one bus, and the devices on it.

`attach` puts devices on the bus, `interrupt` says how a line behaves, `power_on` lets devices find
each other, wires the interrupt lines, resets everything and makes the board ready to run a driver.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import islice

from emu.errors import AccessError, DeclarationError, RunEnded, nearest
from emu.kernel.bus import Bus, Window
from emu.kernel.clock import PS_PER_S, Clock
from emu.kernel.cpu import Cpu
from emu.kernel.device import Device
from emu.kernel.interrupts import InterruptLine
from emu.kernel.journal import AGAIN, DEFAULT_EVENTS, Journal
from emu.kernel.signal import Signal
from emu.kernel.sources import SOURCE_STEP, Source, Sources

__all__ = ["Board", "BusSettings", "CpuSettings", "LineRules"]

_TAIL = 256  # accesses that tell a busy-wait loop from a walk over memory


@dataclass(frozen=True, slots=True)
class CpuSettings:
    """Say what the processor costs.

    Args:
        clock_hz: clock in Hz.
        entry_cycles: entering a handler.
        exit_cycles: leaving a handler.
        time_cycles: reading the time.
        nesting: whether higher priorities interrupt handlers.
    """

    clock_hz: int = 50_000_000
    entry_cycles: int = 20
    exit_cycles: int = 15
    time_cycles: int = 10
    nesting: bool = False


@dataclass(frozen=True, slots=True)
class BusSettings:
    """Say how the bus works.

    Args:
        width_bits: widest access, 8, 16, 32 or 64.
        big_endian: most significant byte at the lowest address.
        access_cycles: cycles of the processor's clock an access takes.
        address_bits: size of the address space.
    """

    width_bits: int = 32
    big_endian: bool = False
    access_cycles: int = 10
    address_bits: int = 32


@dataclass(frozen=True, slots=True)
class LineRules:
    """Say how an interrupt line behaves.

    Args:
        priority: higher is served first.
        edge: latch rising edges instead of following the level.
        shared: several devices may drive the line, several handlers may be connected.
        moderation_ps: least time between deliveries.
        software: the line has no wire; only ``cpu.raise_interrupt`` raises it.
    """

    priority: int = 1
    edge: bool = False
    shared: bool = False
    moderation_ps: int = 0
    software: bool = False


class Board:
    """Hold a deterministic machine.

    Args:
        name: for messages and maps.
        cpu: costs of the processor.
        bus: kind of bus.
        events: how many entries the journal keeps, None for all.
        places: note the driver's file and line with each entry.

    Attributes:
        clock, journal, cpu, bus: the parts.
        devices: the devices by name.
        sources: which devices are wired to an interrupt controller, and how.
        on_reset: asked after a reset of the whole board, with what it was due to, whether the
            driver goes on all the same; None lets the run end.
    """

    def __init__(
        self,
        name: str = "board",
        *,
        cpu: CpuSettings | None = None,
        bus: BusSettings | None = None,
        events: int | None = DEFAULT_EVENTS,
        places: bool = False,
    ) -> None:
        cpu = cpu or CpuSettings()
        bus = bus or BusSettings()
        self.name = name
        self.clock = Clock()
        self.journal = Journal(events=events, places=places)
        self.cpu = Cpu(
            self.clock,
            self.journal,
            clock_hz=cpu.clock_hz,
            entry_cycles=cpu.entry_cycles,
            exit_cycles=cpu.exit_cycles,
            time_cycles=cpu.time_cycles,
            nesting=cpu.nesting,
        )
        self.bus = Bus(
            self.clock,
            self.cpu,
            self.journal,
            width_bits=bus.width_bits,
            big_endian=bus.big_endian,
            access_ps=self.cycles_ps(bus.access_cycles),
            address_bits=bus.address_bits,
        )
        self.devices: dict[str, Device] = {}
        self._wires: dict[int, list[Signal]] = {}
        self._line_rules: dict[int, LineRules] = {}
        self.sources = Sources()
        self._stood_in: set[str] = set()
        self.on_reset: Callable[[str], bool] | None = None
        self._who: int | None = None  # on the tape, once there has been a reset
        self.cpu.watch_progress(self._progress)
        self.cpu.name_offset = self._name_offset

    def cycles_ps(self, cycles: int) -> int:
        """Return the time of `cycles` of the processor's clock in ps."""
        return cycles * PS_PER_S // self.cpu.clock_hz

    def attach(
        self,
        kind: type[Device],
        name: str,
        at: int,
        *,
        settings: Mapping[str, object] | None = None,
        stride: int | None = None,
        widths: Iterable[int] | None = None,
        wait_cycles: int = 0,
        irq: int | None = None,
        through: str = "",
        size: int | None = None,
    ) -> Window:
        """Build a device, map it at address `at` and return its window.

        Args:
            kind: the device class.
            name: what the board calls it.
            at: first address in bytes.
            settings: values for its parameters.
            stride: bytes between registers, 1, 2, 4 or 8.
            widths: access widths in bits that it answers.
            wait_cycles: wait states in cycles of the processor.
            irq: number of its interrupt line, or of its source at an interrupt controller.
            through: name of that controller, ``""`` for the processor itself; its driver gives a
                source its handler, see `emu.kernel.routed.routed`.
            size: bytes of the bus to take, when more than the registers need.

        Raises:
            DeclarationError: settings, place or name do not fit.
        """
        self._check_irq(irq, through, name)
        device = kind(name, self.clock, settings)
        device.connect_ports()
        if through and irq is not None:
            irq = self.sources.wire(name, through, irq)
        window = self.bus.attach(
            device,
            at,
            stride=stride,
            widths=widths,
            wait_ps=self.cycles_ps(wait_cycles),
            irq=irq,
            size=size,
        )
        self.devices[name] = device
        self._note_banks(device)
        if irq is not None:
            self._wires.setdefault(irq, []).append(device.irq)
        return window

    def put_beside(self, name: str, others: Iterable[str]) -> None:
        """Give the driver of `name` the windows of further devices.

        Raises:
            AccessError: there is no such device.
        """
        self.window(name).beside.update({other: self.window(other) for other in others})

    def interrupt(self, number: int, rules: LineRules) -> None:
        """Say how interrupt line `number` behaves; call before `power_on`.

        Raises:
            DeclarationError: said twice for the same line.
        """
        if number in self._line_rules:
            raise DeclarationError(f"interrupt {number} is declared twice", where=self.name)
        self._line_rules[number] = rules

    def stand_in_for(self, controller: str) -> None:
        """Let what goes through a controller come by lines of its own; call before `power_on`.

        For boards on which nobody drives the controller: handlers are connected as ever, and what
        its driver would do costs nothing.
        """
        self._stood_in.add(controller)

    def power_on(self) -> None:
        """Let devices join the board, wire the interrupt lines and reset every device.

        Raises:
            DeclarationError: a line is claimed twice and not shared, or has rules but no wire; or
                a device needs what is not there.
        """
        for device in self.devices.values():
            device.join(self)
        self._check_sources()
        for number in sorted({*self._wires, *self._line_rules}):
            source = self.sources.find(number)
            if source is None or source.controller in self._stood_in:
                self._add_line(number, self._line_rules.get(number, LineRules()))
            else:
                self._lead(number, source)
        for device in self.devices.values():
            device.reset()

    def reset(self, why: str) -> None:
        """Reset every device while the board is running, and with it whatever the driver was doing.

        Fields that declare no reset value keep what they hold.

        Args:
            why: which device did it, and what it was due to.

        Raises:
            RunEnded: rule ``board-reset``, unless `on_reset` says that the driver goes on.
        """
        if self._who is None:
            self._who = self.journal.source("board", self.name)
        self.journal.append((self.clock.now_ps, self._who, "reset because", why))
        for device in self.devices.values():
            device.reset()
        if self.on_reset is None or not self.on_reset(why):
            self.cpu.end(RunEnded("board-reset", f"the whole board was reset: {why}"))

    def line_of(self, irq: int) -> int:
        """Return the line of the processor by which an interrupt comes in the end.

        That is its own, or that of the controllers that it goes through.
        """
        source = self.sources.find(irq)
        while source is not None and source.controller not in self._stood_in:
            irq = self.window(source.controller).irq
            source = self.sources.find(irq)
        return irq

    def asking(self, line: int) -> list[Device]:
        """Return the devices that hold a line of the processor up now.

        A controller is one of them only if none that goes through it is.
        """
        up = {
            one.device.name: one.device
            for one in self.bus.regions
            if one.irq is not None and one.device.irq.level and self.line_of(one.irq) == line
        }
        relays = {self.sources.wired[name].controller for name in up if name in self.sources.wired}
        return [one for name, one in up.items() if name not in relays]

    def interpose(self, name: str) -> Signal:
        """Put a wire between a device and its interrupt line and return it; call from `join`.

        Who asks for it drives it; without an interrupt line it leads nowhere.

        Raises:
            AccessError: there is no such device.
        """
        inner = self.device(name).irq
        outer = Signal(self.clock, inner.name, level=inner.level)
        for wires in self._wires.values():
            wires[:] = [outer if one is inner else one for one in wires]
        return outer

    def set_masters_apart(self) -> None:
        """Let what wraps ports from now on see the processor's accesses alone.

        Rules and counters are about the driver, faults about the hardware whoever accesses it.
        """
        if self.bus.masters:
            for device in self.devices.values():
                for port in device.ports.values():
                    port.set_masters_apart()

    @contextmanager
    def rewiring(self) -> Iterator[None]:
        """Wrap ports inside a ``with`` block at less cost: windows follow at its end."""
        with ExitStack() as stack:
            for device in self.devices.values():
                stack.enter_context(device.rewiring)
            yield

    def device(self, name: str) -> Device:
        """Return the device called `name`.

        Raises:
            AccessError: there is none; the message names the nearest.
        """
        if name not in self.devices:
            raise AccessError(
                f"no device {name!r}", where=self.name, fix=nearest(name, self.devices)
            )
        return self.devices[name]

    def window(self, name: str) -> Window:
        """Return the window of the device called `name`; raises as `device` does."""
        self.device(name)
        return self.bus.windows[name]

    def _note_banks(self, device: Device) -> None:
        """Note bank switches, since they say which register a later access meant."""
        if all(one.bank is None for one in device.REGISTERS):
            return
        who = self.journal.source("bank", device.name)
        shown = device.bank

        def note(bank: int) -> None:
            nonlocal shown
            self.journal.append((self.clock.now_ps, who, shown, bank))
            shown = bank

        device.bank_listeners.append(note)

    def _check_irq(self, irq: int | None, through: str, name: str) -> None:
        where = f"device {name}"
        if through and irq is None:
            raise DeclarationError(
                f"through {through}, and no irq says to which of its sources", where=where,
                fix="add irq: the number of the source",
            )  # fmt: skip
        if irq is not None and not 0 <= irq < SOURCE_STEP:
            raise DeclarationError(f"irq={irq}", where=where, allowed=f"0 to {SOURCE_STEP - 1}")

    def _check_sources(self) -> None:
        """Refuse devices that are wired to what is no source of a controller."""
        lines = {one.device.name for one in self.bus.regions if one.irq is not None}
        for name in self.devices:
            flaw = self.sources.flaw(name, self.devices, lines)
            if flaw is not None:
                raise flaw.error

    def _lead(self, number: int, source: Source) -> None:
        """Wire a device to a source of a controller."""
        wire = self.device(source.controller).signals[f"source{source.number}"]
        self.cpu.interrupts.lead(number, self._wires[number][0], wire, source.controller)

    def _add_line(self, number: int, rules: LineRules) -> InterruptLine:
        wires = self._wires.get(number, [])
        if not wires and not rules.software:
            raise DeclarationError(
                f"interrupt {number} has rules but no device drives it",
                where=self.name,
                fix="give a device this irq, or declare the line software: true",
            )
        return self.cpu.interrupts.add(
            number,
            wires,
            edge=rules.edge,
            priority=rules.priority,
            shared=rules.shared,
            moderation_ps=rules.moderation_ps,
        )

    def _name_offset(self, window: str, offset: int) -> str:
        """Return the path of the register that answers reads at an offset, as ``telemetry.LSR``."""
        region = next(one for one in self.bus.regions if one.device.name == window)
        for register in region.device.REGISTERS:
            shown = register.bank in (None, region.device.bank) and register.only != "w"
            if shown and region.offset_of(register) == offset:
                return f"{window}.{register.name}"
        return f"{window}[{offset:#x}]"

    def _progress(self) -> tuple[object, ...]:
        """Count what a busy-wait loop does not do, and note which reads it makes.

        A loop may read several registers in turn, so its reads are judged by what the end of the
        journal holds: a few accesses with the same values, or new ones.
        """
        counts = self.bus.accesses().values()
        written = [one[2] for one in counts]
        entries = self.journal.entries
        if len(entries) < _TAIL:
            return (*written, *(fresh for fresh, _, _ in counts))
        tail = {entry[1:4] for entry in islice(reversed(entries), _TAIL) if entry[2] != AGAIN}
        return (*written, frozenset(tail))
