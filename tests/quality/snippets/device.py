"""Wrong and right driver code for the rules about the serial controller.

The line to change is marked; the good code beside it does the same job without a finding.
"""

from __future__ import annotations

from emu.units import LineSettings
from tests.quality.snippets.bench import DLL, DLM, FCR, IER, IIR, LCR, LSR, MCR, RBR, THR, Bench

TRIGGER = 8


def set_line(bench: Bench, lcr: int = 0x03, divisor: int = 1) -> None:
    """Set divisor and word format as a correct ``open`` does."""
    bench.io.write8(LCR, lcr | 0x80)
    bench.io.write8(DLL, divisor & 0xFF)
    bench.io.write8(DLM, divisor >> 8)
    bench.io.write8(LCR, lcr)
    bench.io.write8(FCR, 0x87)


def bad_read_when_empty(bench: Bench) -> None:
    """Take the time-out interrupt for a full trigger level."""

    def handler() -> None:
        if bench.io.read8(IIR) & 0x06 == 0x04:
            for _ in range(TRIGGER):
                bench.received.append(bench.io.read8(RBR))  # <- here

    bench.open(handler, ier=1)
    bench.arrive(b"3.2 m")
    bench.wait(6)
    bench.close()


def good_read_when_empty(bench: Bench) -> None:
    """Read the trigger level on received data, one by one on a time-out."""

    def handler() -> None:
        cause = bench.io.read8(IIR) & 0x0F
        if cause == 0x04:
            for _ in range(TRIGGER):
                bench.received.append(bench.io.read8(RBR))
        elif cause == 0x0C:
            bench.receive()

    bench.open(handler, ier=1)
    bench.arrive(b"high water 3.2 m at 14:07")
    bench.wait(6)
    bench.close()
    assert bench.received == b"high water 3.2 m at 14:07"


def bad_write_when_full(bench: Bench) -> None:
    """Send a whole report in one go."""
    bench.open()

    def write() -> None:
        for byte in b"high water 3.2 m at 14:07":
            bench.io.write8(THR, byte)  # <- here

    bench.call("write", write)


def good_write_when_full(bench: Bench) -> None:
    """Fill the FIFO once for each time that THRE shows."""
    bench.open()

    def write() -> None:
        data = b"high water 3.2 m at 14:07"
        for start in range(0, len(data), 16):
            while not bench.io.read8(LSR) & 0x20:
                bench.cpu.sleep(20e-6)
            for byte in data[start : start + 16]:
                bench.io.write8(THR, byte)

    bench.call("write", write)
    bench.close()
    bench.wait(4)
    assert bench.far.received == b"high water 3.2 m at 14:07"


def bad_config_while_shifting(bench: Bench) -> None:
    """Change the line at once after writing."""
    bench.open()

    def write() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)

    bench.call("write", write)
    bench.call("open", lambda: bench.io.write8(LCR, 0x1A))  # <- here


def good_config_while_shifting(bench: Bench) -> None:
    """Wait for TEMT before changing the line, or for the time that the FIFO takes."""
    bench.open()

    def write() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)

    def change(lcr: int) -> None:
        while not bench.io.read8(LSR) & 0x40:
            bench.cpu.sleep(20e-6)
        bench.io.write8(LCR, lcr)

    bench.call("write", write)
    bench.call("open", lambda: change(0x1A))
    bench.call("write", write)
    bench.wait(14)
    bench.call("open", lambda: bench.io.write8(LCR, 0x03))


def bad_thre_taken_for_idle(bench: Bench) -> None:
    """Say that the line is idle when the FIFO is."""
    bench.open()

    def write() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)

    def drain() -> bool:
        while not bench.io.read8(LSR) & 0x20:  # <- here
            bench.cpu.sleep(20e-6)
        return True

    bench.call("write", write)
    bench.call("drain", drain)


def good_thre_taken_for_idle(bench: Bench) -> None:
    """Wait for TEMT."""
    bench.open()

    def write() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)

    def drain() -> bool:
        while not bench.io.read8(LSR) & 0x40:
            bench.cpu.sleep(20e-6)
        return True

    bench.call("write", write)
    bench.call("drain", drain)
    bench.close()


