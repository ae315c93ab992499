"""Computed against simulated: the example drivers on the real models."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers_example.bit_banged import BitBanged
from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.level_driver import LevelDriver
from drivers_example.polled import PolledDriver
from emu.errors import InputError
from emu.kernel.board import CpuSettings
from emu.kernel.clock import PS_PER_S
from emu.sizing.bench import Bench
from emu.sizing.bench_board import Setting
from emu.sizing.computed import compute
from emu.sizing.drivers import driver_for
from emu.sizing.handler import estimated
from emu.sizing.handler_trial import measured_handler
from emu.sizing.strategies import BIT_BANGED, DMA, INTERRUPTS, POLLED, Strategy, strategies_of
from emu.sizing.study import Study, simulate, study
from emu.sizing.workload import Dma, Masked, Neighbour, Traffic, Workload
from emu.units import LineSettings

QUIET = Workload(others=(), masked=Masked(0))
WORKLOADS = {
    "the defaults": Workload(),
    "alone": QUIET,
    "slow line": Workload(line=LineSettings(9600)),
    "fast line": Workload(line=LineSettings(921_600)),
    "bursts": Workload(traffic=Traffic("bursty")),
    "short bursts": Workload(traffic=Traffic("bursty", 0.3, 10)),
    "at random": Workload(traffic=Traffic("random")),
    "deep FIFO": Workload(fifo=64, line=LineSettings(460_800)),
    "slow processor": Workload(cpu=CpuSettings(clock_hz=8_000_000, nesting=True)),
    "parity": Workload(line=LineSettings(38_400, 7, "even", 2)),
}


@pytest.fixture(scope="module", params=list(WORKLOADS))
def found(request: pytest.FixtureRequest) -> Study:
    """Return one workload computed and simulated."""
    return study(WORKLOADS[request.param])


@pytest.mark.slow
def test_computed_and_simulated_load_agree(found: Study) -> None:
    """Wherever arithmetic says that nothing is lost, the loads are within 5 % of each other."""
    held = [row for row in found.rows if row.computed.loss == 0 and row.measured]

    assert len(held) >= 4
    for row in held:
        assert row.difference is not None
        assert abs(row.difference) <= 0.05, row.strategy.name


@pytest.mark.slow
def test_simulated_loss_and_latency_keep_to_what_is_computed(found: Study) -> None:
    """Nothing is lost where nothing should be, and nothing comes later than the bound."""
    for row in found.rows:
        if row.measured is not None and row.computed.loss == 0:
            assert row.measured.loss == 0, row.strategy.name
            assert row.computed.worst_latency_s is not None
            assert 0 < row.measured.worst_latency_s <= row.computed.worst_latency_s + 1e-12


@pytest.mark.slow
def test_accesses_and_interrupts_agree(found: Study) -> None:
    """Counted accesses and interrupts are the simulated ones, within 5 %."""
    for row in found.rows:
        if row.measured is None or row.computed.loss != 0:
            continue
        computed, measured = row.computed, row.measured
        assert measured.accesses_per_byte == pytest.approx(computed.accesses_per_byte, rel=0.05)
        assert measured.interrupts_hz == pytest.approx(computed.interrupts_hz, rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["the defaults", "alone", "bursts", "slow processor"])
def test_nothing_is_lost_at_the_highest_rate(name: str) -> None:
    """At the rate up to which each way goes by arithmetic, the simulation loses no character."""
    workload = WORKLOADS[name]
    for strategy in strategies_of(workload):
        baud = compute(workload, strategy, estimated(workload)).highest_baud
        there = replace(workload, line=LineSettings(baud))
        row = simulate(there, strategy, compute(there, strategy, estimated(there)))

        assert row.computed.loss == 0
        if row.measured is not None:
            assert row.measured.loss == 0, strategy.name


@pytest.mark.slow
@pytest.mark.parametrize("name", ["the defaults", "alone", "fast line", "at random"])
def test_mean_latencies_agree(name: str) -> None:
    """Where nothing is lost, mean latencies are the simulated ones within a tenth.

    Polling without a rest and engines ask too rarely in a run to meet often what else goes on.
    """
    for row in study(WORKLOADS[name]).rows:
        lost = row.computed.loss != 0 or row.strategy.kind in (POLLED, DMA)
        if row.measured is not None and not lost:
            mean_s = row.measured.mean_latency_s
            assert mean_s == pytest.approx(row.computed.mean_latency_s, rel=0.1), row.strategy.name


@pytest.mark.slow
@pytest.mark.parametrize(
    "workload",
    [
        # a handler that takes more time than the one character that asks for it
        Workload(CpuSettings(clock_hz=8_000_000, entry_cycles=46, exit_cycles=55), 19,
                 LineSettings(921_600), Traffic("bursty", 0.2, 60), others=(), masked=Masked(0)),
        # a time-out after which the next character is near
        Workload(CpuSettings(clock_hz=4_000_000, entry_cycles=49, exit_cycles=6), 15,
                 traffic=Traffic("steady", 0.2), fifo=64, masked=Masked(0),
                 others=(Neighbour(2173 * 10**6, 1175),)),
        # lower priorities give way to a handler that may interrupt theirs
        Workload(CpuSettings(16_000_000, 37, 45, nesting=True), 3, LineSettings(921_600), fifo=64,
                 others=(Neighbour(417 * 10**6, 1037, above=False),), masked=Masked(0)),
        # bursts so short that several come within the time of moderation
        Workload(CpuSettings(1_000_000, 30, 50), 6, traffic=Traffic("bursty", 0.7, 1),
                 others=(), masked=Masked(0)),
    ],
)  # fmt: skip
def test_rows_grow_where_more_comes_meanwhile(workload: Workload) -> None:
    """What an interrupt brings, and so the load, is right where characters pile up, within 5 %."""
    for row in study(workload).rows:
        if row.measured and row.strategy.interrupts and row.computed.loss == 0:
            assert row.difference == pytest.approx(0, abs=0.05), row.strategy.name


@pytest.mark.slow
def test_simulated_loss_stays_below_the_computed_one() -> None:
    """Computed losses are on the safe side: faster than can be served, in each kind of traffic."""
    slow = replace(QUIET, cpu=CpuSettings(clock_hz=4_000_000), access_cycles=30,
                   line=LineSettings(921_600))  # fmt: skip
    for traffic in (Traffic(), Traffic("random", 0.8), Traffic("bursty", 0.5)):
        lost = [
            (row.measured.loss, row.computed.loss, row.strategy.name)
            for row in study(replace(slow, traffic=traffic)).rows
            if row.measured and row.strategy.interrupts
        ]
        assert len(lost) == 6
        for measured, computed, name in lost:
            assert computed is not None
            assert 0 < measured <= computed, name


@pytest.mark.slow
@pytest.mark.parametrize("level", [1, 8, 14])
def test_loss_in_masked_sections_agrees_with_the_sum(level: int) -> None:
    """Sections of 2 ms that a FIFO of 16 does not survive lose what is computed, within a tenth.

    A section leaves the FIFO empty, so the level at the next depends on how many characters lie
    between; the sum is for any level alike, so periods with each number between are tried.
    """
    driver = type("Level", (LevelDriver,), {"level": level})
    strategy, lost, expected = Strategy(INTERRUPTS, "", 16, level), 0.0, 0.0
    for number in range(level):
        masked = Masked(2 * 10**9, 10_370 * 10**6 + number * QUIET.line.character_ps)
        workload = replace(QUIET, masked=masked)
        lost += Bench(workload, Setting(), driver, count=1200, seed=number).run().loss
        expected += compute(workload, strategy, estimated(workload)).loss or 0

    assert expected > 0
    assert lost == pytest.approx(expected, rel=0.1)


def test_bit_banging_receives_115200_8n1_at_the_computed_load() -> None:
    """115200 8N1 is received without an error at 50 MHz, and the load is computed within 5 %."""
    strategy = Strategy(BIT_BANGED, "bit-banged")
    measured = Bench(QUIET, Setting("gpio"), BitBanged, count=300).run()
    computed = compute(QUIET, strategy, estimated(QUIET))

    assert measured.loss == 0
    assert measured.characters == 300
    assert measured.load == pytest.approx(computed.load, rel=0.05)
    assert measured.accesses_per_byte == pytest.approx(computed.accesses_per_byte, rel=0.01)


def test_a_handler_that_is_too_long_spoils_bit_banging() -> None:
    """Another handler that takes longer than what is left behind a sample costs characters."""
    workload = replace(QUIET, others=(Neighbour(700 * 10**6, 400),))
    measured = Bench(workload, Setting("gpio"), BitBanged, count=300).run()

    assert measured.loss > 0
    assert compute(workload, Strategy(BIT_BANGED, ""), estimated(workload)).loss is None


def test_what_others_take_is_not_counted_as_the_drivers() -> None:
    """Other handlers and masked sections leave the driver's own load as it is."""
    busy = replace(QUIET, others=(Neighbour(300 * 10**6, 900),), masked=Masked(10**7, 10**9))
    alone = Bench(QUIET, Setting(), LevelDriver, count=400).run()
    among = Bench(busy, Setting(), LevelDriver, count=400).run()

    assert among.load == pytest.approx(alone.load, rel=0.01)
    assert among.worst_latency_s > 2 * alone.worst_latency_s


