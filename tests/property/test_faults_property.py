"""Random fault plans never break the machine: time adds up, and drivers see bus errors at most."""

from __future__ import annotations

import random
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from emu.devices.uart16550_map import REGISTERS
from emu.errors import RunEnded
from emu.faults.check import check
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultPlan, FaultSpec
from emu.faults.spell import fault
from emu.kernel.bus import BusError
from tests.unit.faults_bench import Bench

MS_PS = 10**9

_DEVICES = ("telemetry",)
_FIELDS = [f"telemetry.{one.name}.{bits.name}" for one in REGISTERS for bits in one.fields]
_TARGETS = {
    "field": st.sampled_from(_FIELDS),
    "register": st.sampled_from([f"telemetry.{one.name}" for one in REGISTERS]),
    "device": st.sampled_from(_DEVICES),
    "irq": st.just("telemetry.irq"),
    "line": st.sampled_from(["telemetry.sin", "telemetry.sout"]),
    "cpu": st.just("cpu"),
}
_TIMES = st.integers(0, 4 * MS_PS).map(lambda ps: f"{ps} ps")
_SETTINGS: dict[str, st.SearchStrategy[object]] = {
    "value": st.integers(0, 255),
    "mask": st.integers(0, 255),
    "busy_for": _TIMES,
    "busy_field": st.sampled_from(["", "LSR.TEMT", "LSR.DR"]),
    "busy_value": st.integers(0, 1),
    "access": st.sampled_from(["any", "read", "write"]),
    "reads": st.integers(0, 5),
    "delay": _TIMES,
    "every": st.integers(5 * MS_PS, 9 * MS_PS).map(lambda ps: f"{ps} ps"),
    "duration": st.integers(1, 4 * MS_PS).map(lambda ps: f"{ps} ps"),
    "per_second": st.integers(1, 5000),
    "width": st.integers(1, 10**7).map(lambda ps: f"{ps} ps"),
    "to": st.sampled_from(["1 %", "-3 %", "+9 %"]),
    "over": _TIMES,
}


@st.composite
def specs(draw: st.DrawFn) -> FaultSpec:
    """Draw a fault of any kind on a target of the right sort, with any window."""
    kind = FAULT_KINDS[draw(st.sampled_from(sorted(FAULT_KINDS)))]
    target = draw(_TARGETS[draw(st.sampled_from(kind.targets))])
    own = {one.name: draw(_SETTINGS[one.name]) for one in kind.parameters}
    if kind.name == "stuck-field":
        own["value"] = draw(st.integers(0, 1))
    if len(target.split(".")) == 3:
        own.pop("mask", None)
    start = draw(st.one_of(st.just(0), st.integers(0, 4 * MS_PS)))
    # A line that is stuck for long keeps the processor in the handler, which ends the run.
    lasting = (10**6, 2 * 10**8) if kind.name == "stuck-interrupt" else (1, 6 * MS_PS, None)
    length = draw(st.sampled_from(lasting))
    return fault(
        kind.name,
        target,
        start=f"{start} ps",
        until=None if length is None else f"{start + length} ps",
        first=draw(st.integers(1, 4)),
        count=draw(st.one_of(st.none(), st.integers(1, 4))),
        probability=draw(st.sampled_from(["100 %", "50 %", "1/3"])),
        **own,
    )


PLANS = st.lists(specs(), max_size=4)


def drive(bench: Bench, seed: int, steps: int = 80) -> list[object]:
    """Read and write registers at random, sleep, mask and receive; return what was seen."""
    generator = random.Random(f"driver {seed}")
    io, cpu, clock = bench.io, bench.board.cpu, bench.board.clock
    seen: list[object] = []

    def handler() -> None:
        with suppress(BusError):
            io.write8(3, 0x03)
        for offset in (2, 5, 0, 6):
            try:
                seen.append(io.read8(offset))
            except BusError:
                seen.append("bus error")

    cpu.connect(5, handler)
    before_ps = clock.now_ps
    for _ in range(steps):
        try:
            step(bench, generator, seen)
        except BusError:
            seen.append("bus error")
        assert clock.now_ps >= before_ps
        before_ps = clock.now_ps
    return seen


