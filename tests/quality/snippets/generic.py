"""Wrong and right driver code for the rules that follow from declarations.

The line to change is marked; the good code beside it does the same job without a finding.
"""

from __future__ import annotations

from tests.quality.snippets.bench import IER, LCR, LSR, MCR, Bench

LEVEL, COMMAND, EVENTS, MODE = 0, 1, 2, 3
HIGH, LOW, TURN = 1, 2, 4


def bad_write_to_read_only(bench: Bench) -> None:
    """Clear errors by writing them: LSR clears when it is read."""
    bench.open()

    def read() -> None:
        bench.io.read8(LSR)
        bench.io.write8(LSR, 0)  # <- here

    bench.call("read", read)


def good_write_to_read_only(bench: Bench) -> None:
    """Clear errors by reading them."""
    bench.open()
    bench.call("read", lambda: bench.io.read8(LSR))


def bad_read_of_write_only(bench: Bench) -> None:
    """Read a command back that cannot be read."""

    def read() -> None:
        command = bench.gauge.read8(COMMAND)  # <- here
        bench.gauge.write8(COMMAND, command | 1)

    bench.call("read", read)


def good_read_of_write_only(bench: Bench) -> None:
    """Give the command, and read what can be read."""

    def read() -> None:
        bench.gauge.write8(COMMAND, 1)
        bench.gauge.read8(LEVEL)

    bench.call("read", read)


def bad_reserved_bits_written(bench: Bench) -> None:
    """Enable everything that can be enabled, and what cannot."""
    bench.open()
    bench.call("write", lambda: bench.io.write8(IER, 0xFF))  # <- here


def good_reserved_bits_written(bench: Bench) -> None:
    """Try a bit of another part and take it back; write the named bits only."""

    def open_probing() -> None:
        bench.io.write8(LCR, 0x03)
        bench.io.write8(MCR, 0x2B)
        if bench.io.read8(MCR) != 0x2B:
            bench.io.write8(MCR, 0x0B)

    bench.call("open", open_probing)
    bench.call("write", lambda: bench.gauge.write8(MODE, 0x03))


def bad_w1c_read_modify_write(bench: Bench) -> None:
    """Acknowledge one event by read, or, write: everything pending goes with it."""

    def acknowledge_high() -> None:
        events = bench.gauge.read8(EVENTS)
        bench.gauge.write8(EVENTS, events | HIGH)  # <- here

    for pending in (LOW, TURN):
        bench.sensor.register("EVENTS").hw_set(pending)
        bench.call("read", acknowledge_high)


def good_w1c_read_modify_write(bench: Bench) -> None:
    """Acknowledge what was seen, or one fixed event, with a plain store."""

    def acknowledge_seen() -> None:
        bench.gauge.write8(EVENTS, bench.gauge.read8(EVENTS))

    def acknowledge_all() -> None:
        bench.gauge.read8(EVENTS)
        bench.gauge.write8(EVENTS, HIGH | LOW | TURN)

    for pending in (LOW, TURN, LOW | HIGH):
        for code in (acknowledge_seen, acknowledge_all):
            bench.sensor.register("EVENTS").hw_set(pending)
            bench.call("read", code)


def bad_unmapped_access(bench: Bench) -> None:
    """Take the registers to be four bytes apart where they are one."""
    bench.open()

    def read() -> None:
        try:
            bench.io.read8(LSR * 4)  # <- here
        except Exception as error:
            bench.ended = type(error).__name__

    bench.call("read", read)


def good_unmapped_access(bench: Bench) -> None:
    """Use the stride that the board gives."""
    bench.open()
    bench.call("read", lambda: bench.io.read8(LSR * bench.io.stride))


def bad_wrong_width(bench: Bench) -> None:
    """Read a byte register as a word."""
    bench.open()

    def read() -> None:
        try:
            bench.io.read32(LSR & ~3)  # <- here
        except Exception as error:
            bench.ended = type(error).__name__

    bench.call("read", read)


def good_wrong_width(bench: Bench) -> None:
    """Find out in ``open`` which width answers, and use that one."""

    def open_probing() -> None:
        for read in (bench.io.read32, bench.io.read8):
            try:
                read(0)
            except Exception as error:
                bench.ended = type(error).__name__
            else:
                return

    bench.call("open", open_probing)
