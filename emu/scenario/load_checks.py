"""What the parts of a scenario must fulfil together, each check at the place in the file.

The one idea: the reader of a message can act on it, so a name that leads nowhere is answered with
the names there are, and a baud rate that cannot be made with the nearest that can.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from emu.errors import InputError, nearest
from emu.scenario.asked import least_ps
from emu.scenario.build import clock_hz_of
from emu.scenario.driver_source import DriverName
from emu.scenario.load_trade_steps import actions_of
from emu.scenario.model import ACTIONS, BoardModel, Scenario, Step
from emu.scenario.shape import Values
from emu.scenario.source import Node, Notes, passing
from emu.scenario.trade_names import CALLERS, SERIAL, SERIALS, trade_of_kind
from emu.units import LineSettings, format_duration, format_frequency

__all__ = [
    "Places",
    "check_actions",
    "check_bauds",
    "check_driver",
    "check_limit",
    "check_port",
    "check_scenario",
    "check_serial_keys",
    "driven_devices",
    "nearest_baud",
    "serial_devices",
]

_MOST_BAUD_ERROR = Fraction(3, 100)
_LARGEST_DIVISOR = 65535

Places = Mapping[str, Node]


def serial_devices(board: BoardModel) -> list[str]:
    """Return the names of the serial controllers of a board, in its order."""
    return [name for name, trade in driven_devices(board).items() if trade in SERIALS]


def driven_devices(board: BoardModel) -> dict[str, str]:
    """Return the devices of a board that drivers are tried on, in its order, with their trades."""
    trades = {one.name: trade_of_kind(one.kind) for one in board.devices}
    return {name: trade for name, trade in trades.items() if trade}


def nearest_baud(clock_hz: int, baud: int) -> tuple[int, Fraction]:
    """Return the divisor whose baud rate is nearest to `baud`, and how far off that rate is.

    Args:
        clock_hz: input clock of the controller in Hz.
        baud: wanted bits a second.

    Source: PC16550D data sheet, National Semiconductor, June 1995, section 8.3: the divisor is
    the clock over 16 times the baud rate, 1 to 65535.
    """
    divisor = min(max((clock_hz + 8 * baud) // (16 * baud), 1), _LARGEST_DIVISOR)
    return divisor, Fraction(clock_hz, 16 * divisor * baud) - 1


def check_scenario(
    scenario: Scenario, values: Values, steps: Sequence[Places], notes: Notes
) -> Scenario:
    """Return the scenario with the names in it resolved, having noted what does not go together.

    What is said of the board is left alone where the board could not be read.
    """
    trades = driven_devices(scenario.board) if "board" in values else None
    check_port(scenario.port, trades, values.place("port"), notes)
    trade = trades.get(scenario.port, SERIAL) if trades is not None else SERIAL
    check_serial_keys(trade, scenario, values, notes)
    _check_callers(trade, scenario, values, notes)
    check_actions(trade, scenario, steps, notes)
    far_port = _check_far_port(scenario, trades, values, notes)
    done = tuple(
        _with_port(step, places, scenario.port, far_port, notes) if scenario.port else step
        for step, places in zip(scenario.steps, steps, strict=True)
    )
    scenario = replace(scenario, steps=done)
    if trades is not None and trade in SERIALS:
        check_bauds(scenario, values, steps, notes)
    check_limit(scenario, values, notes)
    check_driver(scenario.driver, values.place("driver"), notes)
    if isinstance(values.get("far_end"), Values):
        place = values["far_end"].place("driver")
        check_driver(scenario.far_end.driver, place, notes)
    return scenario


def check_actions(trade: str, scenario: Scenario, steps: Sequence[Places], notes: Notes) -> None:
    """Note steps that a driver of this trade cannot be asked for."""
    known = ACTIONS if trade in SERIALS else actions_of(trade)
    for step, places in zip(scenario.steps, steps, strict=True):
        if step.action not in known:
            notes.refuse(
                places["step"], f"a {trade} driver is not asked to {step.action!r}",
                allowed=", ".join(known),
            )  # fmt: skip


def _check_callers(trade: str, scenario: Scenario, values: Values, notes: Notes) -> None:
    """Note calls that no other task makes to a driver of this trade."""
    known = CALLERS.get(trade, ())
    for name in scenario.callers:
        if name not in known:
            notes.refuse(
                values.place("callers"), f"no other task calls {name!r} of a {trade} driver",
                allowed=", ".join(known), fix="" if known else "leave it out",
            )  # fmt: skip


_SERIAL_KEYS = ("line", "far_end", "expect")


def check_serial_keys(trade: str, scenario: Scenario, values: Values, notes: Notes) -> None:
    """Note keys of serial lines that say nothing of the device that is driven."""
    if trade == "basic" and scenario.far_end.flow:
        notes.refuse(
            values["far_end"].place("flow"), f"{scenario.port} has no RTS for the far end to heed",
            fix="leave flow out",
        )  # fmt: skip
    for key in _SERIAL_KEYS:
        if key in values and trade not in SERIALS:
            what = f"{key} says something of a serial line, and {scenario.port} is driven by a "
            notes.refuse(values.place(key), f"{what}{trade} driver", fix="leave it out")


def check_port(
    port: str, names: Collection[str] | None, place: Node, notes: Notes, what: str = "driven device"
) -> None:
    """Note a name that is none of `names`; None stands for a board that could not be read."""
    if port and names is not None and port not in names and port not in notes.unread:
        notes.refuse(place, f"no {what} {port!r} on the board", fix=_known(port, names))


def _check_far_port(
    scenario: Scenario, trades: Mapping[str, str] | None, values: Values, notes: Notes
) -> str:
    """Return the name of the controller at the far end, empty when there is none."""
    port = scenario.far_end.port
    if not port:
        return ""
    place = values["far_end"].place("port")
    others = None
    if trades is not None:
        serial = [name for name, trade in trades.items() if trade == SERIAL]
        others = [name for name in serial if name != scenario.port]
    if port == scenario.port:
        fix = _known(port, others) if others is not None else "name the other controller"
        notes.refuse(place, f"{port!r} is the driven port itself", fix=fix)
    else:
        check_port(port, others, place, notes, "serial controller")
    return port


def _with_port(step: Step, places: Places, port: str, far_port: str, notes: Notes) -> Step:
    """Return a step with the port that it is done by, empty for the scenario's own."""
    if step.by in {"", port}:
        return replace(step, by="")
    if far_port and step.by in {"far", far_port}:
        return replace(step, by=far_port)
    names = [name for name in (port, far_port) if name]
    fix = _known(step.by, names)
    if not far_port:
        fix = "only a far end of kind port has a driver of its own"
    notes.refuse(places["by"], f"no driver on port {step.by!r}", fix=fix)
    return step


