"""RTS and what comes of it: who is accused of lowering it late or raising it early, and who is not.

The one idea: each correct style of a driver meets a far end that heeds RTS, and only characters
that were lost by it bring a finding.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from emu.line.plan import FarEndPlan
from emu.rules.finding import Finding
from tests.quality.snippets.bench import DLL, IER, LCR, LINE, LSR, MCR, RBR, Bench
from tests.quality.snippets.invitation import (
    READY,
    ROOM,
    STOP,
    TIDES,
    Keeper,
    bad_flow_control_late,
    bad_invited_before_set,
    leave_alone_and_read,
    set_line,
    talker,
)


def late(bench: Bench) -> list[Finding]:
    """Return what is found of flow control that comes too late."""
    return [one for one in bench.finish() if one.rule == "flow-control-late"]


def serving(bench: Bench, keeper: Keeper, full: Callable[[], None]) -> Callable[[], None]:
    """Return a handler that takes what is there, and calls `full` at the keeper's mark."""

    def handler() -> None:
        while bench.io.read8(LSR) & 0x01:
            if keeper.take():
                full()
                if not bench.io.read8(IER):
                    return

    return handler


def lower(bench: Bench) -> None:
    """Lower RTS."""
    bench.io.write8(MCR, STOP)


# flow-control-late


def test_the_finding_counts_what_came_and_what_was_lost() -> None:
    """The message says how many came after RTS had fallen, and how many of them were lost."""
    bench = Bench()
    bench.heed_rts(talker(lag=4))
    keeper = Keeper(bench, mark=ROOM - 2)
    bench.open(serving(bench, keeper, lambda: lower(bench)), ier=0x01, fcr=0x07)
    leave_alone_and_read(bench, keeper)
    (one,) = late(bench)
    assert one.message.startswith("4 characters came after RTS fell here, and 2 of them got lost")
    assert one.register == "telemetry.MCR"


@pytest.mark.parametrize("lag", [0, 1, 4, 8])
def test_head_room_for_what_is_on_its_way_is_enough(lag: int) -> None:
    """Who keeps room for as many as the far end still sends is let pass, however full it gets."""
    bench = Bench()
    bench.heed_rts(talker(lag))
    keeper = Keeper(bench, mark=ROOM - lag)
    bench.open(serving(bench, keeper, lambda: lower(bench)), ier=0x01, fcr=0x07)
    leave_alone_and_read(bench, keeper)
    assert late(bench) == []
    assert bench.far.sent == TIDES


def test_leaving_the_rest_in_the_fifo_is_let_pass() -> None:
    """Who masks the receive interrupt with RTS down loses nothing while the FIFO has room."""
    bench = Bench()
    bench.heed_rts(talker(lag=14))
    keeper = Keeper(bench, mark=ROOM)

    def full() -> None:
        lower(bench)
        bench.io.write8(IER, 0x00)

    def read() -> bytes:
        with bench.cpu.interrupts_masked():
            found = keeper.read()
            bench.io.write8(IER, 0x01)
        return found

    bench.open(serving(bench, keeper, full), ier=0x01, fcr=0x07)
    bench.wait(2 * len(TIDES))
    assert bench.uart.receive_level >= 14
    for _ in range(8):
        bench.call("read", read)
        bench.wait(ROOM)
    bench.close()
    assert (late(bench), bench.books.unread) == ([], 0)


def test_a_driver_that_leaves_rts_alone_may_lose_and_count() -> None:
    """Without flow control of its own a driver loses what it has no room for, and is let pass."""
    bench = Bench()
    bench.heed_rts(talker())
    keeper = Keeper(bench, mark=ROOM)
    bench.open(serving(bench, keeper, lambda: None), ier=0x01)
    leave_alone_and_read(bench, keeper)
    assert late(bench) == []
    assert bench.errors.overrun > 0


def test_rts_that_falls_in_close_is_let_pass() -> None:
    """What comes while close runs is nobody's, so RTS may fall there without more ado."""
    bench = Bench()
    bench.heed_rts(talker())

    def close() -> None:
        lower(bench)
        bench.io.write8(IER, 0x00)
        bench.cpu.sleep(30 * LINE.character_s)

    bench.open(fcr=0x07)
    bench.wait(14)
    bench.call("close", close)
    assert bench.books.unread
    assert late(bench) == []