def test_a_run_is_the_same_every_time() -> None:
    """The same seed gives the same figures, another one other moments."""
    runs = [
        Bench(Workload(traffic=Traffic("random")), Setting(), LevelDriver, count=200, seed=seed)
        for seed in (4, 4, 5)
    ]
    one, again, other = (bench.run() for bench in runs)

    assert one == again != other


def test_a_program_that_gets_no_time_ends_the_run() -> None:
    """Handlers that take everything leave a measurement, not a bench that hangs."""
    workload = replace(QUIET, others=(Neighbour(10**7, 900, above=False),))
    measured = Bench(workload, Setting(), LevelDriver, count=100).run()

    assert measured.characters == 100


@pytest.mark.parametrize("depth", [1, 16, 64])
def test_a_measured_handler_is_the_one_that_was_counted(depth: int) -> None:
    """The handler that the estimate counts is measured to cost just that."""
    level = {1: 1, 16: 8, 64: 32}[depth]
    driver = type("Level", (LevelDriver,), {"depth": depth, "level": level})
    workload = replace(Workload(), fifo=depth)
    cost, strategy = measured_handler(workload, driver, "Level")
    guess = estimated(workload)

    assert (strategy.depth, strategy.trigger) == (depth, level)
    assert cost.of(level) == pytest.approx(guess.of(level))
    assert cost.first_s == pytest.approx(guess.first_s)
    if depth > 1:
        assert (cost.fixed_s, cost.byte_s) == pytest.approx((guess.fixed_s, guess.byte_s))
        assert cost.fixed_accesses == pytest.approx(2)


