"""An edge-sensed interrupt line: a cause that is left keeps the line up, and no edge comes again.

The one idea: on a level line a handler may serve one cause and be called again for the next. On an
edge-sensed line nobody calls again while the line stays up, so every cause that was there when the
handler began has to be seen to before it returns.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.callers import asking_place
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place
from emu.rules.context import Activation, Context

__all__ = ["EdgeWatch"]

_RECEIVED, _EMPTY = 0x01, 0x02
_NAMES = (
    (0x04, "a line error"), (_RECEIVED, "received data"), (_EMPTY, "the empty transmitter"),
    (0x08, "a change of the modem lines"),
)  # fmt: skip


class EdgeWatch:
    """Watch the handler of an edge-sensed line (``cause-left-on-edge``).

    No false alarm: the handler asked IIR for a cause, and another was pending when it began, is
    pending still, and had nothing done about it: data of which no character was read, a transmitter
    to which none was written. The line has not fallen since the handler was entered, so no edge is
    remembered; whoever turns IER off and on makes one. What came up while the handler ran is not
    held against it, and nothing is after a fault.

    Args:
        uart: the controller.
        context: who is running.

    Attributes:
        calm: tells whether no fault has acted yet.
    """

    def __init__(self, uart: Uart16550, context: Context) -> None:
        self.calm: Callable[[], bool] = lambda: True
        self._uart = uart
        self._context = context
        self._line: InterruptLine | None = None
        self._pending = 0
        self._asked: Place | None = None

    def attach(self, board: Board, line: InterruptLine) -> None:
        """Begin to watch, if the line is edge-sensed; a level line costs nothing."""
        if not line.edge:
            return
        self._line = line
        with board.rewiring():
            ports = self._uart.ports
            ports["IIR"].wrap_read(self._noting(self._ask))
            ports["RBR"].wrap_read(self._noting(lambda: self._done(_RECEIVED)))
            ports["THR"].wrap_write(self._wrap_thr)
        board.cpu.on_enter.append(self._entered)
        self._context.on_exit.append(self._left)

    def _noting(self, note: Callable[[], None]) -> Callable[[ReadPort], ReadPort]:
        def wrap(read: ReadPort) -> ReadPort:
            def noted() -> int:
                note()
                return read()

            return noted

        return wrap

    def _wrap_thr(self, write: WritePort) -> WritePort:
        def noted(value: int) -> None:
            self._done(_EMPTY)
            write(value)

        return noted

    def _ask(self) -> None:
        self._asked = asking_place()

    def _done(self, cause: int) -> None:
        self._pending &= ~cause

    def _entered(self, line: InterruptLine) -> None:
        if line is self._line:
            self._pending, self._asked = self._uart.pending_causes(), None

    def _left(self, ended: Activation, line: InterruptLine) -> None:
        if line is not self._line or self._asked is None or not self._pending:
            return
        held = bool(line.asserted and self._uart.irq.level) and not line.latched
        left = self._pending & self._uart.pending_causes()
        if held and left and not ended.disturbed and self.calm():
            names = " and ".join(name for bit, name in _NAMES if left & bit)
            text = "the handler looked for a cause here for the last time and returned with "
            text += f"{names} pending since before: the line is edge-sensed and still asserted, "
            path = f"{self._uart.name}.IIR"
            self._context.findings.report(
                "cause-left-on-edge", text + "so no edge will come", register=path,
                place=self._asked,
            )  # fmt: skip
