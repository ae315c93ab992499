"""Wrong and right driver code for the rules about RTS, by which a far end is asked to speak.

The line to change is marked; the good code beside it does the same job without a finding.
"""

from __future__ import annotations

from emu.line.plan import FarEndPlan
from tests.quality.snippets.bench import DLL, DLM, FCR, IER, LCR, LINE, LSR, MCR, RBR, Bench

READY, STOP = 0x0B, 0x09  # MCR with RTS up and down
ROOM = 40  # characters that these drivers keep
TIDES = bytes(range(100))


def talker(lag: int = 4) -> FarEndPlan:
    """Return a far end that heeds RTS, and has a FIFO of its own."""
    return FarEndPlan(kind="source", data=TIDES, flow=True, eager=True, lag=lag)


class Keeper:
    """Keep what comes in a buffer, and lower RTS at a mark.

    Args:
        bench: what it runs on.
        mark: how full the buffer is when RTS falls.
    """

    def __init__(self, bench: Bench, mark: int) -> None:
        self.bench, self.mark = bench, mark
        self.kept = bytearray()

    def take(self) -> bool:
        """Take one character, and return whether the mark is reached by it."""
        byte = self.bench.io.read8(RBR)
        if len(self.kept) < ROOM:
            self.kept.append(byte)
            return len(self.kept) == self.mark
        self.bench.errors.overrun += 1
        return False

    def read(self) -> bytes:
        """Return what is there, and raise RTS again."""
        with self.bench.cpu.interrupts_masked():
            found = bytes(self.kept)
            self.kept.clear()
            self.bench.io.write8(MCR, READY)
        return found


def leave_alone_and_read(bench: Bench, keeper: Keeper) -> None:
    """Read nothing until the far end has stopped, then everything."""
    bench.wait(2 * len(TIDES))
    for _ in range(8):
        bench.call("read", keeper.read)
        bench.wait(ROOM)
    bench.close()


def bad_flow_control_late(bench: Bench) -> None:
    """Lower RTS when the buffer is full."""
    bench.heed_rts(talker())
    keeper = Keeper(bench, mark=ROOM)

    def handler() -> None:
        while bench.io.read8(LSR) & 0x01:
            if keeper.take():
                bench.io.write8(MCR, STOP)  # <- here

    bench.open(handler, ier=0x01)
    leave_alone_and_read(bench, keeper)


def good_flow_control_late(bench: Bench) -> None:
    """Lower RTS while there is room for eight more."""
    bench.heed_rts(talker())
    keeper = Keeper(bench, mark=ROOM - 8)

    def handler() -> None:
        while bench.io.read8(LSR) & 0x01:
            if keeper.take():
                bench.io.write8(MCR, STOP)

    bench.open(handler, ier=0x01)
    leave_alone_and_read(bench, keeper)
    assert bench.far.sent == TIDES
    assert not bench.books.unread


def set_line(bench: Bench) -> None:
    """Write divisor and word format, and turn the FIFOs on."""
    for register, value in ((LCR, 0x83), (DLL, 1), (DLM, 0), (LCR, 0x03), (FCR, 0x07)):
        bench.io.write8(register, value)


def bad_invited_before_set(bench: Bench) -> None:
    """Raise RTS, give the modem time, then set the line."""
    bench.heed_rts(talker())

    def code() -> None:
        bench.io.write8(MCR, READY)  # <- here
        bench.cpu.sleep(4 * LINE.character_s)
        set_line(bench)
        bench.io.write8(IER, 0x00)

    bench.open_with(code)
    bench.close()


def good_invited_before_set(bench: Bench) -> None:
    """Set the line, raise RTS last, and wait as long."""
    bench.heed_rts(talker())

    def code() -> None:
        set_line(bench)
        bench.io.write8(MCR, READY)
        bench.cpu.sleep(4 * LINE.character_s)
        bench.io.write8(IER, 0x00)

    bench.open_with(code)
    bench.close()
