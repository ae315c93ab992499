"""Which blocks were asked for and which run, compared: right drivers pass, wrong ones do not."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
import yaml

from drivers_example.power_keeper import CLOCK, READY, RELEASE, PowerKeeper, _bit
from emu.errors import InputError
from emu.scenario.load import parse_scenario
from emu.scenario.model import Scenario
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario
from emu.search.explore import Plan
from emu.search.hunt import Hunted, hunt
from tests.device_trial import line_of, lines_of, promises_of
from tests.driven_run import broken

BLOCKS = {
    "console": {"kind": "uart16550", "at": 0x4000_1000},
    "sampling": {"kind": "timer", "at": 0x4000_2000},
    "seal": {"kind": "checksum_engine", "at": 0x4000_3000},
    "panel": {"kind": "gpio", "at": 0x4000_4000},
}
ON, OFF, TWICE = {"enable": 0}, {"disable": 0}, [{"enable": 0}, {"enable": 0}]
BOTH = [{"enable": 0}, {"enable": 1}]


def asked(*steps: Any, settle: int = 8, **more: Any) -> Scenario:
    """Return a scenario on a gate with four blocks that answer after so many cycles of 10 MHz."""
    gate = {"kind": "clock_gate", "at": 0x4000_0000, "settle": settle, "blocks": ", ".join(BLOCKS)}
    board = {"devices": {"power": gate, **BLOCKS}}
    limits = {"limits": {"call": "200 us"}}
    body = {"scenario": "a trial", "board": board, "port": "power", "do": list(steps)}
    return parse_scenario(yaml.safe_dump(deepcopy({**body, **limits, **more}), sort_keys=False))


def run(driver: type, *steps: Any, **more: Any) -> Outcome:
    """Run steps and return the outcome; see `asked`."""
    return run_scenario(asked(*steps, **more), driver)


def hunted(driver: type, *steps: Any, **more: Any) -> Hunted:
    """Try steps with another task at every timing."""
    plan = Plan(entries=1, most=150)
    return hunt(asked(*steps, callers=["enable", "disable"], **more), driver, plan)


def test_a_good_driver_keeps_all_promises() -> None:
    """Blocks that several need, resets among others, and a caller that waits too short."""
    outcome = run(PowerKeeper, *BOTH, ON, {"reset": 1}, OFF, {"enable": 2, "timeout": "1 us"}, OFF,
                  {"disable": 2}, settle=50)  # fmt: skip
    assert outcome.clean
    assert not outcome.findings
    texts = [one.text for one in outcome.steps]
    assert "block 0 (console) is still needed" in texts
    assert "block 2 (seal) does not answer" in texts
    assert "block 2 (seal), which is not enabled, is refused" in texts


def test_a_block_that_is_not_awaited() -> None:
    """A call that returns True while its block does not answer leads to its last access."""

    class Hasty(PowerKeeper):
        def _answers(self, bit: int, timeout: float | None) -> bool:
            return True

        def enable(self, block: int, timeout: float | None = None) -> bool:
            return super().enable(block, timeout)  # <- here

    outcome = run(Hasty, ON)
    assert broken(outcome) == {
        "ready": "enable returned True, and block 0 (console) does not answer yet"
    }
    assert lines_of(outcome) == {"block-not-awaited": line_of(Hasty)}
    assert run(Hasty, ON, settle=0).clean


def test_a_block_that_is_given_up() -> None:
    """A call that gives a block up which would have answered in time leads to its last look."""

    class Impatient(PowerKeeper):
        def _answers(self, bit: int, timeout: float | None) -> bool:
            return any(self._io.read32(READY) & bit for _ in range(20))  # <- here

    outcome = run(Impatient, {"enable": 0, "timeout": "1 ms"}, settle=1000)
    assert promises_of(outcome) == ["ready"]
    assert lines_of(outcome) == {"block-given-up": line_of(Impatient)}
    assert run(Impatient, ON).clean
    assert run(PowerKeeper, {"enable": 0, "timeout": "10 us"}, settle=1000).clean


def test_a_block_of_another() -> None:
    """A write that stops or resets a block that nobody meant is named, and what it did."""

    class Broad(PowerKeeper):
        def _stop(self, bit: int) -> None:
            self._io.write32(CLOCK, 0)  # <- here
            self._change(RELEASE, bit, 0)

    outcome = run(Broad, *BOTH, OFF)
    detail = "block 1 (sampling) was stopped by a write of CLOCK, which nobody asked for"
    assert broken(outcome) == {"kept": detail}
    assert lines_of(outcome) == {"gate-overwritten": line_of(Broad)}
    assert run(Broad, ON, OFF).clean


def test_a_block_that_nobody_asked_for() -> None:
    """A write that lets a block run that nobody needs breaks a promise, too."""

    class Generous(PowerKeeper):
        def enable(self, block: int, timeout: float | None = None) -> bool:
            self._io.write32(CLOCK, 0xF)
            self._io.write32(RELEASE, 0xF)  # <- here
            return super().enable(block, timeout)

    outcome = run(Generous, ON)
    assert "was let run by a write of RELEASE" in broken(outcome)["off"]
    assert lines_of(outcome) == {"gate-overwritten": line_of(Generous)}


def test_a_block_that_others_still_need() -> None:
    """Who stops a block at the first disable leads to that call."""

    class Flag(PowerKeeper):
        def disable(self, block: int) -> None:
            bit = _bit(block)
            self._check_enabled(block)
            self._users[block] = 0
            self._stop(bit)  # <- here

    outcome = run(Flag, *TWICE, OFF)
    assert promises_of(outcome) == ["kept"]
    assert lines_of(outcome) == {"block-still-needed": line_of(Flag)}


def test_a_block_that_is_left_running() -> None:
    """A block runs on neither after the last disable nor after an enable that failed."""

    class Leaver(PowerKeeper):
        def _stop(self, bit: int) -> None:
            pass

    class Starter(PowerKeeper):
        def disable(self, block: int) -> None:
            self._users[block] = 0

    outcome = run(Leaver, ON, OFF)
    assert promises_of(outcome) == ["off"]
    assert list(lines_of(outcome)) == ["block-left-running"]
    assert broken(run(Leaver, ON)) == {"quiet": "block 0 (console) still runs after close"}
    outcome = run(Starter, {"enable": 0, "timeout": "10 us"}, settle=1000)
    assert broken(outcome)["off"] == "block 0 (console) still runs after enable"
    assert "block-left-running" in lines_of(outcome)


def test_a_reset_that_is_none() -> None:
    """A clock that is stopped for a while resets nothing, and a reset line that is pulled does."""

    class Stopper(PowerKeeper):
        def reset(self, block: int, timeout: float | None = None) -> bool:
            bit = _bit(block)
            self._check_enabled(block)
            self._change(CLOCK, bit, 0)
            self._change(CLOCK, bit, bit)
            return self._answers(bit, timeout)  # <- here

    outcome = run(Stopper, *BOTH, {"reset": 0})
    assert broken(outcome) == {"reset": "block 0 (console) was not reset"}
    assert lines_of(outcome) == {"reset-not-pulled": line_of(Stopper)}


@pytest.mark.parametrize("step", [OFF, {"reset": 0}])
def test_what_is_not_enabled(step: dict[str, int]) -> None:
    """Disable and reset of a block that nobody has enabled are refused."""

    class Lenient(PowerKeeper):
        def _check_enabled(self, block: int) -> None:
            self._users[block] = max(1, self._users[block])

    outcome = run(Lenient, ON, OFF, step)
    assert "balance" in promises_of(outcome)
    name = next(iter(step))
    assert lines_of(outcome)["disabled-too-often"] == line_of(PowerKeeper, f"def {name}")
    assert run(PowerKeeper, step, ON, OFF, step).clean


def test_a_block_that_cannot_be_there() -> None:
    """A number beyond the register is refused; one that this board lacks is not asked for."""

    class Wrapping(PowerKeeper):
        def enable(self, block: int, timeout: float | None = None) -> bool:
            return super().enable(block % 32, timeout)

    assert broken(run(Wrapping, {"enable": 32}))["range"] == "enable took block 32"
    outcome = run(PowerKeeper, {"enable": 32}, {"enable": 9})
    assert outcome.clean
    assert outcome.steps[-2].text == "the board has no such block"


@pytest.mark.slow
def test_what_runs_before_open() -> None:
    """What others have left running may be stopped by open, or left alone, but not in between."""
    state = [{"kind": "random-state", "target": "power"}]

    class Stopper(PowerKeeper):
        def open(self) -> None:
            super().open()
            self._io.write32(CLOCK, 0)
            self._io.write32(RELEASE, 0)

    class Late(PowerKeeper):
        def enable(self, block: int, timeout: float | None = None) -> bool:
            self._io.write32(CLOCK, sum(bool(one) << at for at, one in enumerate(self._users)))
            return super().enable(block, timeout)

    class Starter(PowerKeeper):
        def open(self) -> None:
            super().open()
            self._change(CLOCK, 1, 1)
            self._change(RELEASE, 1, 1)

    for seed in range(1, 6):
        assert run(PowerKeeper, *BOTH, OFF, faults=state, seed=seed).clean
        assert run(Stopper, *BOTH, OFF, faults=state, seed=seed).clean
    told = {name for seed in range(1, 6)
            for name in promises_of(run(Late, ON, faults=state, seed=seed))}  # fmt: skip
    assert told == {"kept"}
    assert broken(run(Starter))["off"] == "block 0 (console) runs after open, and did not before"


@pytest.mark.slow
def test_another_task_starts_and_stops_blocks() -> None:
    """A register that two tasks read, change and write leads to the write, and masking helps."""

    class Open(PowerKeeper):
        def _stop(self, bit: int) -> None:
            self._io.write32(CLOCK, self._io.read32(CLOCK) & ~bit)  # <- here

        def disable(self, block: int) -> None:
            self._check_enabled(block)
            with self._cpu.interrupts_masked():
                self._users[block] -= 1
                last = not self._users[block]
            if last:
                self._stop(_bit(block))

    rules = {one.failure.rule: one.failure.line for one in hunted(Open, ON, OFF).found}
    assert rules["gate-rmw-race"] == line_of(Open)
    assert hunted(PowerKeeper, ON, OFF).found == []


@pytest.mark.slow
def test_another_task_needs_the_same_block() -> None:
    """The second user waits as well, and a count is never told apart from what it stands for."""

    class Trusting(PowerKeeper):
        def enable(self, block: int, timeout: float | None = None) -> bool:
            if self._users[block]:
                self._users[block] += 1
                return True
            return super().enable(block, timeout)

    class Slow(PowerKeeper):
        def enable(self, block: int, timeout: float | None = None) -> bool:
            self._users[block] += 1
            if self._users[block] == 1:
                with self._cpu.interrupts_masked():
                    self._change(CLOCK, _bit(block), _bit(block))
                    self._change(RELEASE, _bit(block), _bit(block))
            return self._answers(_bit(block), timeout)

    def rules(driver: type) -> set[str]:
        return {one.failure.rule for one in hunted(driver, ON, OFF, settle=100).found}

    assert "block-not-awaited" in rules(Trusting)
    assert "block-half-started" in rules(Slow)


def test_a_gate_without_a_line_is_not_interrupted() -> None:
    """No interrupt comes for nothing to a driver whose device has no line to come by."""
    scenario = asked(ON)
    assert not Plan().fitted(scenario).spurious
    assert Plan().fitted(asked(ON, callers=["enable"])).callers == ("enable",)


def test_a_fault_excuses_until_the_next_open() -> None:
    """What a block that never answers undoes is held against nobody; a reopen begins anew."""
    never = {"kind": "never-ready", "target": "power.READY.CONSOLE", "until": "3 ms"}

    class Leaver(PowerKeeper):
        def _stop(self, bit: int) -> None:
            pass

    after = [{"wait": "4 ms"}, "reopen", ON, OFF]
    assert run(PowerKeeper, ON, ON, OFF, *after, faults=[never]).clean
    assert run(Leaver, ON, faults=[never]).clean
    assert promises_of(run(Leaver, ON, *after, faults=[never])) == ["off"]


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ({"enable": 64}, "64 (int) is out of range"),
        ({"disable": -1}, "-1 (int) is out of range"),
        ({"book": 1}, "a clocks driver is not asked to 'book'"),
    ],
)
def test_steps_that_make_no_sense(step: dict[str, Any], said: str) -> None:
    """A flaw in a step is told at its place."""
    with pytest.raises(InputError) as caught:
        asked(step)
    assert said in str(caught.value)
