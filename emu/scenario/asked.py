"""How much simulated time a scenario asks for, and the limit of time that follows from it.

The one idea: a run that reaches its limit says something about the driver only if the limit left
room for all that is asked, at the pace of the line and with every time-out used up. So the limit
follows from the steps unless a scenario sets one, and one that is set lower accuses nobody.
"""

from __future__ import annotations

from collections.abc import Iterator

from emu.kernel.clock import NEVER_PS, PS_PER_S
from emu.line.plan import FarEndPlan, ScriptLine
from emu.scenario.build import clock_hz_of
from emu.scenario.model import Scenario, Step
from emu.scenario.parts import parts_of
from emu.units import LineSettings

__all__ = ["least_ps", "limit_ps", "most_ps"]

_MARGIN = 4  # for processors that are slow or held up, and lines at their worst
_LEAST_LIMIT_PS = 60 * PS_PER_S
_GRACE_PS = PS_PER_S // 50  # that a call is given beyond the time on the wire
_TRIES = 4  # time-outs of one step that may pass without progress, one more than it allows
_SETTLING_PS = PS_PER_S // 2  # opening, and closing beyond what is still on the wire
_PIECES = {"receive": 256, "exchange": 32, "echo": 16}  # most bytes of a call, as steps are played
_HELD_CHARACTERS = 80  # at most, in the FIFOs at both ends of a line


def least_ps(scenario: Scenario) -> int:
    """Return the time below which no driver can do what `scenario` asks for.

    What the driver is given to send may leave during the waits. Several drivers are asked one after
    the other.
    """
    if scenario.drivers:
        return sum(least_ps(part) for part in parts_of(scenario))
    away_ps = sum(_away_ps(scenario, step) for step in scenario.steps)
    wire_ps: dict[str, int] = {}
    for step, line in _with_lines(scenario):
        wire_ps[step.by] = wire_ps.get(step.by, 0) + len(step.data) * line.character_ps
    return max(away_ps, *wire_ps.values(), 0)


def most_ps(scenario: Scenario) -> int:
    """Return the time within which any good driver has done all; `NEVER_PS` if there is no end."""
    if scenario.drivers:
        return min(sum(most_ps(part) for part in parts_of(scenario)), NEVER_PS)
    if _endless(scenario):
        return NEVER_PS
    sent = sum(len(step.data) + (step.count or 0) for step in scenario.steps)
    slowest_ps = max(line.character_ps for _, line in _with_lines(scenario))
    asked_ps = sum(_step_ps(scenario, step, line, sent) for step, line in _with_lines(scenario))
    asked_ps += _far_end_ps(scenario.far_end, slowest_ps, sent)
    asked_ps += max((one.when.until_ps or 0 for one in scenario.faults), default=0)
    return min(asked_ps, NEVER_PS)


def limit_ps(scenario: Scenario) -> int:
    """Return when a run of `scenario` ends: as it says, or after all that it asks for."""
    if scenario.limits.time_ps is not None:
        return scenario.limits.time_ps
    asked_ps = most_ps(scenario)
    if asked_ps == NEVER_PS:
        asked_ps = least_ps(scenario)
    return min(max(_MARGIN * asked_ps, _LEAST_LIMIT_PS), NEVER_PS)


def _with_lines(scenario: Scenario) -> Iterator[tuple[Step, LineSettings]]:
    """Yield each step with the line settings that it is done at, opening and closing added."""
    lines: dict[str, LineSettings] = {}
    for step in (Step("open"), *scenario.steps, Step("close")):
        line = step.line or lines.get(step.by, scenario.line)
        lines[step.by] = line
        yield step, line


def _endless(scenario: Scenario) -> bool:
    """Whether something is received until the line falls silent, which it never does."""
    noise = scenario.far_end.noise
    noisy = noise is not None and noise.until_ps is None
    noisy |= any(one.kind == "noise" and one.when.until_ps is None for one in scenario.faults)
    return noisy and any(one.action == "receive" and one.count is None for one in scenario.steps)


def _away_ps(scenario: Scenario, step: Step) -> int:
    """Return the time in which a step does without the driver, or lets an alarm go off."""
    away_ps = step.duration_ps + step.cycles * PS_PER_S // scenario.board.cpu.clock_hz
    if "alarm" in step.values:
        away_ps += step.values["alarm"] * PS_PER_S // clock_hz_of(scenario.board, scenario.port)
    return away_ps


def _step_ps(scenario: Scenario, step: Step, line: LineSettings, sent: int) -> int:
    """Return the most that a step takes, what the far end does by itself left out."""
    if step.action in ("wait", "work"):
        return _away_ps(scenario, step)
    if step.values:
        return _away_ps(scenario, step) + _call_ps(scenario, step, 0, 0)
    character_ps = line.character_ps
    count = len(step.data) + (step.count or 0) * (2 if step.action == "echo" else 1)
    moving = step.action in ("send", *_PIECES)
    if not moving:
        count = _HELD_CHARACTERS + (sent if step.action != "open" else 0)
    piece = step.chunk or _PIECES.get(step.action, count)
    taken_ps = 2 * count * character_ps + _TRIES * _call_ps(scenario, step, piece, character_ps)
    if moving or step.action == "drain":
        return taken_ps
    return taken_ps + (1 if step.action in ("open", "close") else 2) * _SETTLING_PS


def _call_ps(scenario: Scenario, step: Step, count: int, character_ps: int) -> int:
    """Return the time-out of a call, or what stands for it where it has none."""
    if step.timeout_ps is not None and step.timeout_ps != NEVER_PS:
        return step.timeout_ps
    if scenario.limits.call_ps is not None:
        return scenario.limits.call_ps
    return 2 * count * character_ps + _GRACE_PS


def _far_end_ps(plan: FarEndPlan, character_ps: int, sent: int) -> int:
    """Return how long the far end goes on by itself, or holds the driver up."""
    if plan.line is not None:
        character_ps = max(character_ps, plan.line.character_ps)
    character_ps = 2 * character_ps + plan.gap_ps
    bursts = -(-len(plan.data) // plan.burst_bytes) if plan.burst_bytes else 1
    said_ps = plan.start_ps + len(plan.data) * character_ps + bursts * plan.pause_ps
    said_ps += sum(_script_ps(one, character_ps, sent) for one in plan.lines)
    breaks_ps = max((one.at_ps + one.length_ps for one in plan.breaks), default=0)
    busy_ps = (sent // plan.buffer_bytes + 1) * plan.busy_ps if plan.flow else 0
    noise_ps = plan.noise.until_ps or 0 if plan.noise is not None else 0
    return said_ps + breaks_ps + busy_ps + noise_ps


def _script_ps(one: ScriptLine, character_ps: int, sent: int) -> int:
    """Return what a line of a script takes, as often as it may be said."""
    times = 1 if one.at_ps is not None else 1 + sent // max(len(one.when), 1)
    return (one.at_ps or 0) + times * (one.after_ps + len(one.data) * character_ps)
