"""Hypothesis strategies: line settings, traffic, far ends, faults, schedules, whole scenarios.

The one idea: what is drawn is what a person would write. Scenarios and their parts are plain data
as it would stand in a file, with units, and what has its default is left out; so the example that
Hypothesis prints can be read, pasted into a file, and handed to ``emu_run`` as it is. Simple things
come first everywhere: 115200 8N1, one byte, no options, no faults, nobody late.

What is drawn never breaks a correct driver by itself. Faults are over after some milliseconds, so
that traffic can flow again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy

from emu.devices.shelf import find_device
from emu.errors import AccessError, nearest
from emu.faults.check import check
from emu.faults.kind import parse_whole
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Register
from emu.scenario.from_python import board_of
from emu.scenario.load import load_any_board
from emu.scenario.load_checks import nearest_baud, serial_devices
from emu.scenario.model import BoardModel
from emu.search.explore import EVENTS
from emu.search.schedule import Entry, Point, Schedule
from emu.testing.operations import Operation, Read, Wait, Write
from emu.units import PS_PER_S, LineSettings, format_duration, parse_duration

__all__ = [
    "BOARD",
    "data",
    "far_ends",
    "fault_plans",
    "faults",
    "line_settings",
    "register_operations",
    "register_values",
    "scenarios",
    "schedules",
    "traffic",
]

Plain = dict[str, Any]
Drawn = TypeVar("Drawn")
GivenBoard = BoardModel | Mapping[str, Any] | Path | str

BOARD: Plain = {"devices": {"telemetry": {"kind": "uart16550", "at": 0x4000_1000, "irq": 5}}}
"""The board of drawn scenarios: a processor and one serial controller, all by default."""

# Usual baud rates run from 1,200 to 115,200 (common practice, no source).
_BAUDS = (115_200, 57_600, 38_400, 19_200, 9_600, 4_800, 2_400, 1_200)
_PARITIES = ("none", "even", "odd", "mark", "space")
_MOST_BAUD_ERROR = Fraction(3, 100)
_MESSAGE = "tide 3.21 m\r\n"
_LINE = LineSettings(115_200)
_TICK_PS = PS_PER_S // 10_000  # drawn durations are whole steps of 100 us


def _durations(longest_ms: int) -> SearchStrategy[str]:
    """Draw a duration of 100 us to some milliseconds, as a person writes it."""
    ticks = st.integers(1, longest_ms * 10)
    return ticks.map(lambda count: format_duration(count * _TICK_PS))


def _made(function: Callable[..., Drawn], *parts: SearchStrategy[Any]) -> SearchStrategy[Drawn]:
    """Draw parts and make one thing of them, which is printed as it is and not as a call."""

    @st.composite
    def make(draw: st.DrawFn) -> Drawn:
        return function(*(draw(part) for part in parts))

    return make()


# the line and what goes over it


def line_settings(
    *, clock_hz: int = 1_843_200, data_bits: Sequence[int] = (8, 7, 6, 5)
) -> SearchStrategy[LineSettings]:
    """Draw settings of a serial line, 115200 8N1 first.

    Args:
        clock_hz: input clock of the controller in Hz; only baud rates that come out within 3 % are
            drawn.
        data_bits: the word lengths to draw, the simplest first.
    """
    made = [one for one in _BAUDS if abs(nearest_baud(clock_hz, one)[1]) <= _MOST_BAUD_ERROR]
    if not made:
        raise AccessError(
            f"clock_hz={clock_hz} makes no usual baud rate", where="line_settings",
            allowed=", ".join(str(one) for one in _BAUDS),
        )  # fmt: skip

    def build(baud: int, bits: int, parity: str, long_stop: bool) -> LineSettings:
        stop_bits = (1.5 if bits == 5 else 2) if long_stop else 1
        return LineSettings(baud, bits, parity, stop_bits)

    return _made(
        build, st.sampled_from(made), st.sampled_from(list(data_bits)),
        st.sampled_from(_PARITIES), st.booleans(),
    )  # fmt: skip


def data(*, most: int = 40, data_bits: int = 8) -> SearchStrategy[str | Plain]:
    """Draw data of 1 byte to `most`, as a scenario spells it: a message, or numbers in a row.

    Args:
        most: bytes at most.
        data_bits: word length of the line that it must fit.
    """
    return _made(_spell, st.integers(1, most), st.sampled_from(_STYLES), st.just(data_bits))


_STYLES = ("text", "count", "zeros", "ones")


def _spell(size: int, style: str, data_bits: int) -> str | Plain:
    """Return so many bytes as a scenario spells them."""
    top = (1 << data_bits) - 1
    if style in ("zeros", "ones"):
        return {"hex": bytes([top if style == "ones" else 0] * size).hex(" ")}
    if style == "text" and data_bits >= 7:
        return (_MESSAGE * (size // len(_MESSAGE) + 1))[:size]
    if size <= top + 1:
        return {"count": size}
    return {"hex": bytes(index & top for index in range(size)).hex(" ")}


def _size(spelled: str | Plain) -> int:
    """Return how many bytes drawn data has."""
    if isinstance(spelled, str):
        return len(spelled)
    return spelled["count"] if "count" in spelled else len(bytes.fromhex(spelled["hex"]))


def far_ends(
    *, most: int = 40, data_bits: int = 8, disturbed: bool = False
) -> SearchStrategy[str | Plain]:
    """Draw what hangs at the far end: a sink, an echo or a source, some of them slow or off.

    Args:
        most: bytes at most that a source sends.
        data_bits: word length of the line.
        disturbed: let the line be noisy and the far end send breaks, too.
    """
    return _far_ends(most, data_bits, disturbed)


_ODD: tuple[Plain, ...] = (
    {}, {}, {"gap": "100 us"}, {"gap": "1 ms"}, {"baud_error": "+1 %"}, {"baud_error": "-2 %"},
)  # fmt: skip
_DISTURBED: tuple[Plain, ...] = (
    {"breaks": [{"at": "1 ms", "length": "5 ms"}]},
    {"noise": {"per_second": 100, "width": "5 us", "until": "20 ms"}},
)
_PACE: tuple[Plain, ...] = (
    {}, {"start": "1 ms"}, {"burst": 1, "pause": "1 ms"}, {"burst": 8, "pause": "3 ms"},
    {"start": "300 us", "burst": 3, "pause": "500 us"},
)  # fmt: skip


@cache
def _far_ends(most: int, data_bits: int, disturbed: bool) -> SearchStrategy[str | Plain]:
    odd = st.sampled_from(_ODD + _DISTURBED if disturbed else _ODD)

    def build(kind: str, sent: str | Plain, pace: Plain, more: Plain) -> str | Plain:
        if kind == "source":
            return {"kind": kind, "data": sent, **pace, **more}
        return {"kind": kind, **more} if more and kind == "echo" else kind

    return _made(
        build, st.sampled_from(["sink", "echo", "source"]), data(most=most, data_bits=data_bits),
        st.sampled_from(_PACE), odd,
    )  # fmt: skip


def traffic(
    *, far_end: str | Plain = "echo", most_steps: int = 6, most: int = 40, data_bits: int = 8
) -> SearchStrategy[list[Any]]:
    """Draw what a driver is asked for: the steps of a scenario, ``open`` and ``close`` left out.

    Args:
        far_end: what hangs at the far end; no more is received than comes from there.
        most_steps: steps at most.
        most: bytes at most that one step sends.
        data_bits: word length of the line.
    """
    raw = _raw_steps(most_steps, most, data_bits)
    return _made(lambda drawn: list(_fitting(drawn, far_end)), raw)


RawStep = tuple[str, str | Plain, Plain]

_ACTIONS = ("send", "receive", "exchange", "drain", "wait", "reopen")
_OPTIONS: tuple[Plain, ...] = (
    {}, {}, {}, {"chunk": 1}, {"chunk": 3}, {"timeout": "100 us"}, {"timeout": "5 ms"},
)  # fmt: skip


@cache
def _raw_steps(most_steps: int, most: int, data_bits: int) -> SearchStrategy[list[RawStep]]:
    """Draw action, data and options of steps.

    Every step takes the same few choices, whatever it does, so that a step can take another's
    place, which is how Hypothesis varies what it has drawn.
    """
    sent = data(most=most, data_bits=data_bits)
    step = st.tuples(st.sampled_from(_ACTIONS), sent, st.sampled_from(_OPTIONS))
    return st.lists(step, min_size=1, max_size=most_steps)


def _fitting(steps: list[RawStep], far_end: str | Plain) -> Iterator[Any]:
    """Yield steps that receive no more than comes from the far end.

    Where nothing comes, an echo is sent something first, and from any other nothing is received.
    """
    kind = far_end if isinstance(far_end, str) else far_end["kind"]
    coming = _size(far_end["data"]) if isinstance(far_end, dict) and kind == "source" else 0
    for action, sent, options in steps:
        if action == "wait":
            yield {"wait": format_duration(_size(sent) * _TICK_PS)}
        elif action in ("drain", "reopen"):
            coming = 0 if action == "reopen" else coming  # what was on its way may be gone
            yield action
        else:
            sends = action != "receive" or not coming
            coming += _size(sent) if sends and kind == "echo" else 0
            count = min(_size(sent), coming) if action != "send" else 0
            coming -= count
            yield {**_moving(sent if sends else None, count), **options}


def _moving(sent: str | Plain | None, count: int) -> Plain:
    """Return the action of a step that sends something, receives something, or both."""
    if not count:
        return {"send": sent}
    return {"receive": count} if sent is None else {"exchange": {"send": sent, "receive": count}}


# faults


_SLOW = ("noise",)  # noise takes long in real time, so it is drawn only if it is asked for


def faults(
    board: GivenBoard = BOARD, *, port: str = "", kinds: Sequence[str] = ()
) -> SearchStrategy[Plain]:
    """Draw one fault of a plan, over within 5 ms.

    Args:
        board: what it happens on: a path, what would stand in a board file, or a model.
        port: the serial controller it happens to; the board's first one if left out.
        kinds: the kinds to draw, all but noise by default; see ``emu faults``.

    Raises:
        AccessError: there is no such kind.
    """
    model = _model_of(board)
    device = port or serial_devices(model)[0]
    for one in kinds:
        if one not in FAULT_KINDS:
            raise AccessError(f"no kind of fault {one!r}", fix=nearest(one, FAULT_KINDS))
    names = list(kinds or (one for one in FAULT_KINDS if one not in _SLOW))
    return st.sampled_from(names).flatmap(lambda name: _faults_of(name, device, model))


def fault_plans(
    board: GivenBoard = BOARD, *, port: str = "", kinds: Sequence[str] = (), most: int = 2
) -> SearchStrategy[list[Plain]]:
    """Draw a fault plan of up to `most` faults, none first; see `faults`."""
    return st.lists(faults(board, port=port, kinds=kinds), max_size=most)


def _faults_of(name: str, device: str, model: BoardModel) -> SearchStrategy[Plain]:
    """Draw a fault of one kind on a device, or on what it has to do with."""
    kind = FAULT_KINDS[name]
    own = {one.name: _setting(one) for one in kind.parameters}
    usual = {one.name: _USUAL[one.name] for one in kind.parameters if one.name in _USUAL}
    registers = find_device(next(one.kind for one in model.devices if one.name == device)).REGISTERS
    possible = [
        path
        for sort in kind.targets
        for path in _targets(sort, device, registers)
        if _is_possible({"kind": name, "target": path, **usual}, model)
    ]
    if not possible:
        raise AccessError(f"{name} cannot happen to {device}", where="faults")
    needed = {"kind": st.just(name), "target": st.sampled_from(possible)}
    if kind.occasion == "power-on":
        return st.fixed_dictionaries(needed)
    when = {"from": _durations(3), "first": st.integers(1, 8), "count": st.integers(1, 3)}
    drawn = st.fixed_dictionaries({**needed, **own}, optional=when)
    return _made(_ending, drawn).filter(lambda one: _is_possible(one, model))


def _targets(sort: str, device: str, registers: Sequence[Register]) -> list[str]:
    """Return the paths of one sort that have to do with a device."""
    match sort:
        case "field":
            return [f"{device}.{one.name}.{bits.name}" for one in registers for bits in one.fields]
        case "register":
            return [f"{device}.{one.name}" for one in registers]
        case "irq":
            return [f"{device}.irq"]
        case "line":
            return [f"{device}.sin", f"{device}.sout"]
        case "cpu":
            return ["cpu"]
        case _:
            return [device]


_USUAL: Plain = {"value": 0, "reads": 1, "busy_for": "1 us", "to": "+1 %"}
_DRIFTS = ["+1 %", "-1 %", "+2 %", "-2 %"]


def _setting(parameter: Parameter) -> SearchStrategy[Any]:
    """Draw a value for a parameter of a fault, as a plan spells it."""
    if parameter.choices is not None:
        return st.sampled_from(parameter.choices)
    match parameter.name:
        case "to":
            return st.sampled_from(_DRIFTS)
        case "per_second":
            return st.integers(1, 100).map(lambda tens: 10 * tens)
        case "width":
            return st.integers(1, 20).map(lambda count: f"{count} us")
    if parameter.parse is parse_duration:
        return _durations(1)
    return st.integers(0, 1) if parameter.parse is parse_whole else st.just(parameter.default)


def _ending(drawn: Plain) -> Plain:
    """Return a fault that is over 2 ms after it began."""
    start_ps = parse_duration(drawn.get("from", 0))
    return {**drawn, "until": format_duration(start_ps + 20 * _TICK_PS)}


def _is_possible(drawn: Plain, model: BoardModel) -> bool:
    """Say whether a fault, as a plan spells it, can happen on a board."""
    given = {key: value for key, value in drawn.items() if key != "from"}
    spec = fault(**given, start=drawn.get("from", 0))
    return not check(FaultPlan.of([spec]), model)


# timing


def schedules(
    *, calls: int = 120, steps: int = 3, least: int = 1, most: int = 4, spurious: bool = True
) -> SearchStrategy[Schedule]:
    """Draw when the processor is late, once and early first.

    Args:
        calls: the last bench call before which it may be late; points beyond the end of a run do
            nothing.
        steps: how many steps after a call it may be late, 0 for before calls only.
        least: how many times in a run at least.
        most: how many times at most.
        spurious: whether interrupts may come for nothing, too.
    """
    where = st.integers(0, calls * (steps + 1) - 1).map(lambda at: divmod(at, steps + 1))
    kinds = [(kind, events) for events in EVENTS for kind in ("stall", "pause")]
    what = st.sampled_from([*kinds, ("spurious", 0)] if spurious else kinds)

    def build(at: tuple[int, int], one: tuple[str, int]) -> Entry:
        return Entry(Point(at[0] + 1, at[1]), *one)

    entries = _made(build, where, what)
    lists = st.lists(entries, min_size=least, max_size=most, unique_by=lambda one: one.point)
    return _made(lambda drawn: tuple(sorted(drawn)), lists)


# registers


def register_values(register: Register) -> SearchStrategy[int]:
    """Draw a value for a register: none of its bits, all, one, or any."""
    full = (1 << register.width) - 1
    single = st.integers(0, register.width - 1).map(lambda bit: 1 << bit)
    return st.one_of(st.sampled_from([0, full]), single, st.integers(0, full))


def register_operations(
    device: type[Device], *, most: int = 20, longest_wait_ps: int = 10**9
) -> SearchStrategy[list[Operation]]:
    """Draw what software does to a device; `emu.testing.operations.play` does it.

    Args:
        device: the device's class.
        most: operations at most.
        longest_wait_ps: how long a wait may be, in ps.
    """
    read = [one for one in device.REGISTERS if one.only != "w"]
    written = [one for one in device.REGISTERS if one.only != "r"]
    kinds: list[SearchStrategy[Operation]] = []
    if read:
        kinds.append(st.sampled_from(read).map(lambda one: Read(one.name)))
    if written:
        kinds.append(st.sampled_from(written).flatmap(_writes))
    kinds.append(st.builds(Wait, st.integers(1, longest_wait_ps)))
    return st.lists(st.one_of(kinds), max_size=most)


def _writes(register: Register) -> SearchStrategy[Operation]:
    return st.builds(Write, st.just(register.name), register_values(register))


# all of it


def scenarios(
    *,
    board: Mapping[str, Any] | Path | str = BOARD,
    port: str = "",
    line: SearchStrategy[LineSettings] | None = None,
    far_end: SearchStrategy[str | Plain] | None = None,
    faults: SearchStrategy[list[Plain]] | None = None,
    most_steps: int = 6,
    most: int = 40,
) -> SearchStrategy[Plain]:
    """Draw a whole scenario, as it would stand in a file.

    Args:
        board: path of a board file, or what would stand in one.
        port: the serial controller that is driven; the board's first one if left out.
        line: draws the settings; those that the controller's clock can make by default.
        far_end: draws what hangs on the line; see `far_ends`.
        faults: draws what goes wrong, nothing by default; see `fault_plans`.
        most_steps: steps at most.
        most: bytes at most that one step sends.
    """
    given = board if isinstance(board, Mapping) else str(board)
    model = _model_of(given)
    names = serial_devices(model)
    name = port or names[0]
    lines = line_settings(clock_hz=_clock_hz(model, name)) if line is None else line
    fixed = {"scenario": "drawn", "board": given, **({"port": name} if len(names) > 1 else {})}

    @st.composite
    def draw_all(draw: st.DrawFn) -> Plain:
        settings = draw(lines)
        bits = settings.data_bits
        far = draw(far_ends(most=most, data_bits=bits) if far_end is None else far_end)
        asked = list(_fitting(draw(_raw_steps(most_steps, most, bits)), far))
        plan = draw(faults) if faults is not None else []
        return {
            **fixed,
            **({"line": str(settings)} if settings != _LINE else {}),
            **({"far_end": far} if far != "sink" else {}),
            "do": asked,
            **({"faults": plan} if plan else {}),
        }

    return draw_all()


def _clock_hz(model: BoardModel, name: str) -> int:
    """Return the input clock of a serial controller in Hz."""
    device = next(one for one in model.devices if one.name == name)
    usual = {one.name: one.default for one in find_device(device.kind).PARAMETERS}
    return int(device.settings.get("clock", usual["clock"]))


def _model_of(board: GivenBoard) -> BoardModel:
    """Return the model of a board."""
    if isinstance(board, BoardModel):
        return board
    return board_of(board) if isinstance(board, Mapping) else load_any_board(board)[0]
