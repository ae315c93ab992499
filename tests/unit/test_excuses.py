"""What a fault excuses, and for how long: by call, by session, and until things are settled.

The one idea: the test plays the driver and the fault. The fault is a table of promises with the
time up to which it hampered each, so that what matters, the stretch of time, is all there is.
"""

from __future__ import annotations

import pytest

from emu.scenario.books import ErrorBooks
from emu.scenario.excuses import settle_books
from tests.contract_table import OVERRUN, Table


class Hampered(Table):
    """A table with a fault that hampers promises up to a moment.

    Args:
        promises: what it makes impossible.
    """

    def __init__(self, *promises: str, far_end: bool = False) -> None:
        super().__init__(far_end=far_end)
        self.until_ps = 10**15
        self.contract.errors = lambda: self.errors
        self.contract.excuses.find = lambda from_ps, _opened_ps: (
            {name: ["broken hardware"] for name in promises} if from_ps <= self.until_ps else {}
        )
        self.open()

    def end_fault(self) -> None:
        """Let the fault end now, and some time pass."""
        self.until_ps = self.port.clock.now_ps
        self.port.wait(self.port.character_ps)

    def reopen(self) -> None:
        """Close and open again."""
        self.wait_in_vain()
        self.close()
        self.open()


def test_a_gap_is_excused_in_its_own_session_only() -> None:
    """What went missing under a fault is forgotten; what goes missing after a reopen is not."""
    table = Hampered("loss")
    table.come(b"tide")
    table.give(table.take()[1:])
    table.end_fault()
    table.reopen()
    assert table.broken() == {}

    table.come(b"ebb")
    table.give(table.take()[:2])
    table.wait_in_vain()
    table.close()
    assert list(table.broken()) == ["loss"]
    assert "1 character was never returned" in table.broken()["loss"]


def test_another_promise_is_not_excused() -> None:
    """A fault that hides characters is no excuse for inventing some."""
    table = Hampered("loss", "errors", "sent")
    table.come(b"tide")
    table.give(table.take() + b"!")
    table.reopen()
    assert list(table.broken()) == ["order"]


def test_settling_while_the_port_is_open_forgets_what_was_garbled() -> None:
    """Bytes that a fault garbled are not compared again, and new ones are, in their places."""
    table = Hampered("order")
    table.come(b"tide")
    table.take()
    table.give(b"t\x00\x00e")
    table.end_fault()
    table.contract.settle()
    table.come(b"ebb")
    table.give(table.take())
    assert table.broken() == {}
    assert table.contract.surplus == 0

    table.give(b"b")
    assert "byte 7 that read returned" in table.broken()["order"]


def test_what_a_fault_held_back_may_still_come_after_settling() -> None:
    """A driver that finds the characters late may return them, or have lost them."""
    for later in (b"tide", b"de", b""):
        table = Hampered("loss")
        table.come(b"tide")
        taken = table.take()
        table.end_fault()
        table.contract.settle()
        assert taken == b"tide"
        table.come(b"ebb")
        table.give(later + table.take())
        assert table.broken() == {}


def test_settling_accuses_nobody_of_what_may_still_come() -> None:
    """With characters still in the driver's hands nothing is missing yet; at the end it is."""
    table = Hampered("order")
    table.come(b"tide")
    taken = table.take()
    table.contract.settle()
    assert table.contract.excuses.excuse("loss") is False
    table.give(taken)
    assert table.broken() == {}


def test_counters_are_taken_as_they_are_when_errors_are_excused() -> None:
    """An overrun that a fault hid is not asked for later, and the next one is."""
    table = Hampered("loss")
    table.come(bytes(18))
    while table.port.read("LSR") & 1:
        table.give(bytes((table.port.read("RBR"),)))
    table.end_fault()
    table.reopen()
    assert table.broken() == {}

    table.come(bytes(18))
    while table.port.read("LSR") & 1:
        table.give(bytes((table.port.read("RBR"),)))
    table.wait_in_vain()
    table.close()
    assert "raised its overrun flag once" in table.broken()["loss"]


def test_books_settle_on_what_was_counted() -> None:
    """The least becomes what was counted, the most stays where it was or goes up to that."""
    books = ErrorBooks()
    books.overrun.least = books.overrun.most = 3
    books.both = 2
    counted = {"overrun": 1, "parity": 4, "framing": 0, "breaks": 0}
    settle_books(books, counted.__getitem__)
    assert (books.overrun.least, books.overrun.most) == (1, 3)
    assert (books.parity.least, books.parity.most) == (4, 4)
    assert list(books.complaints(counted.__getitem__)) == []


def test_bytes_that_a_fault_swallowed_are_not_owed_in_the_next_session() -> None:
    """Sending is compared anew after a session in which it was impossible."""
    table = Hampered("sent", "drain")
    table.send(b"tide")
    table.contract.wrote(b"!")
    table.drain()
    assert table.contract.pending_bytes == 1
    table.end_fault()
    table.reopen()
    assert table.contract.pending_bytes == 0
    table.send(b"ebb")
    table.drain()
    table.contract.drained(answer=True)
    table.wait_in_vain()
    table.close()
    assert table.broken() == {}

    table.open()
    table.contract.wrote(b"flood")
    table.close()
    assert "5 of 8 accepted bytes are missing" in table.broken()["sent"]


def test_what_is_still_in_the_transmitter_then_is_nobodys() -> None:
    """Characters that leave only after a hampered session are not taken for the next one's."""
    table = Hampered("sent")
    for byte in b"tide":
        table.port.write("THR", byte)
    table.contract.wrote(b"tid")
    table.contract.closes()
    table.contract.closed()
    table.end_fault()
    table.contract.opens(table.contract._line)  # type: ignore[arg-type]
    table.contract.opened()
    table.drain()
    table.send(b"ebb")
    table.drain()
    table.contract.closes()
    table.contract.closed()
    assert table.broken() == {}


def test_a_write_that_failed_leaves_only_its_session_in_doubt() -> None:
    """After a bus error what was accepted is unknown, until the port is opened again."""
    table = Hampered()
    table.send(b"ti")
    table.contract.write_failed()
    table.drain()
    table.reopen()
    assert table.broken() == {}

    table.contract.wrote(b"de")
    table.wait_in_vain()
    table.close()
    assert list(table.broken()) == ["sent"]


@pytest.mark.parametrize("promise", ["drain", "quiet", "time", "start", "recovery"])
def test_a_call_is_excused_by_what_happened_during_it(promise: str) -> None:
    """A fault that ended before a call began is no excuse for what that call did."""
    table = Hampered(promise)
    table.contract.excuses.call_begins()
    assert table.contract.breach(promise, "during")
    table.end_fault()
    assert table.contract.breach(promise, "the call that it spoilt")
    table.contract.excuses.call_begins()
    assert not table.contract.breach(promise, "a later call")
    assert table.broken() == {promise: "a later call"}


def test_without_faults_nothing_is_settled_before_the_end() -> None:
    """A plain run is judged once, when it is over."""
    table = Table()
    table.open()
    table.come(b"tide")
    table.give(table.take()[1:])
    table.wait_in_vain()
    table.close()
    assert all(one.kept for one in table.contract._breaches.told({}))
    assert table.contract.excuses.excuse("loss") is False
    assert list(table.broken()) == ["loss"]
    assert not OVERRUN & table.port.read("LSR")