def test_rts_that_falls_in_loopback_is_let_pass() -> None:
    """Loopback takes the pin down; a self-test between two messages is no flow control."""
    bench = Bench()
    bench.heed_rts(talker())
    bench.open(fcr=0x07)
    bench.wait(15)
    bench.call("drain", lambda: bench.io.write8(MCR, READY | 0x10))
    bench.wait(10)
    bench.close()
    assert late(bench) == []


@pytest.mark.parametrize("on", [True, False])
def test_a_full_receiver_is_found_too(on: bool) -> None:
    """Who lowers RTS with the FIFO nearly full, and does not empty it, has an overrun there."""
    bench = Bench()
    bench.heed_rts(talker(lag=4))
    bench.open(fcr=0x07)
    bench.wait(14 if on else 8)
    bench.call("read", lambda: lower(bench))
    bench.wait(10)
    bench.close()
    assert len(late(bench)) == on
    assert bool(bench.books.overruns) is on


def test_a_second_fall_is_judged_like_the_first() -> None:
    """That all was well at the first fall does not hide what was lost at the second."""
    bench = Bench()
    bench.heed_rts(talker(lag=4))

    def take(count: int) -> bytes:
        return bytes(bench.io.read8(RBR) for _ in range(count) if bench.io.read8(LSR) & 1)

    def pause() -> None:
        bench.call("read", lambda: lower(bench))
        bench.wait(10)

    bench.open(fcr=0x07)
    bench.wait(6)
    pause()
    bench.call("read", lambda: take(16))
    bench.call("read", lambda: bench.io.write8(MCR, READY))
    bench.wait(14)
    pause()
    bench.close()
    assert len(late(bench)) == 1


def test_what_was_lost_before_hides_the_rest() -> None:
    """A driver that had lost something already is not accused of losing by flow control."""
    bench = Bench()
    bench.heed_rts(talker(lag=4))
    bench.open(fcr=0x07)
    bench.wait(20)
    bench.call("read", lambda: lower(bench))
    bench.wait(10)
    bench.close()
    assert bench.books.overruns > 4
    assert late(bench) == []


@pytest.mark.parametrize("spoilt_by", ["a fault", "a stall"])
def test_a_fault_or_a_stall_is_to_blame_instead(spoilt_by: str) -> None:
    """Where a fault has acted, or the processor was held up, nobody is accused."""
    bench = Bench()
    bench.heed_rts(talker(lag=4))
    bench.open(fcr=0x07)
    bench.wait(14)
    bench.call("read", lambda: lower(bench))
    bench.wait(10)
    if spoilt_by == "a fault":
        bench.calm = False
    else:
        bench.board.clock.stalled_ps += 1
    bench.close()
    assert bench.books.overruns
    assert late(bench) == []


def test_without_a_lag_nothing_is_watched() -> None:
    """A far end that stops at once leaves even the latest fall without a finding."""
    bench = Bench()
    bench.heed_rts(talker(lag=0))
    keeper = Keeper(bench, mark=ROOM)
    bench.open(serving(bench, keeper, lambda: lower(bench)), ier=0x01, fcr=0x07)
    leave_alone_and_read(bench, keeper)
    assert late(bench) == []


def test_a_run_that_is_cut_off_proves_nothing() -> None:
    """Before close nothing is judged: what is missing may still be returned."""
    bench = Bench()
    bench.heed_rts(talker())
    keeper = Keeper(bench, mark=ROOM)
    bench.open(serving(bench, keeper, lambda: lower(bench)), ier=0x01)
    bench.wait(2 * len(TIDES))
    assert late(bench) == []
    again = Bench()
    bad_flow_control_late(again)
    assert len(late(again)) == 1