def step(bench: Bench, generator: random.Random, seen: list[object]) -> None:
    """Do one thing that drivers do."""
    io, cpu = bench.io, bench.board.cpu
    match generator.randrange(6):
        case 0 | 1:
            seen.append(io.read8(generator.randrange(8)))
        case 2:
            io.write8(generator.choice((0, 1, 2, 3, 4, 7)), generator.randrange(256))
        case 3:
            cpu.sleep(generator.randrange(400) / 10**6)
        case 4:
            bench.far.say(generator.randbytes(3))
            with cpu.interrupts_masked():
                cpu.work(generator.randrange(5000))
        case _:
            cpu.wait_for_interrupt(generator.randrange(200) / 10**6)


def run(plan: list[FaultSpec], seed: int) -> tuple[Bench, list[object]]:
    """Run a random driver on a bench with a plan, to the end of its windows."""
    bench = Bench(*plan, seed=seed, start=False)
    bench.armed.before_open()
    bench.armed.start()
    bench.set_up_quietly()
    seen = drive(bench, seed)
    bench.wait(20 * MS_PS)
    return bench, seen


def fits(plan: list[FaultSpec]) -> bool:
    """Say whether a plan fits the bench."""
    return not check(FaultPlan.of(plan), Bench().board)


ENOUGH = settings(max_examples=100, suppress_health_check=[HealthCheck.filter_too_much])


@pytest.mark.slow
@ENOUGH
@given(PLANS, st.integers(0, 1000))
@example([fault("stuck-field", "telemetry.LCR.DLAB", value=1)], 0)
@example([fault("bus-error", "telemetry"), fault("all-ones", "telemetry")], 1)
def test_time_adds_up_and_nothing_but_bus_errors_is_raised(
    plan: list[FaultSpec], seed: int
) -> None:
    """Under any plan time only goes forward, its parts make the whole, and injections are sound."""
    assume(fits(plan))
    try:
        bench, _ = run(plan, seed)
    except RunEnded as ended:
        if ended.rule == "interrupt-storm":
            return  # a device that cannot be reached keeps its line asserted
        raise
    cpu, clock = bench.board.cpu, bench.board.clock

    assert min(cpu.main_ps, cpu.handler_ps, cpu.idle_ps, cpu.polled_ps) >= 0
    assert not cpu.depth
    times = [one.time_ps for one in bench.armed.injections]
    assert times == sorted(times)
    assert sum(bench.counts) >= len(times)
    assert bench.armed.last_active_ps <= clock.now_ps
    for one, count in zip(plan, bench.counts, strict=True):
        limit = one.when.count
        if limit is not None and FAULT_KINDS[one.kind].name not in ("late-ready", "baud-drift"):
            assert count <= limit


@pytest.mark.slow
@ENOUGH
@given(PLANS, st.integers(0, 1000))
def test_the_same_seed_gives_the_same_run(plan: list[FaultSpec], seed: int) -> None:
    """Two runs agree in all that the driver saw, all injections, and the time."""
    assume(fits(plan))

    def told() -> object:
        try:
            bench, seen = run(plan, seed)
        except RunEnded as ended:
            return ended.rule
        return seen, bench.armed.injections, bench.counts, bench.board.clock.now_ps

    assert told() == told()


@pytest.mark.slow
@ENOUGH
@given(PLANS, st.integers(0, 1000))
def test_a_plan_whose_window_never_comes_changes_nothing(plan: list[FaultSpec], seed: int) -> None:
    """Armed and not started, faults leave the run as it is without them, to the picosecond."""
    assume(fits(plan))

    def told(*faults: FaultSpec) -> object:
        bench = Bench(*faults, seed=seed, start=False)
        bench.set_up_quietly()
        try:
            seen = drive(bench, seed)
        except RunEnded as ended:
            seen = [ended.rule]
        return seen, bench.board.clock.now_ps, bench.counts == (0,) * len(faults)

    assert told(*plan) == told()