def bad_bank_left_selected(bench: Bench) -> None:
    """Return early, with the divisor latch still selected."""

    def open_port(divisor: int) -> None:
        bench.io.write8(LCR, 0x83)  # <- here
        if divisor > 0xFF:
            return
        bench.io.write8(DLL, divisor)
        bench.io.write8(DLM, 0)
        bench.io.write8(LCR, 0x03)

    bench.call("open", lambda: open_port(384))


def good_bank_left_selected(bench: Bench) -> None:
    """Judge the divisor before the latch is selected."""

    def open_port(divisor: int) -> None:
        if divisor <= 0xFF:
            set_line(bench, divisor=divisor)

    bench.call("open", lambda: open_port(384))
    bench.call("open", lambda: open_port(12))


def bad_bank_clobbered(bench: Bench) -> None:
    """Change the divisor with interrupts on; the handler reads it for a character."""

    def handler() -> None:
        bench.io.read8(IIR)
        bench.received.append(bench.io.read8(RBR))

    bench.open(handler, ier=1, fcr=0x00)
    bench.far.say(b"A")

    def change() -> None:
        bench.io.write8(LCR, 0x83)  # <- here
        bench.cpu.work(10_000)
        bench.io.write8(LCR, 0x03)

    bench.call("write", change)


def good_bank_clobbered(bench: Bench) -> None:
    """Change the divisor with interrupts masked."""

    def handler() -> None:
        bench.receive()

    bench.open(handler, ier=1)
    bench.far.say(b"A")

    def change() -> None:
        with bench.cpu.interrupts_masked():
            bench.io.write8(LCR, 0x83)
            bench.io.write8(DLL, 1)
            bench.io.write8(LCR, 0x03)

    bench.call("write", change)
    bench.wait(10)
    assert bench.received == b"A"


def bad_fifo_cleared_with_data(bench: Bench) -> None:
    """Clear both FIFOs before sending, to begin afresh."""
    bench.open()
    bench.arrive(b"ebb")

    def write() -> None:
        bench.io.write8(FCR, 0x87)  # <- here
        bench.io.write8(THR, 0x3F)

    bench.call("write", write)


def good_fifo_cleared_with_data(bench: Bench) -> None:
    """Clear the transmitter alone; what is waiting stays."""
    bench.open()
    bench.arrive(b"ebb")

    def write() -> None:
        bench.io.write8(FCR, 0x85)
        bench.io.write8(THR, 0x3F)

    bench.call("write", write)
    bench.call("read", bench.receive)
    assert bench.received == b"ebb"


def bad_transmit_fifo_cleared(bench: Bench) -> None:
    """Clear the transmitter before each message, with the one before it still inside."""
    bench.open()

    def write() -> None:
        bench.io.write8(FCR, 0x85)  # <- here
        for byte in b"slack water":
            bench.io.write8(THR, byte)

    bench.call("write", write)
    bench.call("write", write)
    bench.wait(12)


def good_transmit_fifo_cleared(bench: Bench) -> None:
    """Let the transmitter be; clear it in ``close`` once its bound is over."""
    bench.open()

    def write() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)

    def close() -> None:
        bench.cpu.sleep(1e-3)
        bench.io.write8(FCR, 0x85)
        bench.io.write8(IER, 0)

    bench.call("write", write)
    bench.wait(2)
    bench.call("close", close)


def bad_stale_data_kept(bench: Bench) -> None:
    """Turn the FIFO on without clearing it, over what a bootloader left there."""
    bench.uart.ports["FCR"].write(0x01)
    for byte in b"boot> ":
        bench.uart.receive(byte, 0)

    def open_port() -> None:
        bench.io.write8(LCR, 0x83)
        bench.io.write8(DLL, 1)
        bench.io.write8(DLM, 0)
        bench.io.write8(LCR, 0x03)
        bench.io.write8(FCR, 0x81)  # <- here

    bench.open_with(open_port)


def good_stale_data_kept(bench: Bench) -> None:
    """Clear the receive FIFO, or read it empty."""
    for clear in (True, False):
        bench.uart.ports["FCR"].write(0x01)
        for byte in b"boot> ":
            bench.uart.receive(byte, 0)

        def open_port(clear: bool = clear) -> None:
            set_line(bench)
            if not clear:
                bench.receive()

        bench.open_with(open_port)
        bench.close()