def test_a_drivers_own_row_agrees_with_its_measured_handler() -> None:
    """A driver that reads a whole row after one look costs less, computed and simulated alike."""
    workload = Workload()
    cost, strategy = measured_handler(workload, InterruptDriver, "InterruptDriver")
    rows = study(workload, cost=cost, own=(strategy, InterruptDriver)).rows

    assert strategy.trigger == 14
    assert rows[-1].strategy is strategy
    assert rows[-1].difference == pytest.approx(0, abs=0.01)
    assert rows[-1].computed.load < 0.7 * estimated(workload).of(14) / 14 * workload.rate_hz
    assert all(row.measured is None for row in rows[:-1] if row.strategy.interrupts)


class Raising(LevelDriver):
    """A driver that cannot be opened."""

    def open(self, line: LineSettings) -> None:
        raise ZeroDivisionError("no clock")


class Spinning(LevelDriver):
    """A driver whose handler runs and runs without touching the bench."""

    def _take(self) -> int:
        while self._is_open:
            pass
        return super()._take()


class Asleep(LevelDriver):
    """A driver that sleeps for ever."""

    def open(self, line: LineSettings) -> None:
        self._cpu.wait_for_interrupt()


@pytest.mark.parametrize(
    ("driver", "why"),
    [
        (PolledDriver, "no handler to measure"),
        (Raising, "ZeroDivisionError: no clock"),
        (Asleep, "the processor sleeps and nothing is scheduled"),
        pytest.param(Spinning, "simulated time has stood still", marks=pytest.mark.slow),
    ],
)
def test_a_driver_that_cannot_be_measured_is_refused(driver: type, why: str) -> None:
    """A driver without a handler, or that fails, is told in one message."""
    with pytest.raises(InputError, match=why):
        measured_handler(Workload(), driver, driver.__name__)


class Fragile(LevelDriver):
    """A driver that fails when something is lost."""

    def _count(self, status: int) -> None:
        raise OverflowError("a gauge reading is lost")


