"""Wrong and right driver code for the rules about what flows: started, stopped, waited for.

The line to change is marked; the good code beside it does the same job without a finding.
"""

from __future__ import annotations

from collections.abc import Callable

from tests.quality.snippets.bench import IER, IIR, LINE, LSR, RBR, THR, Bench


def sender(bench: Bench, queue: bytearray) -> Callable[[], None]:
    """Return a handler that fills an empty transmitter from `queue`."""

    def handler() -> None:
        if bench.io.read8(IIR) & 0x0F == 0x02:
            for byte in queue[:16]:
                bench.io.write8(THR, byte)
            del queue[:16]

    return handler


def hand_over(bench: Bench, data: bytes) -> None:
    """Write a few bytes to an empty transmitter."""
    for byte in data:
        bench.io.write8(THR, byte)


def bad_transmitter_left_idle(bench: Bench) -> None:
    """Enable the THRE interrupt for each message, and never turn it off."""
    queue = bytearray()

    def write() -> int:
        queue.extend(b"neap")
        bench.io.write8(IER, 0x02)  # <- here
        return 4

    bench.open(sender(bench, queue))
    for _ in range(2):
        bench.call("write", write)
        bench.wait(24)
    bench.close()


def good_transmitter_left_idle(bench: Bench) -> None:
    """Turn the THRE interrupt off when the queue is found empty."""
    queue = bytearray()
    feed = sender(bench, queue)

    def handler() -> None:
        if queue:
            feed()
        else:
            bench.io.write8(IER, 0x00)

    def write() -> int:
        queue.extend(b"neap")
        bench.io.write8(IER, 0x02)
        return 4

    bench.open(handler)
    for _ in range(2):
        bench.call("write", write)
        bench.wait(24)
    bench.close()
    assert bench.far.received == b"neapneap"


def bad_verdict_without_look(bench: Bench) -> None:
    """Ask the clock after the nap, and go by the look before it."""

    def drain() -> bool:
        deadline = bench.cpu.time() + 2 * LINE.character_s
        while bench.cpu.time() < deadline:  # <- here
            if bench.io.read8(LSR) & 0x40:
                return True
            bench.cpu.sleep(8 * LINE.character_s)
        return False

    bench.open()
    bench.call("write", lambda: hand_over(bench, b"neap"))
    bench.call("drain", drain)
    bench.close()


def good_verdict_without_look(bench: Bench) -> None:
    """Read the clock first, and look once more when the time is over."""

    def drain() -> bool:
        deadline = bench.cpu.time() + 2 * LINE.character_s
        while True:
            late = bench.cpu.time() >= deadline
            if bench.io.read8(LSR) & 0x40:
                return True
            if late:
                return False
            bench.cpu.sleep(8 * LINE.character_s)

    bench.open()
    bench.call("write", lambda: hand_over(bench, b"neap"))
    assert bench.call("drain", drain) is True
    bench.close()


def both_ways(bench: Bench, handler: Callable[[], None], *, edge: bool = True) -> None:
    """Have two causes come up at once: a character, and a transmitter that has been empty."""
    bench.cpu.interrupts.line(bench.io.irq).edge = edge
    bench.open(handler, fcr=0x07)
    bench.arrive(b"!")

    def write() -> None:
        with bench.cpu.interrupts_masked():
            bench.io.write8(IER, 0x03)

    bench.call("write", write)
    bench.wait(8)


def bad_cause_left_on_edge(bench: Bench) -> None:
    """Serve one cause for each interrupt, on a line that senses edges."""
    queue = bytearray(b"neap")

    def handler() -> None:
        if bench.io.read8(IIR) & 0x0F == 0x04:  # <- here
            bench.received.append(bench.io.read8(RBR))
        elif queue:
            bench.io.write8(THR, queue.pop(0))

    both_ways(bench, handler)


def good_cause_left_on_edge(bench: Bench) -> None:
    """Serve causes until IIR names none."""
    queue = bytearray(b"neap")

    def handler() -> None:
        while not (identity := bench.io.read8(IIR)) & 0x01:
            if identity & 0x0F == 0x04:
                bench.received.append(bench.io.read8(RBR))
            elif queue:
                bench.io.write8(THR, queue.pop(0))
            if not queue:
                bench.io.write8(IER, 0x01)

    both_ways(bench, handler)
    bench.close()
    assert bench.received == b"!"
    assert bench.far.received == b"neap"