def bad_waits_for_disabled_interrupt(bench: Bench) -> None:
    """Queue bytes and wait for an interrupt that nobody has asked for."""
    queue = bytearray(b"neap")

    def handler() -> None:
        bench.receive()
        while queue and bench.io.read8(LSR) & 0x20:
            bench.io.write8(THR, queue.pop(0))

    def drain() -> bool:
        with bench.cpu.interrupts_masked():
            if queue:
                bench.cpu.wait_for_interrupt(5e-3)  # <- here
        return not queue

    bench.open(handler, ier=0x01)
    bench.call("drain", drain)
    bench.close()


def good_waits_for_disabled_interrupt(bench: Bench) -> None:
    """Ask for the transmit interrupt first; or nap and look again, which asks for none."""
    queue = bytearray(b"neap")

    def handler() -> None:
        bench.receive()
        if queue and bench.io.read8(LSR) & 0x20:
            bench.io.write8(THR, queue.pop(0))
        bench.io.write8(IER, 0x03 if queue else 0x01)

    def drain() -> bool:
        bench.io.write8(IER, 0x03)
        while queue:
            bench.cpu.wait_for_interrupt(5e-3)
        return True

    def look() -> bool:
        bench.cpu.wait_for_interrupt(5e-3)
        return bench.io.read8(LSR) & 0x01 != 0

    bench.open(handler, ier=0x01)
    bench.call("drain", drain)
    bench.call("drain", look)
    bench.close()
    bench.wait(4)
    assert bench.far.received == b"neap"


def bad_error_bits_lost(bench: Bench) -> None:
    """Look for room to send, and take an overrun away unseen."""
    bench.open()
    bench.arrive(b"x" * 18)

    def write() -> None:
        while not bench.io.read8(LSR) & 0x20:  # <- here
            bench.cpu.sleep(20e-6)
        bench.io.write8(THR, 0x3F)

    bench.call("write", write)
    bench.call("read", bench.receive)
    bench.close()


def good_error_bits_lost(bench: Bench) -> None:
    """Count what every look at LSR shows; a flag kept for later counts as well."""
    bench.open()
    saved = 0

    def write() -> None:
        nonlocal saved
        while not (status := bench.io.read8(LSR)) & 0x20:
            saved |= status
            bench.cpu.sleep(20e-6)
        saved |= status
        bench.io.write8(THR, 0x3F)

    def read() -> None:
        nonlocal saved
        bench.errors.overrun += bool(saved & 0x02)
        saved = 0
        bench.receive()

    bench.arrive(b"x" * 18)
    bench.call("write", write)
    bench.call("read", read)
    bench.close()
    assert bench.errors.overrun == 1


def bad_interrupts_on_after_close(bench: Bench) -> None:
    """Take the handler away and leave the interrupts on."""
    bench.open(bench.receive)
    bench.call("write", lambda: bench.io.write8(IER, 0x01))  # <- here
    bench.call("close", lambda: bench.cpu.disconnect(bench.io.irq))


def good_interrupts_on_after_close(bench: Bench) -> None:
    """Silence the controller, then take the handler away."""
    bench.open(bench.receive, ier=1)

    def close() -> None:
        bench.io.write8(IER, 0)
        bench.cpu.disconnect(bench.io.irq)

    bench.call("close", close)


def bad_break_left_on(bench: Bench) -> None:
    """Carry over from LCR what a predecessor left there."""
    bench.uart.ports["LCR"].write(0x43)

    def open_port() -> None:
        before = bench.io.read8(LCR)
        set_line(bench)
        bench.io.write8(LCR, before)  # <- here

    bench.open_with(open_port)


def good_break_left_on(bench: Bench) -> None:
    """Write the whole of LCR."""
    bench.uart.ports["LCR"].write(0x43)
    bench.open_with(lambda: set_line(bench))


def bad_loopback_left_on(bench: Bench) -> None:
    """Forget to end the self-test."""

    def open_port() -> None:
        set_line(bench)
        bench.io.write8(MCR, 0x10)  # <- here
        bench.io.write8(THR, 0x96)
        bench.cpu.sleep(200e-6)
        bench.io.read8(RBR)

    bench.open_with(open_port)


