"""An armed plan records everything, repeats exactly, and says what it made impossible."""

from __future__ import annotations

import pytest

from emu.errors import InputError
from emu.faults.arm import arm
from emu.faults.kind import OCCASIONS
from emu.faults.kinds import FAULT_KINDS
from emu.faults.log import MOST_INJECTIONS
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.faults.target import TARGETS
from emu.faults.waiver import PROMISES
from emu.kernel.bus import BusError
from emu.kernel.journal import AGAIN
from tests.unit.faults_bench import IER, LCR, LSR, MCR, MS_PS, SCR, Bench


def test_every_injection_is_recorded_with_time_fault_and_detail() -> None:
    """The list says when, which fault, and what with values."""
    bench = Bench(
        fault("dropped-write", "telemetry.LCR"), fault("flip-on-read", "telemetry.SCR", mask=4)
    )
    bench.wait(MS_PS)

    bench.io.read8(SCR)
    bench.io.write8(3, 0x80)

    first, second = bench.armed.injections
    assert (first.time_ps, first.fault) == (MS_PS, 1)
    assert first.detail == "SCR read 0x04 instead of 0x00"
    assert (second.fault, second.detail) == (0, "LCR write of 0x80 lost")
    assert bench.counts == (1, 1)


def test_the_tape_holds_every_injection_and_equal_ones_as_a_count() -> None:
    """Five equal injections are an entry and "four more", with the fault as source."""
    bench = Bench(fault("never-ready", "telemetry.LSR.THRE"))

    for _ in range(5):
        bench.io.read8(LSR)

    first, more = bench.tape()
    assert first[2:] == (0, "LSR read 0x40 instead of 0x60")
    assert more[2:] == (AGAIN, 4)
    source = bench.board.journal.sources[int(first[1])]
    assert (source.kind, source.name) == ("fault", "never-ready telemetry.LSR.THRE")


def test_the_list_is_bounded_and_the_counts_are_not() -> None:
    """A long run keeps the first injections and an exact number."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR", mask=1))

    for _ in range(MOST_INJECTIONS + 5):
        bench.io.read8(SCR)

    assert len(bench.armed.injections) == MOST_INJECTIONS
    assert bench.counts == (MOST_INJECTIONS + 5,)


def test_a_plan_that_nothing_meets_injects_nothing() -> None:
    """Faults on what is never touched leave no trace in time, tape or counts."""
    plain = Bench()
    bench = Bench(
        fault("stuck-field", "telemetry.LSR.THRE", value=0),
        fault("bus-error", "telemetry.MSR"),
        fault("framing-error", "telemetry"),
        fault("lost-interrupt", "telemetry.irq"),
    )

    for one in (plain, bench):
        one.io.write8(SCR, 0x55)
        one.wait(MS_PS)

    assert bench.counts == (0, 0, 0, 0)
    assert bench.armed.injections == bench.tape() == []
    assert bench.armed.waivers() == {}
    assert bench.armed.last_active_ps == -1
    assert bench.board.clock.now_ps == plain.board.clock.now_ps


def test_the_same_seed_gives_the_same_injections() -> None:
    """Two runs agree in every time and detail, a third with another seed does not."""

    def run(seed: int) -> list[object]:
        bench = Bench(
            fault("flip-on-read", "telemetry.SCR", probability="20 %"),
            fault("noise", "telemetry.sin", per_second=3000, until="5 ms"),
            seed=seed,
        )
        for _ in range(100):
            bench.io.read8(SCR)
            bench.wait(MS_PS // 10)
        return list(bench.armed.injections)

    assert run(1) == run(1) != run(2)


def test_a_fault_draws_alike_whatever_stands_beside_it() -> None:
    """Each fault has a generator of its own, so another fault does not shift its chances."""
    chance = fault("flip-on-read", "telemetry.SCR", mask=1, probability="1/2")

    def values(bench: Bench) -> list[int]:
        return [bench.io.read8(SCR) for _ in range(50)]

    alone = values(Bench(chance))
    beside = values(Bench(chance, fault("flip-on-read", "telemetry.LSR", probability="1/2")))

    assert alone == beside


def test_start_counts_once() -> None:
    """A driver that opens again does not open the windows again."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR", mask=1, until="1 ms"))

    bench.wait(2 * MS_PS)
    bench.armed.start()

    assert bench.io.read8(SCR) == 0


