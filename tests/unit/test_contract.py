"""The nine promises: what breaks each, and every style of a correct driver that breaks none.

The one idea: the test plays the driver. What it must not be accused of takes more room here than
what it must, since a false accusation is the worst defect a bench can have.
"""

from __future__ import annotations

import pytest

from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR
from emu.scenario.contract import PROMISES, counter
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


@pytest.mark.parametrize(("counted", "kept"), [(0, False), (1, True), (2, True), (3, False)])
def test_flags_that_close_leaves_unread_are_told_apart(
    table: Table, counted: int, *, kept: bool
) -> None:
    """Of two bad characters in the FIFO the one whose flags were shown is due, the other is not."""
    table.come(b"f", PARITY_ERROR)
    table.look()
    table.come(b"l", PARITY_ERROR)
    table.contract.closes()
    table.contract.closed()
    table.errors.parity = counted
    assert (table.broken() == {}) is kept


def test_leftovers_do_not_stand_in_for_what_arrived(table: Table) -> None:
    """Emptying a FIFO of what came while the port was closed forgives nothing of before."""
    table.come(b"x", PARITY_ERROR)
    table.take()
    table.errors.parity = 0
    table.wait_in_vain()
    table.close()
    table.come(b"boot> ")
    table.open()
    assert "errors.parity is 0, the device flagged 1" in finish(table)["errors"]


def test_stale_bytes_are_named(table: Table) -> None:
    """What lay in the receiver before open is told from what arrived, by its bytes."""
    table.close()
    table.come(b"boot")
    table.contract.opens(LINE)
    stale = table.take()
    table.contract.opened()
    table.give(stale)
    assert finish(table)["order"].endswith("; b'boot' lay in the receiver before open")


def test_opening_an_open_port_lets_go_of_what_was_unread(table: Table) -> None:
    """A second open may drop what came before it, as a close may; what comes later counts."""
    table.come(b"tide")
    table.take()
    table.open()
    table.come(b"ebb")
    table.give(table.take())
    assert finish(table) == {}
    table.open()
    table.come(b"flood")
    table.give(table.take()[1:])
    assert list(finish(table)) == ["loss"]


def test_what_comes_after_close_is_nobodys(table: Table) -> None:
    """Once close has returned, a character is not part of what arrived."""
    table.contract.closes()
    table.contract.released()
    table.come(b"tide")
    table.contract.closed()
    assert table.contract.arrived_count == 0
    assert table.broken() == {}


def test_a_character_that_was_shown_before_it_was_lost() -> None:
    """Without FIFO an overrun takes a bad character away; its flags count if they were read."""
    for shown in (True, False):
        table = Table(fifo=0)
        table.open()
        table.come(b"x", PARITY_ERROR)
        if shown:
            table.port.read("LSR")
        table.come(b"y")
        table.take()
        table.errors.parity = 0
        table.errors.overrun = 1
        assert list(finish(table)) == (["errors"] if shown else [])


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
