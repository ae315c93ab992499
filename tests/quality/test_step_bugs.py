"""Bugs that only a certain step of a scenario shows, and good drivers that stay clean in it.

The one idea: each driver here is a good one with one habit changed. Where it matters that the step
is needed at all, the same driver is clean without it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import PolledDriver
from emu import LineSettings
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.line.plan import FarEndPlan
from emu.scenario.model import NEVER_PS, Leftovers, Step
from emu.scenario.outcome import Outcome
from tests.driven_run import MS, broken, outcome_of, rules_of
from tests.quality.snippets.styles import ByCause, ByStatus, PolledReceiver, TriggerLevel

GOOD = (InterruptDriver, PolledDriver, ByCause, ByStatus, PolledReceiver, TriggerLevel)
MODEM = FarEndPlan(kind="source", data=bytes(range(120)), start_ps=MS // 10)
ENDLESS = FarEndPlan(kind="source", data=b"tide 3.21 m\r\n" * 600, start_ps=MS // 10)
NOW, AGAIN, OPEN = Step("close", how="now"), Step("close", how="again"), Step("open")
PROMPT = Leftovers({"LCR": 0x03, "DLL": 12, "FCR": 0x01, "MCR": 0x0B, "IER": 0x05}, b"boot> ")


def wait(milliseconds: float) -> Step:
    """Return a step that lets time pass."""
    return Step("wait", duration_ps=round(milliseconds * MS))


def assert_clean(outcome: Outcome) -> None:
    """Check that nothing speaks against a driver."""
    assert outcome.ended == ""
    assert rules_of(outcome) == []
    assert broken(outcome) == {}


# Closing in the middle of traffic.


@pytest.mark.parametrize("driver", GOOD)
@pytest.mark.parametrize("after_ms", [0, 0.1, 0.15, 0.7, 2])
def test_a_good_driver_may_be_closed_at_any_time(driver: type, after_ms: float) -> None:
    """Whenever the port is closed, before, in and after a burst, a good driver is clean."""
    steps = (OPEN, Step("send", data=b"tide"), wait(after_ms), NOW)
    assert_clean(outcome_of(driver, *steps, *steps, Step("receive", count=5), NOW, far_end=MODEM))


def test_close_now_leaves_unread_what_has_come() -> None:
    """Nothing is read before the port closes, and nothing of it is asked for afterwards."""
    outcome = outcome_of(InterruptDriver, OPEN, wait(3), NOW, far_end=MODEM)
    assert outcome.clean
    assert outcome.measures.bytes_arrived > 20
    assert outcome.measures.bytes_returned == 0


class WaitsForQuiet(PolledDriver):
    """Read until nothing more comes before closing, however long that takes."""

    def close(self) -> None:
        while self.read(1, 4 * self._character_s):
            pass
        super().close()


@pytest.mark.slow
def test_a_close_that_waits_for_a_talking_modem() -> None:
    """A close that waits until the line is quiet breaks its bound when the line never is."""
    outcome = outcome_of(WaitsForQuiet, OPEN, wait(1), NOW, far_end=ENDLESS)
    assert "close" in broken(outcome)["time"]
    assert outcome_of(WaitsForQuiet, OPEN, wait(1), far_end=MODEM).clean


class TrustsClose(PolledDriver):
    """Leave the receiver as it is in open, since close has left it empty."""

    def _silence_leftovers(self) -> None:
        self._store(1, 0)

    def _program(self) -> bool:
        self._store(3, self._line_control | 0x80)
        self._store(0, self._divisor & 0xFF)
        self._store(1, self._divisor >> 8)
        self._store(3, self._line_control)
        self._io.write8(2 * self._stride, 0x01)  # FIFO on
        self.fifo_depth = 16
        return self._store(4, 0x0B)


def line_of(text: str) -> int:
    """Return the line of this file that contains `text` first."""
    lines = Path(__file__).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if text in line)


def test_what_comes_while_the_port_is_closed() -> None:
    """Characters that came between close and open are stale, and a rule names the FCR write."""
    steps = (OPEN, wait(0.5), NOW, OPEN, Step("receive", count=10))
    outcome = outcome_of(TrustsClose, *steps, far_end=MODEM)
    (found,) = outcome.findings
    assert (found.rule, found.line) == ("stale-data-kept", line_of("# FIFO on"))
    assert list(broken(outcome)) == ["order"]
    assert "lay in the receiver before open" in broken(outcome)["order"]
    assert outcome_of(TrustsClose, OPEN, Step("exchange", data=b"tide", count=4), Step("reopen"),
                      Step("exchange", data=b"tide", count=4)).clean  # fmt: skip


# Opening and closing in other orders.

ORDERS: dict[str, tuple[Step, ...]] = {
    "open twice": (OPEN, Step("send", data=b"tide 3.21 m"), wait(2), OPEN,
                   Step("exchange", data=b"ebb", count=3)),
    "close twice": (OPEN, Step("close"), AGAIN, AGAIN),
    "close first": (AGAIN, OPEN, Step("exchange", data=b"ebb", count=3)),
    "close, open, open, close": (OPEN, NOW, OPEN, OPEN, Step("send", data=b"tide"), NOW, AGAIN),
}  # fmt: skip


@pytest.mark.parametrize("driver", GOOD)
@pytest.mark.parametrize("order", list(ORDERS))
def test_good_drivers_stand_any_order(driver: type, order: str) -> None:
    """Opened again while open, closed while closed or never opened: a good driver is clean."""
    assert_clean(outcome_of(driver, *ORDERS[order]))


class ConnectsAgain(ByCause):
    """Forget in open that the port may be open."""

    def open(self, line: LineSettings) -> None:
        self.is_open = False
        super().open(line)


class DisconnectsAgain(ByCause):
    """Take the handler away in close, whether there is one or not."""

    def close(self) -> None:
        self.is_open = True
        super().close()


class NeedsOpen(PolledDriver):
    """Use in close what only open sets."""

    def open(self, line: LineSettings) -> None:
        self.opened_with = line
        super().open(line)

    def close(self) -> None:
        if self.opened_with:
            super().close()


@pytest.mark.parametrize(
    ("driver", "order", "said"),
    [
        (ConnectsAgain, "open twice", "has a handler already"),
        (DisconnectsAgain, "close twice", "has no such handler"),
        (NeedsOpen, "close first", "opened_with"),
    ],
)
def test_a_driver_that_knows_one_order_only(driver: type, order: str, said: str) -> None:
    """A driver that counts on open and close taking turns fails in another order."""
    found = outcome_of(driver, *ORDERS[order]).findings[0]
    assert found.rule == ("driver-raised" if driver is NeedsOpen else "refused-call")
    assert said in found.message
    if driver is not DisconnectsAgain:  # it closes in open as well
        assert outcome_of(driver, OPEN, Step("send", data=b"tide"), Step("close")).clean


# Calls without a time-out.


def patient(step: str, **values: Any) -> Step:
    """Return a step whose calls have no time-out."""
    return Step(step, timeout_ps=NEVER_PS, **values)


@pytest.mark.parametrize("driver", GOOD)
def test_good_drivers_wait_for_ever_and_no_longer(driver: type) -> None:
    """Without a time-out a good driver comes back when it has what it was asked for."""
    steps = (patient("send", data=bytes(100)), patient("drain"), patient("receive", count=100))
    assert_clean(outcome_of(driver, *steps))
    assert_clean(outcome_of(driver, patient("exchange", data=bytes(range(64)), count=64)))


@pytest.mark.slow
@pytest.mark.parametrize("driver", [InterruptDriver, PolledDriver])
def test_waiting_for_what_never_comes_is_no_fault(driver: type) -> None:
    """A read without a time-out of more than ever comes ends the run, and accuses nobody."""
    outcome = outcome_of(driver, patient("receive", count=121), far_end=MODEM)
    assert outcome.clean
    assert outcome.ended == "read has no time-out and waits for what does not come"


def test_pauses_are_waited_for() -> None:
    """A far end that has more to say after a long pause is not given up."""
    pauses = FarEndPlan(kind="source", data=bytes(20), burst_bytes=10, pause_ps=3000 * MS)
    outcome = outcome_of(InterruptDriver, patient("receive", count=20), far_end=pauses)
    assert_clean(outcome)


@pytest.mark.slow
def test_a_fault_excuses_who_waits_for_ever() -> None:
    """A transmitter that says for ever that it has no room keeps a patient driver for ever."""
    stuck = FaultPlan((fault("never-ready", "telemetry.LSR.THRE"),))
    outcome = outcome_of(PolledDriver, patient("send", data=b"tide"), far_end="sink", faults=stuck)
    assert outcome.findings == []
    assert "write has no time-out" in outcome.ended


class Computes(PolledDriver):
    """Compute a deadline from a time-out that need not be there."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        until = self._cpu.time() + timeout  # type: ignore[operator]
        return super().read(size, until - self._cpu.time())


