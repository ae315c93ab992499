"""The promises about sending, opening and the rest: what breaks each, and what does not.

The one idea: the test plays the driver. What it must not be accused of takes more room here than
what it must, since a false accusation is the worst defect a bench can have.
"""

from __future__ import annotations

import pytest

from emu.line.frame import PARITY_ERROR
from emu.scenario.baud import best_divisor
from emu.units import LineSettings
from tests.contract_table import LINE, Table


@pytest.fixture
def table() -> Table:
    """Return a table with an open port."""
    made = Table()
    made.open()
    return made


def finish(table: Table) -> dict[str, str]:
    """End a session as the runner does and return what was broken."""
    table.wait_in_vain()
    table.close()
    return table.broken()


# sent


@pytest.mark.parametrize(
    ("sent", "accepted", "text"),
    [
        (b"tid", b"tide", "1 of 4 accepted bytes are missing at the end"),
        (b"tidee", b"tide", "1 bytes more than the 4 accepted"),
        (b"tied", b"tide", "byte 2 should be 0x64 and is 0x65"),
    ],
)
def test_sent_is_broken(table: Table, sent: bytes, accepted: bytes, text: str) -> None:
    """Bytes that are missing, doubled or out of order on the wire are named by their place."""
    table.send(sent)
    table.drain()
    table.contract.accepted[:] = accepted
    assert finish(table) == {"sent": text}


def test_close_that_does_not_wait(table: Table) -> None:
    """Accepted bytes that have not left when close is over are missing."""
    for byte in range(16):
        table.port.write("THR", byte)
    table.contract.wrote(bytes(range(16)))
    table.close()
    assert "accepted bytes are missing at the end" in table.broken()["sent"]


def test_the_last_character_may_still_be_on_its_way(table: Table) -> None:
    """Close may return while the last character is in the shift register."""
    table.send(b"tide")
    table.drain()
    table.send(b".")
    table.port.wait_bits(4)
    table.close()
    assert table.broken() == {}


def test_the_far_end_is_a_witness() -> None:
    """What the far end hears must be what was sent; a break over it is seen."""
    for spoiled in (False, True):
        table = Table(far_end=True)
        table.open()
        table.send(b"tide")
        if spoiled:
            table.port.wait_bits(3)
            table.port.write("LCR", 0x43)
            table.port.wait_bits(9)
            table.port.write("LCR", 0x03)
        table.drain()
        assert list(finish(table)) == (["sent"] if spoiled else [])
        if spoiled:
            assert "the far end heard something else" in table.broken()["sent"]


def test_a_witness_may_be_refused() -> None:
    """Where a fault spoiled the wire, what the far end heard says nothing of the driver."""
    table = Table(far_end=True)
    table.contract.witness.sound = lambda: False
    table.open()
    table.send(b"tide")
    table.port.wait_bits(3)
    table.port.write("LCR", 0x43)
    table.port.wait_bits(9)
    table.port.write("LCR", 0x03)
    table.drain()
    assert finish(table) == {}


def test_a_far_end_with_other_settings_is_no_witness() -> None:
    """A far end that speaks another rate hears garbage, which is not the driver's doing."""
    table = Table(far_end=True)
    assert table.far_end is not None
    table.far_end.speak(LineSettings(9600))
    table.open()
    table.send(b"tide")
    table.drain()
    assert finish(table) == {}


def test_leftovers_in_the_transmitter() -> None:
    """A character that a bootloader left in the transmitter is not the driver's."""
    for waits in (True, False):
        table = Table()
        table.port.write("FCR", 0x07)
        for byte in b"old":
            table.port.write("THR", byte)
        table.contract.opens(LINE)
        if waits:
            table.drain()
        table.set_up()
        table.contract.opened()
        table.send(b"tide")
        table.drain()
        assert table.contract.shifted == b"tide"
        assert finish(table) == {}


def test_only_data_bits_are_compared() -> None:
    """With seven data bits the eighth of a written byte is not missed on the wire."""
    table = Table()
    line = LineSettings(6250, 7)
    table.contract.opens(line)
    table.set_up()
    table.port.write("LCR", 0x02)
    table.contract.opened()
    table.send(b"\xe5\x65")
    table.drain()
    assert finish(table) == {}


def test_a_write_that_failed_leaves_the_wire_unjudged(table: Table) -> None:
    """After a bus error out of write nobody knows how much was accepted."""
    table.send(b"ti")
    table.drain()
    table.contract.write_failed()
    table.contract.accepted[:] = b"t"
    assert finish(table) == {}


# drain


def test_drain_too_early(table: Table) -> None:
    """Drain that says true while the last stop bit is under way is off by the time it names."""
    table.send(b"t")
    table.port.wait_bits(4)
    table.contract.drained(answer=True)
    assert table.broken()["drain"].startswith("drain returned True while the last stop bit ended ")


def test_drain_with_bytes_in_the_drivers_own_buffer(table: Table) -> None:
    """Drain that says true before everything was handed over names how much was not."""
    table.contract.wrote(b"tide")
    table.contract.drained(answer=True)
    assert table.broken()["drain"] == (
        "drain returned True while 4 accepted bytes had not begun"
    )  # fmt: skip


