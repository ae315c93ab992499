"""A transmitter that rests: what the reason is taken for, and who is not accused.

The one idea: the same lost message has several causes, and the line to change follows from what the
driver did last.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from emu.rules.finding import Finding
from tests.quality.snippets.bench import IER, IIR, MCR, THR, Bench

SLACK = b"slack"


class Sender:
    """A driver that sends by interrupt; how it starts is left to each test."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.queue = bytearray()
        self.enabled = False
        bench.open(self.handler)
        self.send(self.start)
        bench.wait(12)

    def handler(self) -> None:
        """Send what is queued, turn the interrupt off when nothing is."""
        self.bench.io.read8(IIR)
        if self.queue:
            for byte in self.queue:
                self.bench.io.write8(THR, byte)
            self.queue.clear()
        elif self.enabled:
            self.enabled = False
            self.bench.io.write8(IER, 0x00)

    def start(self) -> None:
        """Turn the interrupt on."""
        self.enabled = True
        self.bench.io.write8(IER, 0x02)

    def send(self, start: Callable[[], object]) -> None:
        """Queue a message and start the transmitter by ``start()``."""

        def write() -> int:
            self.queue.extend(SLACK)
            start()
            return len(SLACK)

        self.bench.call("write", write)

    def nothing(self) -> None:
        """Start nothing."""

    def next_call(self, characters: float = 30) -> list[Finding]:
        """Wait, have the next call begin, and return what was found."""
        self.bench.wait(characters)
        self.bench.call("drain", lambda: None)
        return self.bench.findings.all()


@pytest.fixture
def driver() -> Sender:
    """Return a driver that has sent one message."""
    return Sender(Bench())


def test_a_message_that_nothing_starts_is_told(driver: Sender) -> None:
    """Bytes that wait for an idle transmitter are told, with how many and that ETBEI is 0."""
    driver.send(driver.nothing)

    (found,) = driver.next_call()
    assert found.rule == "transmitter-left-idle"
    assert "5 accepted bytes waited" in found.message
    assert "IER.ETBEI is 0" in found.message


def test_where_it_was_queued_is_named(driver: Sender) -> None:
    """Without a write to IER the line that masked interrupts to queue bytes is named."""

    def start() -> None:
        with driver.bench.cpu.interrupts_masked():
            driver.queue.extend(b"!")

    driver.send(start)

    (found,) = driver.next_call()
    assert found.line == start.__code__.co_firstlineno + 1


def test_an_interrupt_that_was_read_away_is_the_reason(driver: Sender) -> None:
    """Where IIR showed THRE to code that wrote nothing, that read is named."""

    def start() -> None:
        with driver.bench.cpu.interrupts_masked():
            driver.bench.io.write8(IER, 0x02)
            driver.bench.io.read8(IIR)

    driver.send(start)

    (found,) = driver.next_call()
    assert found.register == "telemetry.IIR"
    assert "takes that interrupt away" in found.message


def test_a_mask_that_was_put_back_is_the_reason(driver: Sender) -> None:
    """Where main code puts back what a handler has cleared in IER, that write is named."""
    io = driver.bench.io

    def read() -> None:
        saved = io.read8(IER)
        driver.bench.wait(12)  # the handler comes and turns ETBEI off
        io.write8(IER, saved)

    driver.send(driver.start)
    driver.bench.call("read", read)
    driver.send(driver.start)

    (found,) = driver.next_call()
    assert "written back here as it was before a handler changed it" in found.message


def test_a_short_rest_is_let_pass(driver: Sender) -> None:
    """What waits for less than eight characters may be about to be started."""
    driver.send(driver.nothing)

    assert driver.next_call(characters=6) == []


def test_a_driver_that_sends_in_calls_is_let_pass() -> None:
    """Whose handler never filled the transmitter may leave the rest to the next call."""
    bench = Bench()
    bench.open(lambda: bench.io.read8(IIR))
    bench.call("write", lambda: 5)
    bench.wait(30)
    bench.call("drain", lambda: None)

    assert bench.findings.all() == []


def test_after_a_fault_nothing_is_told(driver: Sender) -> None:
    """A fault may have taken the interrupt."""
    driver.bench.calm = False
    driver.send(driver.nothing)

    assert driver.next_call() == []


def test_a_far_end_that_does_not_let_send_is_let_pass(driver: Sender) -> None:
    """Without CTS a driver is right to wait."""
    driver.bench.uart.signals["cts"].set(0)
    driver.send(driver.nothing)

    assert driver.next_call() == []


def test_a_device_in_loopback_is_let_pass(driver: Sender) -> None:
    """In loopback nothing goes out whatever is started."""
    driver.bench.call("read", lambda: driver.bench.io.write8(MCR, 0x1B))
    driver.send(driver.nothing)

    assert driver.next_call() == []


def test_bytes_that_are_with_the_device_are_let_pass(driver: Sender) -> None:
    """A transmitter that works needs no start."""
    driver.send(lambda: driver.bench.io.write8(THR, driver.queue.pop(0)))
    driver.queue.clear()
    driver.bench.accepted -= len(SLACK) - 1

    assert driver.next_call() == []