def test_a_deadline_from_no_time_out() -> None:
    """A driver that takes the time-out for a number raises, at its own line."""
    (found,) = outcome_of(Computes, patient("receive", count=4), far_end=MODEM).findings
    assert (found.rule, found.line) == ("driver-raised", line_of("until = self._cpu.time()"))


class SendsUnasked(ByCause):
    """Queue bytes, forget to ask for the transmit interrupt, and sleep until they have gone."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        with self.cpu.interrupts_masked():
            self.outgoing += data
            while self.outgoing and self.cpu.wait_for_interrupt(timeout):  # asleep here
                self.handle()
            sent = len(data) - len(self.outgoing)
            self.outgoing.clear()
        return sent


def test_sleeping_for_a_disabled_interrupt_names_the_cause() -> None:
    """A driver that sleeps for ever is told which enable bit it has forgotten, at its line."""
    outcome = outcome_of(SendsUnasked, patient("send", data=b"tide"), far_end="sink")
    (found,) = outcome.findings
    assert (found.rule, found.line) == ("asleep-for-ever", line_of("# asleep here"))
    assert found.message.endswith("but IER.ETBEI is 0, so that it never interrupts")
    assert list(broken(outcome)) == ["time"]


def test_the_same_with_a_time_out() -> None:
    """With a time-out the same driver comes back empty-handed, and a rule names the wait."""
    outcome = outcome_of(SendsUnasked, Step("send", data=b"tide"), far_end="sink")
    (found,) = outcome.findings
    assert (found.rule, found.line) == ("waits-for-disabled-interrupt", line_of("# asleep here"))
    assert "IER.ETBEI is 0" in found.message


class LosesWakeUp(ByCause):
    """Look first and sleep afterwards, with an interrupt in between."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        if len(self.received) < size:
            self.cpu.work(100_000)
            self.cpu.wait_for_interrupt(timeout)
        return super().read(size, 0)