def test_drain_when_idle(table: Table) -> None:
    """Drain is right to say true on an idle line, and false while something is going out."""
    table.contract.drained(answer=True)
    table.send(b"tide")
    table.contract.drained(answer=False)
    table.drain()
    table.contract.drained(answer=True)
    table.contract.drained(answer=False)  # just over: a driver may have looked a moment before
    assert finish(table) == {}


def test_drain_that_never_says_true(table: Table) -> None:
    """Drain that says false long after everything has left is of no use to anybody."""
    table.send(b"t")
    table.drain()
    table.port.wait(10 * table.port.character_ps)
    table.contract.drained(answer=False)
    assert "the line had been idle for" in table.broken()["drain"]


def test_drain_of_a_frozen_processor(table: Table) -> None:
    """Drain whose time-out ran off while the processor was frozen may say false."""
    table.send(b"t")
    table.drain()
    table.port.wait(10 * table.port.character_ps)
    table.contract.drained(answer=False, stalled_ps=9 * table.port.character_ps)
    assert finish(table) == {}


# start


@pytest.mark.parametrize(
    ("register", "value", "text"),
    [
        ("LCR", 0x07, "LCR is 0x07, which is not 6250 8N1"),
        ("LCR", 0x0B, "LCR is 0x0b, which is not 6250 8N1"),
        ("LCR", 0x83, "the divisor latch is still selected (LCR.DLAB = 1)"),
        ("LCR", 0x43, "the output is held at break (LCR.BREAK = 1)"),
        ("MCR", 0x1B, "loopback is still on (MCR.LOOP = 1)"),
    ],
)
def test_start_is_broken(register: str, value: int, text: str) -> None:
    """Settings that open leaves behind and that cannot work are named."""
    table = Table()
    table.contract.opens(LINE)
    table.set_up()
    table.port.write(register, value)
    table.contract.opened()
    assert table.broken()["start"] == f"after open {text}"


@pytest.mark.parametrize(("divisor", "kept"), [(16, True), (17, False), (0, False), (8, False)])
def test_divisor(divisor: int, *, kept: bool) -> None:
    """A divisor that is off by more than 3 % where a better one exists is named."""
    table = Table()
    table.contract.opens(LINE)
    table.set_up()
    table.port.write("LCR", 0x83)
    table.port.set_divisor(divisor)
    table.port.write("LCR", 0x03)
    table.contract.opened()
    detail = table.broken().get("start", "")
    assert detail == (
        "" if kept else f"after open the divisor is {divisor}, 6250 baud needs 16"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("clock_hz", "baud", "divisor"),
    [(1_843_200, 115_200, 1), (1_843_200, 9600, 12), (1_843_200, 50, 2304), (3_072_000, 38_400, 5)],
)
def test_best_divisors(clock_hz: int, baud: int, divisor: int) -> None:
    """The nearest divisors are those of the datasheet (PC16550D, Tables III a and b)."""
    assert best_divisor(clock_hz, baud) == divisor


# the rest


def test_the_first_breach_is_kept(table: Table) -> None:
    """Of several breaches of a promise the first is told, as the others may follow from it."""
    table.contract.breach("time", "first")
    table.contract.breach("time", "second")
    assert finish(table) == {"time": "first"}


def test_what_a_fault_excuses_is_not_held_against_the_driver(table: Table) -> None:
    """A promise that could not be kept at the time counts as kept and gives the reason."""
    table.contract.excuses.find = lambda _from_ps, _opened_ps: {"time": ["the device was gone"]}
    assert table.contract.breach("time", "late")
    verdict = table.verdict({"time": "the device was gone"})
    assert (verdict["time"].kept, verdict["time"].waived) == (True, True)
    assert verdict["time"].detail == "the device was gone"
    assert not verdict["order"].waived


def test_a_fault_at_another_time_excuses_nothing(table: Table) -> None:
    """A promise that was broken while it could be kept is broken, whatever happened elsewhere."""
    table.contract.excuses.find = lambda _from_ps, _opened_ps: {}
    assert not table.contract.breach("time", "late")
    verdict = table.verdict({"time": "the device was gone"})
    assert (verdict["time"].kept, verdict["time"].detail) == (False, "late")


def test_a_port_that_was_never_opened_owes_nothing() -> None:
    """Traffic on a port that nobody opened is nobody's."""
    table = Table()
    table.port.write("FCR", 0x07)
    table.come(bytes(20))
    assert table.contract.lost == 0
    assert table.broken() == {}


def test_measures_count_the_open_port_only(table: Table) -> None:
    """What arrives before open or in loopback is not counted as arrived."""
    table.come(b"tide")
    table.give(table.take())
    table.wait_in_vain()
    table.close()
    table.come(b"x")
    assert (table.contract.arrived_count, table.contract.received) == (4, b"tide")


def test_settled_means_that_nothing_is_held_back(table: Table) -> None:
    """A port is settled when all was returned and the device shows nothing that waits."""
    assert table.contract.settled
    table.come(b"t")
    assert not table.contract.settled
    data = table.take()
    assert not table.contract.settled
    table.give(data)
    assert table.contract.settled
    table.come(b"x", PARITY_ERROR)
    assert not table.contract.settled
