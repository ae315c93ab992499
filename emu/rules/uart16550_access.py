"""What the rules do with any access to a 16550, whichever register it is to.

The one idea: whoever accesses a controller may be coping with a fault, may be somebody who should
not touch it now, and may have taken a cause of an interrupt away. What else an access means is said
beside the register: data and status in `emu.rules.uart16550`, the rest in
`emu.rules.uart16550_settings`.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.bus import BusError
from emu.kernel.callers import asking_place
from emu.kernel.device import ReadPort
from emu.rules.context import Context
from emu.rules.uart16550_state import NEVER, TEMT, THRE, Known

__all__ = ["UartAccess"]


class UartAccess:
    """Note accesses to one controller.

    Args:
        uart: the controller.
        board: what it is on.
        context: who is running.

    Attributes:
        known: what the driver knows.
    """

    def __init__(self, uart: Uart16550, board: Board, context: Context) -> None:
        self.uart = uart
        self.board = board
        self.context = context
        self.known = Known()

    def failed(self, register: str) -> None:
        """Note a bus error: whoever runs may be in the middle of coping with it."""
        self.context.here().disturbed = True
        self.touched(register)

    def touched(self, register: str) -> None:
        """Report an access when none may be (``touch-before-open``, ``touch-after-close``).

        No false alarm: the protocol forbids both. Only a call or handler that began after ``close``
        had returned is accused, and neither ``open`` nor a second ``close``.
        """
        known, here = self.known, self.context.here()
        if here.name == "__init__":
            self.report("touch-before-open", f"{register} accessed in __init__", register)
        elif (
            not known.is_open
            and known.closed_serial != NEVER
            and here.serial > known.closed_serial
            and here.name in ("handler", "read", "write", "drain")
            and here.port in ("", self.uart.name)
        ):
            by = "a handler" if here.name == "handler" else here.name
            self.report("touch-after-close", f"{register} accessed by {by} after close", register)

    def report(self, rule: str, message: str, register: str) -> None:
        """Report the access that is being made."""
        path = f"{self.uart.name}.{register}"
        self.context.findings.report(rule, message, register=path, place=asking_place())

    def cold_read(self, name: str, read: ReadPort, note: Callable[[int], None]) -> ReadPort:
        """Return a read that notes what it brought; it need not be fast."""

        def read_cold() -> int:
            try:
                value = read()
            except BusError:
                self.failed(name)
                raise
            if self.known.odd:
                self.touched(name)
            note(value)
            return value

        return read_cold

    def act(self, _value: int) -> None:
        """Note that a cause of an interrupt may have gone."""
        self.context.here().acted = True

    def refill(self) -> None:
        """Take THRE as word that the whole FIFO may be filled."""
        known = self.known
        known.room = known.depth(self.uart)
        known.filled = 0
        known.room_taken = None
        known.fed_by_handler |= self.board.cpu.depth > 0
        known.seen &= ~(THRE | TEMT)

    @property
    def still_sending(self) -> bool:
        """Whether own characters are leaving and the driver had no reason to think they left."""
        known, uart = self.known, self.uart
        if not known.own or known.seen & TEMT or not uart.busy or uart.looped:
            return False
        character_ps = uart.transmitter.frame_ps
        if known.line is not None:
            character_ps = min(character_ps, known.line.character_ps)
        return uart.clock.now_ps - known.written_ps < known.filled * character_ps