def test_a_lost_wake_up_without_a_time_out() -> None:
    """A wake-up lost between the look and the sleep ends the run with the driver at fault."""
    burst = FarEndPlan(kind="source", data=b"tide 321", start_ps=MS // 2)
    outcome = outcome_of(LosesWakeUp, patient("receive", count=8), far_end=burst)
    assert rules_of(outcome) == ["asleep-for-ever"]
    assert list(broken(outcome)) == ["time"]


class GivesUp(PolledDriver):
    """Take no time-out for one of a character."""

    def drain(self, timeout: float | None = None) -> bool:
        return super().drain(self._character_s if timeout is None else timeout)


def test_giving_up_without_a_time_out() -> None:
    """A drain that has no time-out and returns False has not done what it was asked for."""
    steps = (Step("send", data=bytes(16)), patient("drain"))
    assert list(broken(outcome_of(GivesUp, *steps, far_end="sink"))) == ["drain"]


# What others left behind.

FOUND = Step("leftovers", leftovers=PROMPT)
TALK = Step("exchange", data=b"tide 3.21 m\r\n", count=13)


@pytest.mark.parametrize("driver", GOOD)
@pytest.mark.parametrize(
    "left",
    [
        PROMPT,
        Leftovers({"IER": 0x0F}),
        Leftovers({"LCR": 0x83, "FCR": 0x41, "IER": 0x05, "DLL": 1}, b"y\r"),
        Leftovers({"LCR": 0x43, "MCR": 0x1B, "DLL": 12, "IER": 0x02}, b"", b"> "),
        Leftovers({"LCR": 0x1B, "DLL": 1, "FCR": 0xC1, "IER": 0x0F}, bytes(40), bytes(16)),
    ],
)
def test_good_drivers_open_over_leftovers(driver: type, left: Leftovers) -> None:
    """Whatever was left before the first open, and between two, good drivers are clean."""
    found = Step("leftovers", leftovers=left)
    assert_clean(outcome_of(driver, found, OPEN, TALK, found, TALK, Step("close")))


def test_leftovers_close_an_open_port() -> None:
    """Another program can use the controller only once the driver has let go of it."""
    outcome = outcome_of(PolledDriver, OPEN, FOUND, TALK)
    assert [one.action for one in outcome.steps] == ["open", "leftovers", "open", "exchange",
                                                     "close"]  # fmt: skip
    assert outcome.steps[1].text.endswith("6 unread")
    assert outcome.clean


def test_stale_characters_are_told_from_what_arrived() -> None:
    """A driver that hands on what a bootloader left is told so, with the characters."""
    outcome = outcome_of(TrustsClose, FOUND, OPEN, TALK)
    assert rules_of(outcome) == ["stale-data-kept"]
    assert "b'boot> ' lay in the receiver before open" in broken(outcome)["order"]


class ConnectsFirst(ByCause):
    """Connect the handler before what it needs is there."""

    def open(self, line: LineSettings) -> None:
        self.is_open = True
        self.cpu.connect(self.io.irq, self.handle)
        self.inbox = bytearray()
        self.is_open = False
        self.cpu.disconnect(self.io.irq, self.handle)
        super().open(line)

    def take_in(self) -> int:
        self.inbox.clear()  # used too early
        return super().take_in()


def test_an_interrupt_before_the_driver_is_ready() -> None:
    """A pending interrupt runs the handler at once, in a driver that is not ready for it."""
    found = outcome_of(ConnectsFirst, FOUND, OPEN, TALK).findings[0]
    assert (found.rule, found.line) == ("driver-raised", line_of("# used too early"))
    assert "open raised AttributeError" in found.message
    assert outcome_of(ConnectsFirst, OPEN, TALK).clean
