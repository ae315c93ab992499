"""A read that waits with the receive interrupt off: when that is told, and who may.

The one idea: what matters is whether the driver polls as often as the FIFO asks for.
"""

from __future__ import annotations

import pytest

from emu.rules.finding import Finding
from tests.quality.snippets.bench import IER, LINE, Bench


class Receiver:
    """A driver whose handler turns the receive interrupt off after the first character."""

    def __init__(self, bench: Bench, fcr: int = 0x07) -> None:
        self.bench = bench
        bench.open(self.handler, ier=0x01, fcr=fcr)
        bench.arrive(b"x")

    def handler(self) -> None:
        """Take what is there, and no more by interrupt."""
        self.bench.receive()
        self.bench.io.write8(IER, 0x00)

    def read(self, naps: int, characters: float, ier: int = 0x00) -> list[Finding]:
        """Nap `naps` times while the far end sends without end, and return what is found."""
        bench = self.bench

        def read() -> bytes:
            if ier:
                bench.io.write8(IER, ier)
            for _ in range(naps):
                bench.cpu.wait_for_interrupt(characters * LINE.character_s)
                bench.receive()
            return bytes(bench.received)

        bench.far.say(bytes(range(60)))
        bench.call("read", read)
        return bench.findings.all()


@pytest.fixture
def driver() -> Receiver:
    """Return a driver that has received one character."""
    return Receiver(Bench())


def test_a_wait_with_receiving_left_off_is_told(driver: Receiver) -> None:
    """A FIFO that ran full meanwhile is told, at the line that cleared ERBFI."""
    (found,) = driver.read(1, 24)

    assert found.rule == "waits-for-disabled-interrupt"
    assert "ERBFI is cleared here" in found.message
    assert "16 received characters" in found.message
    code = Receiver.handler.__code__
    assert found.line == code.co_firstlineno + 3


def test_naps_that_the_fifo_outlasts_are_let_pass(driver: Receiver) -> None:
    """Who polls often enough may do without the interrupt."""
    assert driver.read(5, 12) == []


def test_turning_it_on_again_is_let_pass(driver: Receiver) -> None:
    """With ERBFI set again there is nothing to tell."""
    assert driver.read(1, 24, ier=0x01) == []


def test_a_frozen_processor_is_let_pass(driver: Receiver) -> None:
    """Time that the processor was frozen from outside is not the driver's."""
    clock = driver.bench.board.clock

    def read() -> None:
        driver.bench.cpu.wait_for_interrupt(12 * LINE.character_s)
        clock.stalled_ps += 1
        driver.bench.receive()

    driver.bench.far.say(bytes(range(60)))
    driver.bench.call("read", read)

    assert driver.bench.findings.all() == []
