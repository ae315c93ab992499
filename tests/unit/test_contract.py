"""The nine promises: what breaks each, and every style of a correct driver that breaks none.

The one idea: the test plays the driver. What it must not be accused of takes more room here than
what it must, since a false accusation is the worst defect a bench can have.
"""

from __future__ import annotations

import pytest

from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR
from emu.scenario.contract import PROMISES, best_divisor, counter
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


# order


def test_what_arrived_was_returned(table: Table) -> None:
    """A driver that returns what came, in pieces of any size, keeps every promise."""
    table.come(b"tide 3.21 m")
    data = table.take()
    for piece in (data[:1], data[1:1], data[1:7], data[7:]):
        table.give(piece)
    assert finish(table) == {}
    assert [one.promise for one in table.verdict().values()] == list(PROMISES)


@pytest.mark.parametrize(
    ("returned", "at"), [(b"tidetide", 4), (b"tied", 3), (b"tide!", 4), (b"xide", 0)]
)
def test_order_is_broken(table: Table, returned: bytes, at: int) -> None:
    """Doubled, swapped and invented bytes break the order, and the first of them is named."""
    table.come(b"tide")
    table.take()
    table.give(returned)
    broken = finish(table)
    assert list(broken) == ["order"]
    assert f"byte {at} that read returned did not arrive there" in broken["order"]
    assert "around it: b'" in broken["order"]


def test_surplus_counts_what_never_arrived(table: Table) -> None:
    """The surplus says how many bytes too many were returned, 0 while there are none."""
    table.come(b"tide")
    table.give(table.take())
    assert table.contract.surplus == 0
    table.give(bytes(100))
    assert table.contract.surplus == 100


@pytest.mark.parametrize("keep_bad", [True, False])
@pytest.mark.parametrize("flags", [PARITY_ERROR, FRAMING_ERROR, BREAK | FRAMING_ERROR])
def test_damaged_bytes_may_be_kept_or_dropped(table: Table, flags: int, *, keep_bad: bool) -> None:
    """A character that came with an error may be returned or not, as long as it is counted."""
    table.come(b"ti")
    table.come(b"i", flags)
    table.come(b"ide")
    table.give(table.take(keep_bad=keep_bad))
    assert finish(table) == {}


# loss


def test_a_silent_gap(table: Table) -> None:
    """Characters that arrived whole and are never returned break the promise, however early."""
    table.come(b"tide 3.21 m")
    data = table.take()
    table.give(data[:4] + data[6:])
    broken = finish(table)
    assert list(broken) == ["loss"]
    assert "2 characters were never returned" in broken["loss"]
    assert "errors.overrun is 0, at least 1 expected" in broken["loss"]


def test_the_last_characters_held_back(table: Table) -> None:
    """Characters that a driver never lets go of are missed, though they came last."""
    table.come(b"tide")
    table.give(table.take()[:2])
    assert "2 characters were never returned" in finish(table)["loss"]


def test_a_gap_before_a_second_session(table: Table) -> None:
    """What was lost before a close is not forgotten by the next open."""
    table.come(b"tide")
    table.give(table.take()[1:])
    table.wait_in_vain()
    table.close()
    table.open()
    table.come(b"ebb")
    table.give(table.take())
    assert "1 character was never returned" in finish(table)["loss"]


def test_an_overrun_nobody_counted(table: Table) -> None:
    """An overrun flag that the driver did not count is a loss in silence."""
    table.come(bytes(20))
    while table.port.read("LSR") & 1:
        table.give(bytes((table.port.read("RBR"),)))
    broken = finish(table)
    assert list(broken) == ["loss"]
    assert "the device raised its overrun flag once" in broken["loss"]


def test_a_flag_that_nobody_ever_read(table: Table) -> None:
    """A driver that never looks at LSR is not excused because the flag is still up at close."""
    table.come(bytes(20))
    table.give(bytes(table.port.read("RBR") for _ in range(16)))
    assert "overrun flag once" in finish(table)["loss"]


def test_overruns_counted_for_nothing(table: Table) -> None:
    """Counting overruns where none was flagged and nothing is missing is a fault too."""
    table.come(b"tide")
    table.give(table.take())
    table.errors.overrun = 1
    broken = finish(table)
    assert list(broken) == ["loss"]
    assert "raised its flag never and no character was missing" in broken["loss"]


@pytest.mark.parametrize("counted", [1, 2, 5])
def test_gaps_of_its_own_buffer(table: Table, counted: int) -> None:
    """What finds the driver's buffer full may count once a gap, once a byte or in between."""
    table.come(b"tide 3.21 m")
    data = table.take()
    table.give(data[:3] + data[8:])
    table.errors.overrun += counted
    assert finish(table) == {}