def test_a_driver_that_fails_under_load_has_a_row_that_says_so() -> None:
    """What the user's driver raises stands in its row, and the other rows are there."""
    workload = replace(QUIET, line=LineSettings(921_600), masked=Masked(10**9, 10**10))
    cost, strategy = measured_handler(workload, Fragile, "Fragile")
    rows = study(workload, cost=cost, own=(strategy, Fragile)).rows

    assert rows[-1].measured is None
    assert rows[-1].note == "it raised OverflowError: a gauge reading is lost"
    assert rows[0].measured is not None


def test_a_measured_handler_is_not_held_against_other_drivers() -> None:
    """Ways that are computed from a measured handler are not simulated with another one."""
    cost, _ = measured_handler(QUIET, InterruptDriver, "InterruptDriver")
    rows = study(QUIET, cost=cost).rows

    assert [row.measured is None for row in rows if row.strategy.interrupts] == [True] * 6
    assert any(row.measured for row in rows)


def test_what_would_take_long_is_computed_only() -> None:
    """A line on which hardly anything comes is not waited for, however slow it is."""
    for workload in (Workload(line=LineSettings(1)), Workload(traffic=Traffic("random", 1e-6))):
        rows = study(workload).rows
        assert [row.measured for row in rows] == [None] * len(rows)
        assert all(row.note for row in rows)


def test_what_the_engine_of_the_bench_cannot_do_is_computed_only() -> None:
    """A block longer than its counter, or another count of accesses, is told in the row."""
    for dma, why in ((Dma(65_536), "up to 65535"), (Dma(accesses=9), "makes 6 accesses")):
        (row,) = [one for one in study(replace(QUIET, dma=dma)).rows if one.strategy.kind == DMA]
        assert row.measured is None
        assert row.computed.load > 0
        assert why in row.note


@pytest.mark.parametrize("fifo", [1, 16, 64])
@pytest.mark.parametrize("block", [1, 2, 16, 200])
def test_an_engine_of_any_block_agrees(fifo: int, block: int) -> None:
    """Load, accesses and interrupts of an engine are the computed ones to a part in a thousand."""
    workload = replace(QUIET, fifo=fifo, dma=Dma(block))
    strategy = strategies_of(workload)[-1]
    row = simulate(workload, strategy, compute(workload, strategy, estimated(workload)))
    computed, measured = row.computed, row.measured

    assert measured is not None
    assert measured.loss == 0
    assert measured.load == pytest.approx(computed.load, rel=1e-3)
    assert measured.accesses_per_byte == pytest.approx(computed.accesses_per_byte, rel=1e-3)
    assert measured.interrupts_hz == pytest.approx(computed.interrupts_hz, rel=1e-3)
    assert measured.mean_latency_s == pytest.approx(computed.mean_latency_s, rel=1e-3)


@pytest.mark.parametrize(("share", "is_lost"), [(0.99, False), (1.2, True)])
def test_an_engine_survives_what_it_is_said_to(share: float, is_lost: bool) -> None:
    """Masked sections of what is tolerable lose nothing, wherever they begin; longer ones do."""
    workload = replace(QUIET, dma=Dma(16))
    strategy = strategies_of(workload)[-1]
    tolerable_s = compute(workload, strategy, estimated(workload)).tolerable_s
    length_ps, lost = round(share * tolerable_s * PS_PER_S), 0.0
    for number in range(16):  # the section begins at another place in a block each time
        period_ps = 3 * length_ps + number * workload.line.character_ps
        held_up = replace(workload, masked=Masked(length_ps, period_ps))
        driver, setting = driver_for(strategy)
        lost += Bench(held_up, setting, driver, count=320, seed=number).run().loss

    assert (lost > 0) == is_lost


def test_loss_of_an_engine_agrees_with_the_sum() -> None:
    """Sections of 5 ms that two blocks and the FIFO do not survive lose what is computed."""
    lost = expected = 0.0
    for number in range(4):
        character_ps = QUIET.line.character_ps
        masked = Masked(5 * 10**9, (288 + 4 * number) * character_ps)
        workload = replace(QUIET, masked=masked, dma=Dma(16))
        strategy = strategies_of(workload)[-1]
        driver, setting = driver_for(strategy)
        lost += Bench(workload, setting, driver, count=10 * 288, seed=number).run().loss
        expected += compute(workload, strategy, estimated(workload)).loss or 0

    assert expected > 0
    assert lost == pytest.approx(expected, rel=0.15)
