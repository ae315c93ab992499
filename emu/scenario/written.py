"""A scenario as it would stand in a file: the way back from the model to plain data.

The one idea: what is written reads back as the same scenario, so a run that came from Python can be
kept as a file that a person can read, replay and change. Everything that has its default is left
out, quantities have their units, and files are named as seen from the folder that the file is for.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import fields
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.devices.shelf import find_device
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.kernel.board import BusSettings, CpuSettings, LineRules
from emu.kernel.parameter import Parameter
from emu.line.plan import BreakPlan, FarEndPlan, NoisePlan, ScriptLine
from emu.scenario.load_trade_steps import SPANS
from emu.scenario.model import (
    NEVER_PS,
    BoardModel,
    DeviceModel,
    Expectation,
    Leftovers,
    Limits,
    Scenario,
    Step,
)
from emu.scenario.trade_names import SERIALS, trade_of_kind
from emu.units import (
    PS_PER_S,
    format_duration,
    format_frequency,
    format_ratio,
    format_size,
    parse_duration,
    parse_frequency,
    parse_ratio,
    parse_size,
)

__all__ = ["board_as_plain", "data_as_plain", "faults_as_plain", "scenario_as_plain"]

Plain = dict[str, Any]

_SPELLINGS: dict[object, Callable[[Any], str]] = {
    parse_duration: format_duration,
    parse_frequency: format_frequency,
    parse_ratio: format_ratio,
    parse_size: format_size,
}
_FEWEST_REPEATS = 3


def scenario_as_plain(scenario: Scenario, folder: Path | None = None) -> Plain:
    """Return what would stand in a file that describes `scenario`.

    Args:
        scenario: what to write.
        folder: where the file is to lie, for the names of drivers in it; the working folder by
            default. Names in `scenario` count from the folder of its own file.
    """
    home = Path(scenario.path).parent
    moved = _mover(home, folder or Path())
    return {
        "scenario": scenario.title or "a scenario",
        "board": board_as_plain(scenario.board),
        **_if(scenario.seed != 1, seed=scenario.seed),
        **(_several(scenario, moved) if scenario.drivers else _alone(scenario, moved)),
        "do": [_step(one) for one in scenario.steps],
        **_if(scenario.callers, callers=list(scenario.callers)),
        **_if(scenario.faults, faults=faults_as_plain(scenario.faults)),
        **_if(scenario.expect != Expectation(), expect=_expect(scenario.expect)),
        **_if(scenario.limits != Limits(), limits=_limits(scenario.limits)),
    }


def _alone(scenario: Scenario, moved: Callable[[str], str]) -> Plain:
    """Return the keys that say who drives what, and what hangs on its line."""
    serial = _is_serial(scenario.board, scenario.port)
    return {
        **_if(scenario.driver, driver=moved(scenario.driver)),
        **_if(scenario.port, port=scenario.port),
        **_if(serial, line=str(scenario.line)),
        **_if(scenario.far_end != FarEndPlan(), far_end=_far_end(scenario.far_end, moved)),
    }


def _several(scenario: Scenario, moved: Callable[[str], str]) -> Plain:
    """Return the same of several drivers."""
    found: dict[str, str | Plain] = {}
    for one in scenario.drivers:
        name, far_end = moved(one.driver), one.far_end
        found[one.port] = name
        if _is_serial(scenario.board, one.port):
            far = _if(far_end != FarEndPlan(), far_end=_far_end(far_end, moved))
            found[one.port] = {"driver": name, "line": str(one.line), **far}
    return {"drivers": found}


def _is_serial(board: BoardModel, port: str) -> bool:
    """Whether what is driven hangs on a line."""
    kinds = [one.kind for one in board.devices if one.name == port]
    return not kinds or trade_of_kind(kinds[0]) in SERIALS


def board_as_plain(board: BoardModel) -> Plain:
    """Return what would stand in a file that describes `board`."""
    lines = {number: _interrupt(rules) for number, rules in board.interrupts.items()}
    return {
        **_if(board.name != "board", name=board.name),
        **_if(board.cpu != CpuSettings(), cpu=_cpu(board.cpu)),
        **_if(board.bus != BusSettings(), bus=_bus(board.bus)),
        "devices": {one.name: _device(one) for one in board.devices},
        **_if(lines, interrupts=lines),
    }


def faults_as_plain(plan: FaultPlan) -> list[Plain]:
    """Return what would stand in a file that describes a fault plan."""
    return [_fault(one) for one in plan]


def data_as_plain(data: bytes) -> str | Plain:
    """Return bytes in the shortest spelling of a scenario file that a person can read."""
    if all(byte in b"\t\r\n" or 0x20 <= byte < 0x7F for byte in data):
        text = data.decode("ascii")
        unit = text[: _period(data)]
        times = len(text) // len(unit) if unit else 0
        return {"repeat": unit, "times": times} if times >= _FEWEST_REPEATS < len(unit) else text
    if data == bytes(index & 0xFF for index in range(len(data))):
        return {"count": len(data)}
    return {"hex": data.hex(" ")}


def _period(data: bytes) -> int:
    """Return the length of the shortest piece of which `data` is made by repeating it."""
    return (data + data).find(data, 1) if data else 0


def _if(wanted: object, **keys: Any) -> Plain:  # noqa: ANN401 - file data
    return keys if wanted else {}


def _mover(home: Path, folder: Path) -> Callable[[str], str]:
    """Return what makes the name of a driver one that counts from another folder."""

    def moved(name: str) -> str:
        module, colon, kind = name.rpartition(":")
        if not module.endswith(".py"):
            return name
        return os.path.relpath((home / module).resolve(), folder.resolve()) + colon + kind

    return moved


def _changed(value: object, default: object) -> Plain:
    """Return the fields of a dataclass in which it differs from another one."""
    names = (one.name for one in fields(value))  # type: ignore[arg-type]
    found = {name: getattr(value, name) for name in names}
    return {name: one for name, one in found.items() if one != getattr(default, name)}


# the board


def _cpu(cpu: CpuSettings) -> Plain:
    changed = _changed(cpu, CpuSettings())
    if "clock_hz" in changed:
        changed["clock_hz"] = format_frequency(cpu.clock_hz)
    names = {"clock_hz": "clock", "entry_cycles": "entry", "exit_cycles": "exit",
             "time_cycles": "time", "nesting": "nesting"}  # fmt: skip
    return {names[name]: value for name, value in changed.items()}


def _bus(bus: BusSettings) -> Plain:
    changed = _changed(bus, BusSettings())
    if "big_endian" in changed:
        changed["big_endian"] = "big"
    names = {"width_bits": "width", "big_endian": "endian", "access_cycles": "access",
             "address_bits": "address"}  # fmt: skip
    return {names[name]: value for name, value in changed.items()}


def _interrupt(rules: LineRules) -> Plain:
    return {
        "priority": rules.priority,
        **_if(rules.edge, trigger="edge"),
        **_if(rules.shared, shared=True),
        **_if(rules.moderation_ps, moderation=format_duration(rules.moderation_ps)),
        **_if(rules.software, software=True),
    }


def _device(device: DeviceModel) -> Plain:
    return {
        "kind": device.kind,
        "at": device.at,
        **_if(device.stride, stride=device.stride),
        **_if(device.widths, access=list(device.widths or ())),
        **_if(device.wait_cycles, wait=device.wait_cycles),
        **_if(device.irq is not None, irq=device.irq),
        **_if(device.through, through=device.through),
        **_if(device.size, size=format_size(device.size or 0)),
        **_if(device.beside, beside=list(device.beside)),
        **_settings(find_device(device.kind).PARAMETERS, device.settings),
    }


def _settings(parameters: Iterable[Parameter], settings: Plain) -> Plain:
    """Return settings in parsed form as a person writes them."""
    spell = {one.name: _SPELLINGS.get(one.parse) for one in parameters}
    return {name: _spelt(value, spell.get(name)) for name, value in settings.items()}


def _spelt(value: Any, write: Callable[[Any], str] | None) -> Any:  # noqa: ANN401 - file data
    """Return one value of a parameter as a person writes it; names stand in one line."""
    if isinstance(value, tuple | list):
        return ", ".join(value)
    return write(value) if write and not isinstance(value, str) else value


# the far end


def _far_end(plan: FarEndPlan, moved: Callable[[str], str]) -> str | Plain:
    if plan == FarEndPlan(plan.kind):
        return plan.kind
    return {
        "kind": plan.kind,
        **_if(plan.line, line=str(plan.line)),
        **_if(plan.baud_error, baud_error=format_ratio(plan.baud_error)),
        **_if(plan.noise, noise=_noise(plan.noise) if plan.noise else None),
        **_if(plan.breaks, breaks=[_break(one) for one in plan.breaks]),
        **_if(plan.gap_ps, gap=format_duration(plan.gap_ps)),
        **_flow(plan),
        **_if(plan.start_ps, start=format_duration(plan.start_ps)),
        **_if(plan.kind == "source", data=data_as_plain(plan.data)),
        **_if(plan.burst_bytes, burst=plan.burst_bytes),
        **_if(plan.pause_ps, pause=format_duration(plan.pause_ps)),
        **_if(plan.lines, script=[_script_line(one) for one in plan.lines]),
        **_if(plan.port, port=plan.port),
        **_if(plan.driver, driver=moved(plan.driver)),
    }


def _noise(plan: NoisePlan) -> Plain:
    rate = Fraction(plan.per_second)
    return {
        "per_second": int(rate) if rate.denominator == 1 else float(rate),
        "width": format_duration(plan.width_ps),
        **_if(plan.from_ps, **{"from": format_duration(plan.from_ps)}),
        **_if(plan.until_ps is not None, until=format_duration(plan.until_ps or 0)),
    }


def _break(plan: BreakPlan) -> Plain:
    return {"at": format_duration(plan.at_ps), "length": format_duration(plan.length_ps)}


def _flow(plan: FarEndPlan) -> Plain:
    default = FarEndPlan()
    body = {
        **_if(plan.buffer_bytes != default.buffer_bytes, buffer=plan.buffer_bytes),
        **_if(plan.busy_ps, busy=format_duration(plan.busy_ps)),
        **_if(plan.lag, lag=plan.lag),
        **_if(plan.eager, eager=True),
    }
    if plan.flow or body:
        return {"flow": {"rts_cts": plan.flow, **body}}
    return {}


def _script_line(line: ScriptLine) -> Plain:
    if line.at_ps is not None:
        return {"at": format_duration(line.at_ps), "send": data_as_plain(line.data)}
    return {
        "when": data_as_plain(line.when),
        **_if(line.after_ps, after=format_duration(line.after_ps)),
        "send": data_as_plain(line.data),
    }


# what is asked, what goes wrong, what is expected


def _step(step: Step) -> str | Plain:
    options = {
        **_if(step.timeout_ps is not None, timeout=_timeout(step.timeout_ps or 0)),
        **_if(step.chunk, chunk=step.chunk),
        **_if(step.by, by=step.by),
    }
    values = {key: _value(key, one) for key, one in step.values.items()}
    value = values.pop(step.action) if values else _asked(step)
    options |= values
    if value is None and not options:
        return step.action
    return {step.action: value, **options}


def _value(key: str, value: Any) -> Any:  # noqa: ANN401 - file data
    """Return what a trade that is not serial asks for as a person writes it."""
    if key in SPANS:
        return format_duration(value)
    if isinstance(value, bytes):
        return data_as_plain(value)
    if isinstance(value, tuple):
        return [_value(key, one) for one in value]
    return dict(value) if isinstance(value, dict) else value


def _asked(step: Step) -> Any:  # noqa: ANN401 - file data
    """Return what stands behind the action of a step."""
    match step.action:
        case "send":
            return data_as_plain(step.data)
        case "receive" | "echo":
            return "all" if step.count is None else step.count
        case "exchange":
            return {"send": data_as_plain(step.data), "receive": step.count}
        case "wait" | "work":
            return step.cycles if step.action == "work" else format_duration(step.duration_ps)
        case "leftovers":
            return _leftovers(step.leftovers or Leftovers())
        case _:
            return step.how or (str(step.line) if step.line else None)


def _leftovers(left: Leftovers) -> Plain:
    return {
        **left.registers,
        **_if(left.received, received=data_as_plain(left.received)),
        **_if(left.sending, sending=data_as_plain(left.sending)),
    }


def _timeout(timeout_ps: int) -> str:
    return "never" if timeout_ps == NEVER_PS else format_duration(timeout_ps)


def _fault(fault: FaultSpec) -> Plain:
    when, usual = fault.when, When()
    parameters = FAULT_KINDS[fault.kind].parameters if fault.kind in FAULT_KINDS else ()
    return {
        "kind": fault.kind,
        "target": fault.target,
        **_settings(parameters, fault.settings),
        **_if(when.from_ps, **{"from": format_duration(when.from_ps)}),
        **_if(when.until_ps is not None, until=format_duration(when.until_ps or 0)),
        **_if(when.first != usual.first, first=when.first),
        **_if(when.count is not None, count=when.count),
        **_if(when.probability != usual.probability, probability=format_ratio(when.probability)),
    }


def _expect(expect: Expectation) -> Plain:
    errors = {
        name: least if least == most else f"{least}..{most}"
        for name, (least, most) in expect.errors.items()
    }
    received, heard = expect.received, expect.far_end_received
    return {
        **_if(received is not None, received=data_as_plain(received or b"")),
        **_if(heard is not None, far_end_received=data_as_plain(heard or b"")),
        **_if(errors, errors=errors),
    }


def _limits(limits: Limits) -> Plain:
    usual_s = Limits().wall_s
    return {
        **_if(limits.time_ps is not None, time=format_duration(limits.time_ps or 0)),
        **_if(limits.call_ps is not None, call=format_duration(limits.call_ps or 0)),
        **_if(limits.wall_s != usual_s, wall=format_duration(round(limits.wall_s * PS_PER_S))),
    }