def test_acting_and_pending_follow_the_window() -> None:
    """A fault is pending until its window ends, and acts inside of it."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR", mask=1, start="1 ms", until="2 ms"))
    seen = []
    for _ in range(3):
        bench.io.read8(SCR)
        seen.append((bench.armed.acting(), bench.armed.pending))
        bench.wait(MS_PS)

    assert seen == [(False, True), (True, True), (False, False)]
    assert MS_PS <= bench.armed.last_active_ps < 2 * MS_PS


def test_a_plan_that_does_not_fit_is_refused_with_every_flaw() -> None:
    """All that is wrong is said at once, each with the fault concerned."""
    plan = FaultPlan.of(
        [
            fault("stuck-field", "telemetry.LSR.THRR", value=0),
            fault("dropped-write", "telemetri.LCR"),
        ]
    )

    with pytest.raises(InputError) as caught:
        arm(plan, Bench().board)

    text = str(caught.value)
    assert "stuck-field on telemetry.LSR.THRR" in text
    assert "did you mean 'THRE'?" in text
    assert "did you mean 'telemetry'?" in text


def test_a_drift_needs_a_far_end() -> None:
    """A line with nothing on it that has a clock is refused, and those that have are named."""
    plan = FaultPlan.of([fault("baud-drift", "telemetry.sin", to="1 %")])

    with pytest.raises(
        InputError, match=r"nothing with a clock of its own hangs on telemetry\.sin"
    ):
        arm(plan, Bench().board, far_ends={})


# waivers

MSR = 6


def test_a_hidden_error_flag_excuses_the_count_of_errors() -> None:
    """Reading clears FE, so a flip that hides it makes counting it impossible, for good."""
    bench = Bench(fault("flip-on-read", "telemetry.LSR.FE", count=1))
    bench.io.read8(LSR)
    bench.wait(MS_PS)

    waived = bench.armed.waivers(bench.board.clock.now_ps)

    assert sorted(waived) == ["errors", "loss"]
    reason = "error flags were hidden or made up, and a read clears what it hid"
    assert waived["errors"] == [f"flip-on-read on telemetry.LSR.FE: {reason}"]


def test_a_bit_that_no_promise_hangs_on_excuses_nothing() -> None:
    """A flipped ring indicator is no excuse, nor is a write to a register that takes none."""
    bench = Bench(
        fault("flip-on-read", "telemetry.MSR.RI"), fault("dropped-write", "telemetry.MSR")
    )
    bench.io.read8(MSR)
    bench.io.write8(MSR, 1)

    assert bench.counts == (1, 1)
    assert bench.armed.waivers() == {}


def test_an_access_refused_once_is_no_excuse_where_a_second_try_helps() -> None:
    """A bus error tells the driver, which can try again; a character that is lost tells nobody."""
    once = Bench(fault("bus-error", "telemetry.LSR", count=1))
    always = Bench(fault("bus-error", "telemetry.LSR"))
    character = Bench(fault("dropped-write", "telemetry.THR", count=1))
    for bench in (once, always):
        with pytest.raises(BusError):
            bench.io.read8(LSR)
    character.io.write8(0, 3)

    assert once.armed.waivers() == {}
    assert sorted(always.armed.waivers()) == ["drain", "errors", "loss", "sent", "start"]
    assert sorted(character.armed.waivers()) == ["drain", "sent"]


@pytest.mark.parametrize(
    ("kind", "register", "promises"),
    [
        ("dropped-write", "LCR", "drain errors loss order quiet sent start"),
        ("dropped-write", "IER", "drain errors loss quiet sent start"),
        ("dropped-write", "DLL", "drain errors loss sent start"),
        ("flip-on-read", "MCR", "drain errors loss order sent start"),
    ],
)
def test_a_setting_lost_once_excuses_what_hangs_on_it(
    kind: str, register: str, promises: str
) -> None:
    """A driver need not read back what it writes, and may change a bit by reading first."""
    bench = Bench(fault(kind, f"telemetry.{register}", count=1))
    bench.io.write8(LCR, 0x80 if register == "DLL" else 0x03)
    offset = {"LCR": LCR, "IER": IER, "DLL": 0, "MCR": MCR}[register]
    bench.io.write8(offset, 1)
    bench.io.read8(offset)

    assert bench.counts == (1,)
    assert " ".join(sorted(bench.armed.waivers())) == promises
    assert bench.armed.estranged("telemetry")


def test_a_setting_that_was_lost_is_lost_until_the_port_is_opened_again() -> None:
    """A session that began before the fault is excused for good, one that began later is not."""
    bench = Bench(fault("dropped-write", "telemetry.LCR", until="1 ms"))
    bench.io.write8(LCR, 3)
    bench.wait(2 * MS_PS)

    assert "start" in bench.armed.waivers(0, MS_PS)
    assert "sent" in bench.armed.waivers(2 * MS_PS, opened_ps=0)
    assert bench.armed.waivers(2 * MS_PS, opened_ps=2 * MS_PS) == {}


def test_hampering_ends_with_the_fault() -> None:
    """What could not be asked while the bus failed can be asked afterwards."""
    bench = Bench(fault("bus-error", "telemetry.LSR", until="1 ms"))
    with pytest.raises(BusError):
        bench.io.read8(LSR)
    bench.wait(2 * MS_PS)

    assert "drain" in bench.armed.waivers(0, MS_PS)
    assert bench.armed.waivers(2 * MS_PS) == {}
    assert not bench.armed.estranged("telemetry")


def test_a_fault_of_another_device_is_no_excuse() -> None:
    """A driver answers for its own device, but an interrupt that never ends is everybody's."""
    bench = Bench(
        fault("dropped-write", "telemetry.THR"), fault("stuck-interrupt", "telemetry.irq")
    )
    bench.io.write8(0, 3)
    bench.wait(1)

    assert sorted(bench.armed.waivers(device="telemetry")) == ["drain", "quiet", "sent", "time"]
    assert sorted(bench.armed.waivers(device="console")) == ["time"]