def good_loopback_left_on(bench: Bench) -> None:
    """Measure the FIFO in loopback by overfilling it, clear up, and end loopback."""

    def open_port() -> None:
        set_line(bench)
        bench.io.write8(MCR, 0x10)
        for count in range(40):
            bench.io.write8(THR, count)
        bench.cpu.sleep(40 * 90e-6)
        for _ in range(40):
            bench.io.read8(RBR)
        bench.io.write8(FCR, 0x87)
        bench.io.write8(MCR, 0x0B)

    bench.open_with(open_port)
    bench.close()


def bad_divisor_zero(bench: Bench) -> None:
    """Divide without rounding at a rate above what the clock can make."""
    clock_hz = bench.io.clock_hz

    def open_port() -> None:
        bench.io.write8(LCR, 0x83)
        bench.io.write8(DLL, clock_hz // (16 * 120_000))
        bench.io.write8(DLM, 0)  # <- here
        bench.io.write8(LCR, 0x03)

    bench.open_with(open_port, LineSettings(120_000))


def good_divisor_zero(bench: Bench) -> None:
    """Round to the nearest divisor, 1 at least."""
    divisor = max(1, round(bench.io.clock_hz / (16 * 115_200)))
    bench.open_with(lambda: set_line(bench, divisor=divisor))


def bad_divisor_off(bench: Bench) -> None:
    """Write the low half only, over what a predecessor left in the high half."""
    for register, value in (("DLL", 0x80), ("DLM", 0x01)):
        bench.uart.ports[register].write(value)

    def open_port() -> None:
        bench.io.write8(LCR, 0x83)
        bench.io.write8(DLL, 12)  # <- here
        bench.io.write8(LCR, 0x03)

    bench.open_with(open_port, LineSettings(9600))


def good_divisor_off(bench: Bench) -> None:
    """Write both halves."""
    bench.open_with(lambda: set_line(bench, divisor=12), LineSettings(9600))


def bad_line_format_wrong(bench: Bench) -> None:
    """Take EPS alone for even parity; without PEN there is none."""

    def open_port() -> None:
        set_line(bench)
        bench.io.write8(LCR, 0x13)  # <- here

    bench.open_with(open_port, LineSettings(115_200, parity="even"))


def good_line_format_wrong(bench: Bench) -> None:
    """Turn parity on, and make it even."""
    line = LineSettings(115_200, parity="even")
    bench.open_with(lambda: set_line(bench, lcr=0x1B), line)


def bad_thr_interrupt_left_enabled(bench: Bench) -> None:
    """Leave the THRE interrupt on with an empty queue."""

    def handler() -> None:  # <- here
        bench.receive()

    bench.open(handler, ier=0x03)
    bench.wait(4)


def good_thr_interrupt_left_enabled(bench: Bench) -> None:
    """Turn the THRE interrupt off where the queue is found empty."""
    queue = bytearray(b"neap")

    def handler() -> None:
        bench.receive()
        if not queue:
            bench.io.write8(IER, 0x01)
        elif bench.io.read8(LSR) & 0x20:
            bench.io.write8(THR, queue.pop(0))

    bench.open(handler, ier=0x03)
    bench.wait(8)
    bench.close()
    assert bench.far.received == b"neap"


def bad_enabled_before_handler(bench: Bench) -> None:
    """Turn interrupts on, then say who serves them."""

    def open_port() -> None:
        set_line(bench)
        bench.io.write8(IER, 0x03)  # <- here
        bench.cpu.connect(bench.io.irq, lambda: bench.io.read8(IIR))

    bench.open_with(open_port)


def good_enabled_before_handler(bench: Bench) -> None:
    """Connect first, enable last; the other way round only with interrupts masked."""

    def open_port() -> None:
        set_line(bench)
        bench.cpu.connect(bench.io.irq, lambda: bench.io.read8(IIR))
        bench.io.write8(IER, 0x03)

    def open_masked() -> None:
        with bench.cpu.interrupts_masked():
            set_line(bench)
            bench.io.write8(IER, 0x03)
            bench.cpu.connect(bench.io.irq, lambda: bench.io.read8(IIR))

    for code in (open_port, open_masked):
        bench.open_with(code)
        bench.close()