@pytest.mark.parametrize("counted", [0, 6])
def test_gaps_miscounted(table: Table, counted: int) -> None:
    """Not counting a gap of one's own is too little; more than its bytes is too much."""
    table.come(b"tide 3.21 m")
    data = table.take()
    table.give(data[:3] + data[8:])
    table.errors.overrun += counted
    assert list(finish(table)) == ["loss"]


def test_a_buffer_that_overflows_among_damaged_bytes(table: Table) -> None:
    """A gap that swallows damaged bytes is one gap, or counts them as well."""
    table.come(b"ti")
    table.come(b"x", PARITY_ERROR)
    table.come(b"de")
    data = table.take()
    table.give(data[:1])
    table.errors.overrun += 4
    assert finish(table) == {}


@pytest.mark.parametrize("fifo", [16, 0])
def test_overruns_counted_once_each(fifo: int) -> None:
    """One flag may stand for several lost characters; a read between them makes two flags."""
    table = Table(fifo=fifo)
    table.open()
    for _ in range(2):
        table.come(bytes(range(20)))
        table.give(table.take())
    assert table.errors.overrun == 2
    assert finish(table) == {}


def test_a_16450_loses_the_unread_character() -> None:
    """Without FIFO the new character stays and the unread one is gone: no gap of the driver's."""
    table = Table(fifo=0)
    table.open()
    table.come(b"tide")
    table.give(table.take())
    assert (table.contract.received, table.errors.overrun) == (b"e", 1)
    assert finish(table) == {}


def test_flags_that_merge_in_a_16450() -> None:
    """Two damaged characters of which one was overwritten show one flag, which counts once."""
    table = Table(fifo=0)
    table.open()
    table.come(b"ti", PARITY_ERROR)
    table.give(table.take())
    assert (table.errors.overrun, table.errors.parity) == (1, 1)
    assert finish(table) == {}


@pytest.mark.parametrize("looked_before", [True, False])
def test_a_16450_puts_old_flags_beside_the_new_character(*, looked_before: bool) -> None:
    """What overwrites a damaged character seems damaged itself, and may be dropped with it."""
    table = Table(fifo=0)
    table.open()
    table.come(b"t", PARITY_ERROR)
    if looked_before:
        assert table.look() & PARITY_ERROR
    table.come(b"i")
    table.take(keep_bad=False)
    if looked_before:
        table.port.read("RBR")
    assert finish(table) == {}


def test_emptying_the_fifo_after_an_overrun(table: Table) -> None:
    """A driver may throw the rest of a torn message away: it is one gap, counted once."""
    table.come(bytes(range(20)), PARITY_ERROR)
    assert table.look() & 0x02
    table.port.write("FCR", 0x03)
    assert finish(table) == {}


def test_emptying_the_fifo_for_nothing(table: Table) -> None:
    """Clearing unread characters in the middle of traffic loses them in silence."""
    table.come(b"tide")
    table.port.write("FCR", 0x03)
    assert "4 characters were never returned" in finish(table)["loss"]


# errors


@pytest.mark.parametrize(
    ("flags", "name"), [(PARITY_ERROR, "parity"), (FRAMING_ERROR, "framing"), (BREAK, "breaks")]
)
def test_errors_not_counted(table: Table, flags: int, name: str) -> None:
    """A flagged character that is not counted is named with its kind and number."""
    table.come(b"a", flags)
    table.come(b"b", flags)
    table.give(table.take())
    setattr(table.errors, name, 1)
    broken = finish(table)
    assert list(broken) == ["errors"]
    assert f"errors.{name} is 1, the device flagged 2" in broken["errors"]


@pytest.mark.parametrize("name", ["parity", "framing", "breaks"])
def test_errors_invented(table: Table, name: str) -> None:
    """Errors that the device did not flag must not be counted."""
    table.come(b"tide")
    table.give(table.take())
    setattr(table.errors, name, 3)
    assert finish(table) == {"errors": f"errors.{name} is 3, the device flagged 0"}


@pytest.mark.parametrize(
    ("parity", "framing", "breaks"), [(0, 0, 1), (0, 1, 1), (1, 1, 1), (1, 0, 1)]
)
def test_how_a_break_may_count(table: Table, parity: int, framing: int, breaks: int) -> None:
    """A break counts as a break, and may count as the errors that come with it."""
    table.come(b"\0", BREAK | FRAMING_ERROR | PARITY_ERROR)
    table.take()
    table.errors.parity, table.errors.framing, table.errors.breaks = parity, framing, breaks
    assert finish(table) == {}


@pytest.mark.parametrize(("parity", "framing", "kept"),
                         [(1, 1, True), (1, 0, True), (0, 1, True), (0, 0, False)])  # fmt: skip
def test_both_errors_in_one_character(
    table: Table, parity: int, framing: int, *, kept: bool
) -> None:
    """A character with parity and framing error counts as either or both, but not as neither."""
    table.come(b"x", PARITY_ERROR | FRAMING_ERROR)
    table.take()
    table.errors.parity, table.errors.framing = parity, framing
    assert ("errors" not in finish(table)) == kept