def test_what_stays_in_the_receiver_is_not_lost() -> None:
    """A driver that never fetches what came after the fall has another mistake than this."""
    bench = Bench()
    bench.heed_rts(talker(lag=4))
    bench.open(fcr=0x07)
    bench.wait(4)
    bench.call("read", lambda: lower(bench))
    bench.wait(10)
    bench.call("close", lambda: bench.io.write8(IER, 0x00))
    assert bench.books.unread == bench.uart.receive_level > 4
    assert late(bench) == []


# invited-before-set


def early(plan: FarEndPlan, code: Callable[[Bench], None], *, calm: bool = True) -> list[Finding]:
    """Return what is found of an invitation that comes too early."""
    bench = Bench()
    bench.heed_rts(plan)
    bench.calm = calm
    bench.open_with(lambda: code(bench))
    bench.far.opened()
    bench.wait(20)
    bench.close()
    return [one for one in bench.finish() if one.rule == "invited-before-set"]


def invite(bench: Bench) -> None:
    """Raise RTS, wait for four characters, then set the line."""
    bench.io.write8(MCR, READY)
    bench.cpu.sleep(4 * LINE.character_s)
    set_line(bench)


def test_the_finding_says_how_soon_an_answer_came() -> None:
    """The message says how long after RTS the first character began."""
    plan = FarEndPlan(kind="source", data=TIDES, flow=True, eager=True, start_ps=100_000_000)
    (one,) = early(plan, invite)
    assert "a character began 100 us later" in one.message
    assert one.register == "telemetry.MCR"


def test_a_window_in_which_nothing_comes_is_let_pass() -> None:
    """RTS just before the divisor does no harm if the far end takes longer to answer."""
    plan = FarEndPlan(kind="source", data=TIDES, flow=True, eager=True, start_ps=500_000_000)
    assert early(plan, invite) == []


def test_a_far_end_that_waits_for_open_is_let_pass() -> None:
    """One that is not eager says nothing while open runs."""
    assert early(FarEndPlan(kind="source", data=TIDES, flow=True), invite) == []


def test_settings_that_were_there_already_are_let_pass() -> None:
    """Writing again what is in force harms nothing that comes."""

    def code(bench: Bench) -> None:
        set_line(bench)
        invite(bench)

    assert early(talker(), code) == []


def test_rts_in_loopback_invites_nobody() -> None:
    """In loopback the pin stays down, whatever MCR says."""

    def code(bench: Bench) -> None:
        bench.io.write8(MCR, READY | 0x10)
        bench.cpu.sleep(4 * LINE.character_s)
        set_line(bench)
        bench.io.write8(MCR, READY)

    assert early(talker(), code) == []


def test_rts_that_was_up_before_is_let_pass() -> None:
    """A far end that a predecessor has invited is not this driver's guest."""

    def code(bench: Bench) -> None:
        set_line(bench)

    bench = Bench()
    bench.io.write8(MCR, READY)
    bench.heed_rts(talker())
    bench.open_with(lambda: code(bench))
    bench.far.opened()
    bench.wait(20)
    bench.close()
    assert bench.finish() == []
    assert len(bench.far.sent) > 16


def test_nobody_is_accused_while_a_fault_acts() -> None:
    """A fault can make a driver set the line again."""
    assert early(talker(), invite, calm=False) == []


def test_a_far_end_that_was_stopped_goes_on_as_it_is_invited() -> None:
    """In a later open, too, RTS comes last: the far end has more to say than it could."""
    bench = Bench()
    bench.heed_rts(talker())
    bench.open(fcr=0x07)
    bench.wait(4)
    bench.call("close", lambda: lower(bench))
    bench.wait(10)

    def again() -> None:
        bench.io.write8(MCR, READY)
        bench.cpu.sleep(2 * LINE.character_s)
        for register, value in ((LCR, 0x83), (DLL, 12), (LCR, 0x03)):
            bench.io.write8(register, value)

    bench.open_with(again)
    assert "invited-before-set" in {one.rule for one in bench.finish()}


def test_a_receiver_without_a_rate_hears_nothing() -> None:
    """What the early invitation costs: the first characters are not what was sent."""
    bench = Bench()
    bad_invited_before_set(bench)
    assert bench.books.arrived_count < len(bench.far.sent)