def test_a_stopped_device_hampers_sending_only_while_it_stands() -> None:
    """The effect counts, not just the moment at which it began."""
    bench = Bench(fault("device-stops", "telemetry", start="1 ms", until="5 ms"))
    bench.wait(10 * MS_PS)

    assert list(bench.armed.waivers(4 * MS_PS, 4 * MS_PS)) == ["sent"]
    assert bench.armed.waivers(6 * MS_PS) == {}
    assert bench.armed.waivers(0, MS_PS // 2) == {}


def test_recovery_is_never_waived() -> None:
    """Whatever the fault, once it has ended traffic must flow again."""
    promises = {waiver.promise for kind in FAULT_KINDS.values() for waiver in kind.waives}

    assert "recovery" not in promises


@pytest.mark.parametrize("name", sorted(FAULT_KINDS))
def test_each_kind_is_fully_declared(name: str) -> None:
    """Names, words and defaults are such that a loader and a report can be made from them."""
    kind = FAULT_KINDS[name]

    assert name == kind.name == kind.name.lower()
    assert kind.meaning
    assert "\n" not in kind.meaning
    assert kind.targets
    assert set(kind.targets) <= set(TARGETS)
    assert kind.occasion in OCCASIONS
    assert {one.promise for one in kind.waives} <= set(PROMISES)
    assert all(one.reason and one.tries >= 1 for one in kind.waives)
    assert len({one.name for one in kind.parameters}) == len(kind.parameters)