def check_bauds(scenario: Scenario, values: Values, steps: Sequence[Places], notes: Notes) -> None:
    """Note every baud rate that a controller is asked for and cannot make within 3 %."""
    clocks = {one.name: clock_hz_of(scenario.board, one.name) for one in scenario.board.devices}
    seen: set[tuple[str, int]] = set()
    for port, line, place in _lines(scenario, values, steps):
        clock_hz = clocks.get(port, 0)
        if not clock_hz or (port, line.baud) in seen:
            continue
        seen.add((port, line.baud))
        with passing():
            _check_baud(port, clock_hz, line.baud, place, notes)


def _check_baud(port: str, clock_hz: int, baud: int, place: Node, notes: Notes) -> None:
    divisor, error = nearest_baud(clock_hz, baud)
    if abs(error) <= _MOST_BAUD_ERROR:
        return
    made = Fraction(clock_hz, 16 * divisor)
    raise notes.refuse(
        place,
        f"{port} cannot make {baud} baud from {format_frequency(clock_hz)}: "
        f"divisor {divisor} makes {float(made):.0f}, {float(100 * error):+.1f} % off",
        allowed="3 % off",
        fix="change the clock of the device or the baud rate",
    )


def check_limit(scenario: Scenario, values: Values, notes: Notes) -> None:
    """Note a limit of time that leaves no driver the time for what the steps ask for."""
    time_ps, asked_ps = scenario.limits.time_ps, least_ps(scenario)
    if time_ps is not None and time_ps < asked_ps:
        digit = 10 ** max(len(str(asked_ps)) - 3, 0)
        least = format_duration(-(-asked_ps // digit) * digit)
        notes.refuse(
            values["limits"].place("time"),
            f"{format_duration(time_ps)} is not enough for the steps, which take {least}",
            allowed=f"{least} or longer",
            fix="leave it out, and it follows from the steps",
        )


def _lines(
    scenario: Scenario, values: Values, steps: Sequence[Places]
) -> Iterator[tuple[str, LineSettings, Node]]:
    """Yield what each port is opened with, and where that stands."""
    yield scenario.port, scenario.line, values.place("line")
    far = scenario.far_end
    if far.port:
        place = values["far_end"].place("line" if far.line else "port")
        yield far.port, far.line or scenario.line, place
    for step, places in zip(scenario.steps, steps, strict=True):
        if step.line is not None:
            yield step.by or scenario.port, step.line, places.get(step.action, places["step"])


def check_driver(driver: str, place: Node, notes: Notes) -> None:
    """Note a driver name of the wrong form, or whose file does not exist."""
    if not driver:
        return
    try:
        DriverName.parse(driver, base=notes.folder)
    except InputError as error:
        for flaw in error.flaws:
            notes.refuse(place, flaw.what, allowed=flaw.allowed, fix=flaw.fix)


def _known(word: str, names: Collection[str]) -> str:
    return nearest(word, names) or "there is none"
