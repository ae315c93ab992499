"""The memory-mapped bus: which device answers at which address, and the window a driver gets.

A `Bus` holds regions that may not overlap. A `Window` is one region as its driver sees it: the
register-access functions and the facts a board description gives a driver. Whatever cannot be
answered raises `BusError` in the driver, at the access, as a synchronous bus fault would.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from typing import Any

from emu.errors import DeclarationError, EmuError
from emu.kernel.clock import Clock
from emu.kernel.cpu import Cpu
from emu.kernel.device import BurstPort, Device
from emu.kernel.journal import Journal
from emu.kernel.memory import memory_tables
from emu.kernel.misuse import why_refused, wrong_argument
from emu.kernel.ports import Counts, Ports, build_ports
from emu.kernel.region import Region
from emu.kernel.view import View

__all__ = ["WIDTHS", "Bus", "BusError", "Region", "Window"]

WIDTHS = (8, 16, 32, 64)


class BusError(EmuError):
    """Report an access that nothing on the bus could answer; drivers may catch it.

    Attributes:
        address: bus address of the access in bytes.
        direction: ``"read"`` or ``"write"``.
        width_bits: width of the access.
    """

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        allowed: str = "",
        fix: str = "",
        address: int = 0,
        direction: str = "read",
        width_bits: int = 0,
    ) -> None:
        super().__init__(what, where=where, allowed=allowed, fix=fix)
        self.address = address
        self.direction = direction
        self.width_bits = width_bits


class Window:
    """Give a driver access to one device.

    Offsets are bytes from the start of the device as the board maps it, so register number n of a
    device of byte registers lies at ``n * io.stride``. Each access takes the bus's access time.

    Attributes:
        read8, read16, read32, read64: ``read(offset) -> int``; side effects are the register's.
        write8, write16, write32, write64: ``write(offset, value)``.
        read8_rep, ...: ``read(offset, count) -> list[int]``, so many accesses to one offset.
        write8_rep, ...: ``write(offset, values)``, one access for each of the values.
        clock_hz: the input clock of the device in Hz, 0 if it has none.
        on_clock_asked: called when a driver asks for `clock_hz`, None for nobody.
        stride: bytes between neighbouring registers.
        irq: number of the interrupt for ``cpu.connect``; -1 when none is wired. Behind an interrupt
            controller it is no line of the processor, see `emu.kernel.routed.routed`.
        name: what the board calls the device.
        base: bus address of the device's first register, for those who master the bus.
        beside: windows of further devices that the board gives to the driver, by name.

    Raises:
        BusError: (every access) no register there, wrong width, misaligned, or the device does not
            answer.
        AccessError: (writes) the value does not fit the width.
    """

    __slots__ = (
        "_clock_hz", "_counts", "base", "beside", "irq", "name", "on_clock_asked",
        "read8", "read8_rep", "read16", "read16_rep", "read32", "read32_rep",
        "read64", "read64_rep", "stride", "write8", "write8_rep",
        "write16", "write16_rep", "write32", "write32_rep", "write64", "write64_rep",
    )  # fmt: skip

    read8: Callable[[int], int]
    read16: Callable[[int], int]
    read32: Callable[[int], int]
    read64: Callable[[int], int]
    write8: Callable[[int, int], None]
    write16: Callable[[int, int], None]
    write32: Callable[[int, int], None]
    write64: Callable[[int, int], None]
    read8_rep: Callable[[int, int], list[int]]
    read16_rep: Callable[[int, int], list[int]]
    read32_rep: Callable[[int, int], list[int]]
    read64_rep: Callable[[int, int], list[int]]
    write8_rep: Callable[[int, Iterable[int]], None]
    write16_rep: Callable[[int, Iterable[int]], None]
    write32_rep: Callable[[int, Iterable[int]], None]
    write64_rep: Callable[[int, Iterable[int]], None]

    @classmethod
    def through(cls, ports: Ports) -> type[Window]:
        """Return a class whose methods are `ports`: there Python finds them fastest.

        For the same reason no `__getattr__` stands here; it would slow down every access.
        """
        methods: dict[str, Any] = {"__slots__": (), "__module__": __name__, "__doc__": cls.__doc__}
        for width in WIDTHS:
            methods[f"read{width}"] = ports.read[width]
            methods[f"write{width}"] = ports.write[width]
            methods[f"read{width}_rep"] = ports.read_rep[width]
            methods[f"write{width}_rep"] = ports.write_rep[width]
        return type(cls.__name__, (cls,), methods)

    def __init__(self, region: Region, counts: Callable[[], Counts]) -> None:
        self.name = region.device.name
        self._clock_hz: int = region.device.clock_hz
        self.on_clock_asked: Callable[[], None] | None = None
        self.stride = region.stride
        self.irq = -1 if region.irq is None else region.irq
        self._counts = counts
        self.base = region.base
        self.beside: dict[str, Window] = {}

    @property
    def clock_hz(self) -> int:
        """The input clock of the device in Hz, 0 if it has none."""
        if self.on_clock_asked is not None:
            self.on_clock_asked()
        return self._clock_hz


class Bus:
    """Map devices to addresses.

    Args:
        clock: the clock of the board.
        cpu: the processor whose accesses these are.
        journal: where accesses are noted.
        width_bits: the widest access, 8 to 64.
        big_endian: whether the most significant byte lies at the lowest address.
        access_ps: time of an access without wait states.
        address_bits: how many bits an address has.

    Attributes:
        on_refused: called with region, direction, offset and width before a bus error is raised
            because nothing is there to answer; a fault's bus errors do not count.
        master: the device whose access is under way, "" when it is the processor's.
        masters: whether there is a device on the board that masters the bus.
    """

    def __init__(
        self,
        clock: Clock,
        cpu: Cpu,
        journal: Journal,
        *,
        width_bits: int = 32,
        big_endian: bool = False,
        access_ps: int = 200_000,
        address_bits: int = 32,
    ) -> None:
        if width_bits not in WIDTHS:
            raise DeclarationError(f"width_bits={width_bits}", where="bus", allowed="8, 16, 32, 64")
        self._clock = clock
        self._cpu = cpu
        self._journal = journal
        self._who_failed = journal.source("bus error", "bus")
        self.width_bits = width_bits
        self.big_endian = big_endian
        self.access_ps = access_ps
        self.address_bits = address_bits
        self.regions: list[Region] = []
        self.windows: dict[str, Window] = {}
        self.on_refused: list[Callable[[Region, str, int, int], None]] = []
        self.master = ""
        self.masters = False

    def attach(
        self,
        device: Device,
        base: int,
        *,
        stride: int | None = None,
        widths: Iterable[int] | None = None,
        wait_ps: int = 0,
        irq: int | None = None,
        size: int | None = None,
    ) -> Window:
        """Map `device` at `base` and return the window its driver uses.

        Args:
            device: what answers; its ports are connected.
            base: first address in bytes.
            stride: bytes between registers: 1, 2, 4 or 8; the declared distance when None.
            widths: access widths accepted; when None the width of the narrowest register, or of
                the bus where that is less, and all widths for memory.
            wait_ps: wait states in ps.
            irq: number of the interrupt line.
            size: bytes to take, at least what the registers need.

        Raises:
            DeclarationError: overlap (both ranges are shown), misaligned base, impossible stride
                or width, or a range beyond the address space.
        """
        stride = device.unit_bytes if stride is None else stride
        region = Region(
            device,
            base,
            stride,
            tuple(sorted(set(widths or self._default_widths(device)))),
            wait_ps,
            irq,
            max(size or 0, device.size_bytes(stride)),
        )
        self._check(region)
        window = self._build_window(region)
        self.regions.insert(self._index(base), region)
        self.windows[device.name] = window
        return window

    def find(self, address: int) -> Region | None:
        """Return the region that answers at `address`, None when nothing does."""
        index = self._index(address) - 1
        if index >= 0 and address <= self.regions[index].last:
            return self.regions[index]
        return None

    def accesses(self) -> dict[str, Counts]:
        """Return exact counts for each window: fresh reads, repeated equal reads, writes."""
        return {name: window._counts() for name, window in self.windows.items()}  # noqa: SLF001

    def fail(
        self, region: Region, direction: str, offset: int, width: int, why: str, *, fix: str = ""
    ) -> None:
        """End an access with a bus error, which takes the processor the time of an access.

        Raises:
            BusError: always.
        """
        if not self.master:
            clock = self._clock
            self._journal.append((clock.now_ps, self._who_failed, offset, region.device.name))
            clock.now_ps += self.access_ps + region.wait_ps
            if clock.now_ps >= clock.due_ps:
                self._cpu.attend(clock.now_ps)
        raise BusError(
            why,
            where=f"{region.device.name}: {direction}{width}({offset:#x})",
            allowed=", ".join(f"{direction}{one}" for one in region.widths),
            fix=fix,
            address=region.base + offset,
            direction=direction,
            width_bits=width,
        ) from None

    def _default_widths(self, device: Device) -> tuple[int, ...]:
        if device.memory is not None:
            return tuple(width for width in WIDTHS if width <= self.width_bits)
        return (min(device.unit_bytes * 8, self.width_bits),)

    def _index(self, base: int) -> int:
        return bisect_right(self.regions, base, key=lambda region: region.base)

    def _check(self, region: Region) -> None:
        where = f"device {region.device.name}"
        if region.stride not in (1, 2, 4, 8) or region.stride < region.device.unit_bytes:
            raise DeclarationError(
                f"stride={region.stride}",
                where=where,
                allowed=f"1, 2, 4 or 8, at least {region.device.unit_bytes}",
            )
        for width in region.widths:
            if width not in WIDTHS or width > self.width_bits:
                raise DeclarationError(
                    f"access width {width}", where=where, allowed=f"8 to {self.width_bits} bits"
                )
        alignment = max(region.stride, *(width // 8 for width in region.widths))
        if region.base % alignment:
            raise DeclarationError(
                f"base {region.base:#x} is not aligned", where=where,
                allowed=f"a multiple of {alignment}",
            )  # fmt: skip
        if region.base < 0 or region.last >> self.address_bits:
            raise DeclarationError(
                f"range {region.span} lies outside the address space",
                where=where,
                allowed=f"0x0 to {(1 << self.address_bits) - 1:#x}",
            )
        self._check_overlap(region)

    def _check_overlap(self, region: Region) -> None:
        index = self._index(region.base)
        for other in self.regions[max(0, index - 1) : index + 1]:
            if other.base <= region.last and region.base <= other.last:
                raise DeclarationError(
                    f"{region.span} overlaps {other.device.name} at {other.span}",
                    where=f"device {region.device.name}",
                    fix=f"the next free address is {self._next_free(region):#x}",
                )
        if region.device.name in self.windows:
            raise DeclarationError(
                "this name is on the bus already", where=f"device {region.device.name}"
            )

    def _next_free(self, region: Region) -> int:
        """Return the lowest address from `region`'s own up at which it would fit."""
        step = max(region.stride, *(width // 8 for width in region.widths))
        base = region.base
        for other in self.regions:
            if other.base < base + region.size and base <= other.last:
                base = -(-(other.last + 1) // step) * step
        return base

    def _build_window(self, region: Region) -> Window:
        device = region.device

        def refuse(direction: str, offset: int, width: int, value: int = 0) -> None:
            wrong = wrong_argument(region, direction, offset, width, value)
            if wrong is not None:
                raise wrong from None
            for observer in self.on_refused:
                observer(region, direction, offset, width)
            why, fix = why_refused(region, offset, width)
            self.fail(region, direction, offset, width, why, fix=fix)

        if device.memory is not None:
            readers, writers = memory_tables(device.memory, region.widths, self.big_endian)
            bursts: dict[int, dict[int, BurstPort]] = {}
        else:
            view = View(
                device, stride=region.stride, widths=region.widths, big_endian=self.big_endian
            )
            readers, writers, bursts = view.readers, view.writers, view.bursts
        ports = build_ports(
            name=device.name,
            clock=self._clock,
            attendant=self._cpu,
            journal=self._journal,
            cost_ps=self.access_ps + region.wait_ps,
            readers={width: readers.get(width, {}) for width in WIDTHS},
            writers={width: writers.get(width, {}) for width in WIDTHS},
            bursts={width: bursts.get(width, {}) for width in WIDTHS},
            refuse=refuse,
        )
        return Window.through(ports)(region, ports.counts)
