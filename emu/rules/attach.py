"""Put all rules in place on a board, and follow what the runner does with each driver.

The one idea: attach once, after faults are in place and before a driver is constructed, so that the
rules see what the driver sees. A board without rules pays nothing for them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError, nearest
from emu.kernel.board import Board
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place
from emu.line.far_end import FarEnd
from emu.rules.call_watch import CallWatch
from emu.rules.context import Context
from emu.rules.finding import Findings
from emu.rules.gates import watch_gates
from emu.rules.generic import FreeHand, Leeway, watch_bus, watch_registers
from emu.rules.lost_errors import LostErrors
from emu.rules.masking import MaskWatch, watch_masking
from emu.rules.processor import watch_handler, watch_sleep
from emu.rules.serial_rules import PlainSerialRules, SerialRules
from emu.rules.uart16550 import UartWatch
from emu.rules.uart16550_access import UartAccess
from emu.rules.uart16550_calls import UartCalls
from emu.rules.uart16550_edge import EdgeWatch
from emu.rules.uart16550_flow import Arrivals, FlowWatch
from emu.rules.uart16550_invite import InviteWatch
from emu.rules.uart16550_rest import TransmitterRest
from emu.rules.uart16550_served import ServedUart
from emu.rules.uart16550_settings import SettingsWatch
from emu.rules.uart16550_verdict import Verdict
from emu.rules.uart16550_waits import UartWaits
from emu.units import LineSettings

__all__ = ["PortRules", "Rules", "attach_rules", "crowded"]


class PortRules:
    """Follow the driver of one serial port.

    Args:
        uart: its controller.
        board: what it is on.
        context: who is running.
        masks: follows whether interrupts are masked.
        line: the interrupt line on which nothing but its driver's handler runs, None for none.

    Attributes:
        method: returns where the driver defines a call.
    """

    def __init__(
        self,
        uart: Uart16550,
        board: Board,
        context: Context,
        masks: MaskWatch,
        line: InterruptLine | None,
    ) -> None:
        self.name = uart.name
        self._context = context
        self._masks = masks
        self._cpu = board.cpu
        self._lost = LostErrors(context.findings, f"{uart.name}.LSR")
        access = UartAccess(uart, board, context)
        self.watch = UartWatch(access, self._lost)
        settings = SettingsWatch(access, self._lost, line)
        self._calls = UartCalls(access, settings, self._lost, line)
        self._waits = UartWaits(self.watch, context, lambda: sum(board.bus.accesses()[uart.name]))
        self._rest = TransmitterRest(self.watch, context, masks)
        self._edge = EdgeWatch(uart, context)
        self._verdict = Verdict(self.watch, context, board)
        self._line = line
        self._board = board
        self._flow: FlowWatch | None = None
        self._invite: InviteWatch | None = None
        self._in_use = False
        self.method: Callable[[str], Place] = lambda _name: ("", 0)

    def _watch_interrupts(self) -> None:
        """Watch handler and masking; a port without a driver pays nothing for it."""
        board, line, name = self._board, self._line, self.name
        self._context.on_flagged.append(self._lost.settle)
        if line is not None:
            served = ServedUart(self.watch, lambda: board.bus.accesses()[name])
            watch_handler(board, served, line, self._context)
            watch_masking(board, served, line, self._context)
            self._waits.attach(board, line)
            self._rest.attach(board, line)
            self._edge.attach(board, line)

    def books(
        self, *, owed: Callable[[], int], calm: Callable[[], bool], idle_ps: Callable[[], int]
    ) -> None:
        """Ask the books of the port.

        Args:
            owed: tells how many bytes were accepted and have not begun to leave.
            calm: tells whether no fault has acted yet.
            idle_ps: tells when the last stop bit left.
        """
        self._rest.owed = self._verdict.owed = owed
        self._rest.calm = self._verdict.calm = self._edge.calm = calm
        self._verdict.idle_ps = idle_ps

    def far_end(self, far_end: FarEnd, arrivals: Arrivals, *, calm: Callable[[], bool]) -> None:
        """Watch what the driver does with RTS, if the far end heeds it.

        Args:
            far_end: what hangs on the line.
            arrivals: what is known of characters that came.
            calm: tells whether no fault has acted yet.
        """
        uart, context = self.watch.uart, self._context
        if far_end.plan.flow:
            self._invite = InviteWatch(uart, context, far_end, calm)
        if far_end.plan.flow and far_end.plan.lag:
            self._flow = FlowWatch(uart, context, far_end, arrivals, calm)

    def counters(self, errors: object) -> None:
        """Compare line errors with the driver's counters.

        Args:
            errors: the driver's ``errors``, or better a function that returns them, since a driver
                may put another object in their place.
        """
        find: Callable[[], object] = errors if callable(errors) else lambda: errors
        self._lost.counters(find)

    def call_begins(self, name: str, size: int = 0) -> None:
        """Note that the driver is constructed (``"__init__"``) or called to move `size` bytes."""
        if not self._in_use:
            self._in_use = True
            self._watch_interrupts()
        self._rest.begins(name)
        self._verdict.begins(name)
        self._context.call_begins(name, self.name)
        self._masks.begins()
        self._calls.begins(name)
        self._waits.begins(name, size)
        if self._invite is not None:
            self._invite.begins(name)
        if self._flow is not None:
            self._flow.begins(name)

    def call_ends(self, name: str, result: object = None, *, judged: bool = True) -> None:
        """Note that a call has returned `result`, or raised, and judge what it leaves behind.

        Unless `judged` it is only noted: another task called in the middle of it. Once the run has
        ended nothing is judged: a call that was cut off proves nothing.
        """
        if self._cpu.ended is not None:
            return
        ended = self._context.call_ends(name, self.name)
        if ended is not None and judged:
            self._rest.ends(name, self.method(name))
            self._masks.ends(name)
            self._lost.settle(ended)
            self._calls.ends(name, ended, result)
            self._waits.ends(ended, result)
            self._verdict.ends(name, ended, result)
            if self._invite is not None:
                self._invite.ends(name, ended)

    def line_opened(self, line: LineSettings) -> None:
        """Compare what ``open`` set with what it was asked for, after it has returned normally."""
        self._calls.asked(line)


class Rules:
    """Hold the rules of one board.

    Args:
        board: powered on, faults in place.
        findings: where findings go.
        driven: the devices that a driver is given, all of them when None.
        crowded: those whose handler does not run alone when their interrupt is served.
        meddled: tells whether a fault has done anything to a device.
    """

    def __init__(
        self,
        board: Board,
        findings: Findings,
        driven: Collection[str] | None,
        crowded: Collection[str],
        meddled: Callable[[str], bool],
    ) -> None:
        self._context = Context(board.cpu, findings)
        self._ports: dict[str, PortRules] = {}
        masks = self._masks = MaskWatch(board, self._context)
        watch_bus(board.bus, self._context)
        watch_sleep(board, self._context)
        watch_gates(board, self._context, meddled)
        for device in board.devices.values():
            if driven is not None and device.name not in driven:
                continue
            leeway: Leeway = FreeHand()
            if isinstance(device, Uart16550):
                line = board.cpu.interrupts.lines.get(board.window(device.name).irq)
                own = None if device.name in crowded else line
                self._ports[device.name] = PortRules(device, board, self._context, masks, own)
                leeway = self._ports[device.name].watch
            watch_registers(device, board.bus, self._context, leeway)

    def serial(self, name: str) -> SerialRules:
        """Return the rules of a serial port, those that know its controller if there are any."""
        return self._ports.get(name) or PlainSerialRules(name, self._context, self._masks)

    def port(self, name: str) -> PortRules:
        """Return the rules of the 16550 `name`.

        Raises:
            AccessError: no serial controller of that name is on the board.
        """
        if name not in self._ports:
            raise AccessError(
                f"no serial port {name!r}", where="rules", fix=nearest(name, self._ports)
            )
        return self._ports[name]

    def device(self, name: str) -> CallWatch:
        """Return what follows the driver of a device that has no rules of its own."""
        return CallWatch(name, self._context, self._masks)

    def finish(self) -> None:
        """Judge what can be judged at the end of the run.

        A call or handler that never came back is not judged: a run that was cut off proves nothing
        about what it would have done.
        """
        self._context.finish()


def attach_rules(
    board: Board,
    findings: Findings,
    *,
    driven: Collection[str] | None = None,
    crowded: Collection[str] = (),
    meddled: Callable[[str], bool] = lambda _device: False,
) -> Rules:
    """Attach every rule to `board` and return what the runner keeps informed.

    Args:
        board: powered on, with all faults in place, so that the rules see what the driver sees.
        findings: where findings go.
        driven: the devices that a driver is given, all of them when None; rules watch only those.
        crowded: those of them whose handler does not run alone when their interrupt is served, so
            that nothing is said of how long that takes and what it leaves.
        meddled: tells whether a fault has done anything to a device.

    Side effects: wraps ports of the devices concerned and adds observers to processor and bus.
    """
    board.set_masters_apart()
    with board.rewiring():
        return Rules(board, findings, driven, crowded, meddled)


def crowded(board: Board, driven: Collection[str]) -> tuple[str, ...]:
    """Return those of the driven devices whose handler does not run alone.

    Others share their interrupt line, or they come by way of a controller.
    """
    numbers = [board.window(name).irq for name in driven]
    led = {one.number for one in board.cpu.interrupts.lines.values() if one.through}
    return tuple(
        name
        for name, number in zip(driven, numbers, strict=True)
        if number in led or numbers.count(number) > 1
    )