def test_errors_while_opening_may_count_or_not() -> None:
    """What is flagged while open sets the device up belongs to nobody."""
    for counts in (True, False):
        table = Table()
        table.contract.opens(LINE)
        table.come(b"x", PARITY_ERROR)
        if counts:
            table.take()
        table.set_up()
        table.contract.opened()
        assert finish(table) == {}


def test_leftovers_from_before_open() -> None:
    """A driver may count what lay flagged in the device before it was opened, or clear it away."""
    for counts in (True, False):
        table = Table()
        table.port.write("FCR", 0x07)
        table.come(b"old", FRAMING_ERROR)
        table.come(bytes(30))
        table.contract.opens(LINE)
        if counts:
            table.take()
        table.set_up()
        table.port.read("LSR")
        table.contract.opened()
        assert finish(table) == {}


def test_a_self_test_in_loopback() -> None:
    """Characters that a driver sends itself are neither received nor sent, errors included."""
    table = Table()
    table.contract.opens(LINE)
    table.set_up()
    table.port.write("MCR", 0x1B)
    for byte in bytes(range(30)):
        table.port.write("THR", byte)
    table.port.wait(20 * table.port.character_ps)
    table.take()
    table.come(b"x", PARITY_ERROR)
    table.take()
    table.set_up()
    table.contract.opened()
    assert table.contract.arrived_count == 0
    assert table.contract.shifted == b""
    assert finish(table) == {}


def test_flags_that_close_leaves_unread(table: Table) -> None:
    """A character that comes flagged just before close may stay where it is."""
    table.come(b"tide")
    table.give(table.take())
    table.wait_in_vain()
    table.come(b"x", PARITY_ERROR)
    table.come(bytes(20))
    table.close()
    assert table.broken() == {}


def test_a_read_that_did_not_wait_proves_nothing(table: Table) -> None:
    """A driver that answers at once has perhaps not looked: nothing is asked of it yet."""
    table.come(b"tide")
    table.give(b"")
    table.close()
    assert table.broken() == {}


def test_reads_that_return_at_once_add_up(table: Table) -> None:
    """Reads that come back empty over a long time show that nothing more is coming."""
    table.come(b"tide")
    for _ in range(8):
        table.give(b"")
        table.port.wait(table.port.character_ps)
    table.close()
    assert list(table.broken()) == ["loss"]


def test_a_frozen_processor_proves_nothing(table: Table) -> None:
    """A read whose time-out ran off while the processor was frozen may not have looked."""
    table.come(b"tide")
    table.contract.reads()
    clock = table.port.clock
    clock.schedule(clock.now_ps, lambda: clock.hold(clock.now_ps + 50 * table.port.character_ps))
    clock.run_until(clock.now_ps)
    table.contract.read(b"")
    table.close()
    assert table.broken() == {}


def test_what_comes_while_closing_is_nobodys(table: Table) -> None:
    """Characters that come between the last read and the end of close may be lost."""
    table.wait_in_vain()
    table.contract.closes()
    table.come(b"tide")
    table.come(b"x", FRAMING_ERROR)
    table.come(bytes(20))
    table.contract.closed()
    assert table.broken() == {}


def test_a_run_cut_short_forgives_the_rest(table: Table) -> None:
    """When a run ends in the middle, what the driver had no time for is not asked of it."""
    table.come(b"tide")
    table.come(b"x", PARITY_ERROR)
    table.contract.cut()
    assert table.broken() == {}


def test_a_bus_error_out_of_read_may_take_bytes_along(table: Table) -> None:
    """A read that ended in a bus error is no silent loss; what comes later counts again."""
    table.come(b"tide")
    table.take()
    table.contract.reads()
    table.contract.read_failed()
    table.come(b"ebb")
    table.give(table.take())
    assert finish(table) == {}
    table.open()
    table.come(b"flood")
    table.give(table.take()[1:])
    assert list(finish(table)) == ["loss"]


def test_counters_that_are_no_numbers() -> None:
    """A counter that is missing, no number or raises is None, not an error of ours."""

    class Odd:
        parity = "three"
        framing = True

        @property
        def breaks(self) -> int:
            raise RuntimeError

    assert [counter(Odd(), name) for name in ("overrun", "parity", "framing", "breaks")] == [
        None,
        None,
        1,
        None,
    ]


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
    table.contract.witness = lambda: False
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


def test_waived_promises_are_not_judged(table: Table) -> None:
    """A waived promise counts as kept and gives the reason."""
    table.contract.breach("time", "late")
    verdict = table.verdict({"time": "the device was gone"})
    assert (verdict["time"].kept, verdict["time"].waived) == (True, True)
    assert verdict["time"].detail == "the device was gone"
    assert not verdict["order"].waived


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
