"""Wrong and right driver code for the rules about interrupts and calls.

The line to change is marked; the good code beside it does the same job without a finding.
"""

from __future__ import annotations

from tests.quality.snippets.bench import IER, IIR, LSR, MSR, RBR, THR, Bench


def bad_handler_left_line_asserted(bench: Bench) -> None:
    """Serve received data only, with the modem interrupt enabled as well."""

    def handler() -> None:  # <- here
        if bench.io.read8(IIR) & 0x0F == 0x04:
            bench.receive()

    bench.open(handler, ier=0x09)
    bench.uart.signals["cts"].set(0)
    bench.wait(4)


def good_handler_left_line_asserted(bench: Bench) -> None:
    """Serve what is enabled."""

    def handler() -> None:
        while not (cause := bench.io.read8(IIR)) & 0x01:
            if cause & 0x0F == 0x00:
                bench.io.read8(MSR)
            else:
                bench.receive()

    bench.open(handler, ier=0x0D)
    bench.uart.signals["cts"].set(0)
    bench.arrive(b"spring tide " * 3)
    bench.close()


def bad_masked_too_long(bench: Bench) -> None:
    """Compute with interrupts masked."""
    bench.open(bench.receive, ier=1)
    bench.far.say(b"x" * 24)

    def read() -> None:
        with bench.cpu.interrupts_masked():  # <- here
            bench.cpu.work(150_000)

    bench.call("read", read)
    bench.close()


def good_masked_too_long(bench: Bench) -> None:
    """Compute outside, mask for the exchange alone; wait masked, since an interrupt ends that."""
    bench.open(bench.receive, ier=1)
    bench.far.say(b"x" * 24)

    def read() -> None:
        bench.cpu.work(150_000)
        for _ in range(3):
            with bench.cpu.interrupts_masked():
                bench.received.clear()
                bench.cpu.wait_for_interrupt(0.003)

    bench.call("read", read)
    bench.close()


def bad_slow_handler(bench: Bench) -> None:
    """Compute in the handler before data is fetched."""

    def handler() -> None:  # <- here
        bench.io.read8(IIR)
        bench.cpu.work(150_000)
        bench.io.write8(IER, 0)

    bench.open(handler, ier=1)
    bench.far.say(b"x" * 40)
    bench.wait(45)
    bench.call("read", bench.receive)
    bench.close()


def good_slow_handler(bench: Bench) -> None:
    """Fetch the data and return; compute in the main code."""
    bench.open(bench.receive, ier=1)
    bench.far.say(b"x" * 40)
    bench.call("read", lambda: bench.cpu.work(150_000))
    bench.wait(20)
    bench.close()
    assert len(bench.received) == 40


def bad_blocking_call_in_handler(bench: Bench) -> None:
    """Wait in the handler for the rest of the message."""

    def handler() -> None:
        bench.receive()
        bench.cpu.sleep(100e-6)  # <- here
        bench.receive()

    bench.open(handler, ier=1)
    bench.arrive(b"ebbtides")
    bench.close()


def good_blocking_call_in_handler(bench: Bench) -> None:
    """Wait in the main code."""
    bench.open(bench.receive, ier=1)
    bench.arrive(b"ebbtides", and_wait=False)
    bench.call("read", lambda: bench.cpu.sleep(1e-3))
    bench.close()


def bad_busy_wait_in_handler(bench: Bench) -> None:
    """Send from the handler, and wait there until each character has left."""

    def handler() -> None:  # <- here
        bench.receive()
        for byte in b"ack":
            bench.io.write8(THR, byte)
            while not bench.io.read8(LSR) & 0x40:
                pass

    bench.open(handler, ier=1)
    bench.arrive(b"ebbtides")
    bench.wait(4)
    bench.close()


def good_busy_wait_in_handler(bench: Bench) -> None:
    """Send what there is room for and return; a few looks to and fro are no waiting."""

    def handler() -> None:
        bench.receive()
        for _ in range(6):
            bench.io.read8(LSR)
        if bench.io.read8(LSR) & 0x20:
            for byte in b"ack":
                bench.io.write8(THR, byte)

    bench.open(handler, ier=1)
    bench.arrive(b"ebbtides")
    bench.wait(4)
    bench.close()


def bad_left_masked(bench: Bench) -> None:
    """Take the masked block apart, and leave between its halves."""
    masked = bench.cpu.interrupts_masked()

    def write(data: bytes) -> None:
        masked.__enter__()  # <- here
        if not data:
            return
        bench.io.write8(THR, data[0])
        masked.__exit__(None, None, None)

    bench.open()
    bench.call("write", lambda: write(b"t"))
    bench.call("write", lambda: write(b""))


def good_left_masked(bench: Bench) -> None:
    """Leave by whatever way: the block ends."""

    def write(data: bytes) -> None:
        with bench.cpu.interrupts_masked():
            if not data:
                return
            bench.io.write8(THR, data[0])

    def handler() -> None:
        with bench.cpu.interrupts_masked():
            bench.receive()

    bench.open(handler, ier=1)
    bench.arrive(b"ebb")
    bench.call("write", lambda: write(b"t"))
    bench.call("write", lambda: write(b""))
    bench.close()


def bad_asleep_while_masked(bench: Bench) -> None:
    """Wait for data inside the masked block, by a sleep that nothing ends."""
    bench.open(bench.receive, ier=1)
    bench.far.say(b"ebbtides")

    def read() -> None:
        with bench.cpu.interrupts_masked():
            if not bench.received:
                bench.cpu.sleep(1.3e-3)  # <- here

    bench.call("read", read)
    bench.close()


def good_asleep_while_masked(bench: Bench) -> None:
    """Wait for the interrupt instead; a delay of a few characters may be slept through."""
    bench.open(bench.receive, ier=1)
    bench.far.say(b"ebbtides")

    def read() -> None:
        with bench.cpu.interrupts_masked():
            if not bench.received:
                bench.cpu.wait_for_interrupt(2e-3)
        with bench.cpu.interrupts_masked():
            bench.cpu.sleep(300e-6)

    bench.call("read", read)
    bench.close()


def bad_touch_before_open(bench: Bench) -> None:
    """Reset the device while the driver is constructed."""
    bench.call("__init__", lambda: bench.io.write8(IER, 0))  # <- here


def good_touch_before_open(bench: Bench) -> None:
    """Remember what was given, touch the device in ``open``."""
    bench.call("__init__", lambda: bench.io.stride)
    bench.open()
    bench.close()


def bad_touch_after_close(bench: Bench) -> None:
    """Read from a port that is closed."""
    bench.open()
    bench.close()

    def read() -> None:
        if bench.io.read8(LSR) & 0x01:  # <- here
            bench.received.append(bench.io.read8(RBR))

    bench.call("read", read)


def good_touch_after_close(bench: Bench) -> None:
    """Ask a flag of the driver's own first; reopening and closing again are fine."""
    bench.open()
    bench.close()
    bench.call("read", lambda: b"")
    bench.close()
    bench.open()
    bench.call("read", bench.receive)
    bench.close()


def bad_handler_connected_after_close(bench: Bench) -> None:
    """Silence the device and forget the handler."""

    def open_port() -> None:
        bench.cpu.connect(bench.io.irq, bench.receive)

    bench.call("open", open_port)
    bench.call("close", lambda: bench.io.write8(IER, 0))  # <- here


def good_handler_connected_after_close(bench: Bench) -> None:
    """Silence the device, then take the handler away."""
    bench.open(bench.receive, ier=1)

    def close() -> None:
        bench.io.write8(IER, 0)
        bench.cpu.disconnect(bench.io.irq)

    bench.call("close", close)
