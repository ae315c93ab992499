"""Run a scenario: build the bench, drive the driver step by step, judge what came of it."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import redirect_stdout
from itertools import takewhile
from pathlib import Path

from emu.devices.serial_driver import LineErrors
from emu.devices.uart16550 import Uart16550
from emu.errors import InputError, RunEnded
from emu.faults.arm import arm
from emu.kernel.board import Board
from emu.kernel.bus import BusError, Window
from emu.kernel.clock import NEVER_PS
from emu.kernel.cpu import Cpu
from emu.kernel.journal import DEFAULT_EVENTS
from emu.kernel.where import Place, driver_place
from emu.line.far_end import FarEnd
from emu.record.characters import note_characters
from emu.rules.attach import attach_rules
from emu.rules.finding import Findings
from emu.scenario.asked import limit_ps, most_ps
from emu.scenario.build import build_board
from emu.scenario.contract import counter
from emu.scenario.driver_source import (
    DriverBroken,
    DriverName,
    load_driver,
    place_of_error,
    rule_of_error,
    text_of,
)
from emu.scenario.guarded import RunOver
from emu.scenario.model import Scenario, Step
from emu.scenario.outcome import Measures, Outcome, StepNote, in_order, without_echoes
from emu.scenario.port import DrivenPort
from emu.scenario.printed import Printed
from emu.scenario.steps import StepPlayer
from emu.units import show_duration

__all__ = ["Run", "run_scenario"]

_NEUTRAL = ("wait", "work")  # let time pass, whatever the port is


def run_scenario(
    scenario: Scenario,
    driver: type | str = "",
    *,
    base: Path | None = None,
    events: int | None = DEFAULT_EVENTS,
    places: bool = False,
) -> Outcome:
    """Run `scenario` and return what came of it.

    Args:
        scenario: what is asked for.
        driver: the driver's class or name; the scenario's own when empty.
        base: folder from which a name given here counts; the scenario's folder when None, as for
            the scenario's own driver.
        events: how many journal entries to keep, None for all.
        places: note the driver's line with every entry, and characters on the wire besides.

    Raises:
        InputError: the driver's name leads nowhere.
    """
    return Run(scenario, driver, base=base, events=events, places=places).outcome()


class Run:
    """One run of one scenario.

    Attributes:
        board: the board, for whoever reads the journal afterwards.
        findings: what the rules saw so far.
        hand_out: returns the window and the processor that the driver of a port is given.
        ports: the driven ports by name, once the run has begun.
    """

    def __init__(
        self,
        scenario: Scenario,
        driver: type | str = "",
        *,
        base: Path | None = None,
        events: int | None = DEFAULT_EVENTS,
        places: bool = False,
        until_ps: int | None = None,
    ) -> None:
        self.scenario = scenario
        self.board: Board = build_board(scenario.board, events=events, places=places)
        self.board.power_on()
        self.findings = Findings(self.board.clock)
        self.notes: list[StepNote] = []
        self.ended = ""
        self._caller: Place = ("", 0)
        self._detailed = places
        self._printed = Printed()
        self._traffic_end: tuple[int, int] | None = None
        self.ports: dict[str, DrivenPort] = {}
        self.hand_out: Callable[[str], tuple[Window, Cpu]] = lambda name: (
            self.board.window(name), self.board.cpu,
        )  # fmt: skip
        self._driver = driver or scenario.driver
        self._folder = Path(scenario.path).parent
        self._base = base if driver and base else self._folder
        self._far_end = self._connect()
        with self.board.rewiring():
            self._armed = arm(
                scenario.faults,
                self.board,
                far_ends={scenario.port: self._far_end} if self._far_end else {},
                seed=scenario.seed,
            )
            self._rules = attach_rules(self.board, self.findings, driven=self._driven)
        self._limit_ps = limit_ps(scenario)
        self._cut = until_ps is not None and until_ps <= self._limit_ps
        if self._cut and until_ps is not None:
            self._limit_ps = until_ps
        self.board.cpu.set_limit(self._limit_ps)

    @property
    def _driven(self) -> tuple[str, ...]:
        """The devices that a driver is given; others cannot be reached."""
        far_end = self.scenario.far_end
        return (
            (self.scenario.port, far_end.port) if far_end.kind == "port" else (self.scenario.port,)
        )

    @property
    def driver_name(self) -> str:
        """The driver as named, a file seen from the working folder; or the name of its class."""
        if not isinstance(self._driver, str):
            return self._driver.__qualname__
        module, colon, name = self._driver.rpartition(":")
        path = os.path.normpath(self._base / module) if module.endswith(".py") else module
        return f"{path}{colon}{name}"

    def outcome(self) -> Outcome:
        """Play all steps and judge."""
        self._caller = driver_place()
        try:
            with redirect_stdout(self._printed):
                self._play()
        except RunOver as over:
            self.ended = str(over)
        except DriverBroken as broken:
            self.ended = broken.message
            self.findings.report(broken.rule, broken.message, place=broken.place)
        except RunEnded as ended:
            self._note_ended(ended)
        except (InputError, KeyboardInterrupt):
            raise
        except BaseException as error:  # noqa: BLE001 - a handler of the driver may raise anything
            self._note_raised(error)
        return self._judge()

    def _note_raised(self, error: BaseException) -> None:
        """Note what a handler raised while no call was under way; anything else is our mistake."""
        place = place_of_error(error)
        if not place[1]:
            raise error
        self.ended = f"a handler raised {type(error).__name__}"
        if isinstance(error, BusError) and self._bus_error_injected():
            return
        self.findings.report(rule_of_error(error), f"{self.ended}: {text_of(error)}", place=place)

    def _note_ended(self, ended: RunEnded) -> None:
        """Note that the run ended early; that is no finding where it was asked for.

        Nor where the limit leaves less time than a good driver may need for what is asked.
        """
        self.ended = ended.message
        if ended.rule == "time-limit" and not self._cut and self._limit_ps < most_ps(self.scenario):
            self.ended += f", and what is asked for may take {_at_most(self.scenario)}"
        elif not (ended.cause or (self._cut and ended.rule == "time-limit")):
            place = (ended.file, ended.line)
            self.findings.report(
                ended.rule, ended.message, place=("", 0) if place == self._caller else place
            )

    def end(self, rule: str, message: str, place: Place) -> Outcome:
        """Judge a run that could not be ended from inside; see `emu.kernel.watchdog`."""
        self.ended = message
        self.findings.report(rule, message, place=place)
        return self._judge()

    # building

    def _uart(self, name: str) -> Uart16550:
        device = self.board.device(name)
        assert isinstance(device, Uart16550)
        return device

    def _connect(self) -> FarEnd | None:
        """Hang the far end on the line: a model, or another controller by a crossed cable."""
        scenario = self.scenario
        uart = self._uart(scenario.port)
        if scenario.far_end.kind != "port":
            return FarEnd(
                scenario.far_end, self.board.clock, uart.signals, scenario.line,
                seed=scenario.seed,
            )  # fmt: skip
        other = self._uart(scenario.far_end.port)
        for one, two in ((uart, other), (other, uart)):
            one.wire_input(two.sout)
            two.signals["rts"].watch(one.signals["cts"].set)
            two.signals["dtr"].watch(one.signals["dsr"].set)
            two.signals["dtr"].watch(one.signals["dcd"].set)
        return None

    def _load(self, named: type | str, base: Path) -> type:
        if isinstance(named, type):
            return named
        ours = (self.scenario.driver, self.scenario.far_end.driver)
        where = f"{self.scenario.path}: driver" if named in ours else "driver"
        return load_driver(DriverName.parse(named, base=base, where=where), where=where)

    def _other_driver(self, driver: type) -> type:
        """Return the driver at the far end of a cable: its own, or the same as the first."""
        named = self.scenario.far_end.driver
        return self._load(named, self._folder) if named else driver

    def _make_port(self, name: str, driver: type, far_end: FarEnd | None) -> DrivenPort:
        port = DrivenPort(
            self.board, name, driver, far_end, findings=self.findings,
            rules=self._rules.port(name), excused=self._bus_error_injected,
            given=self.hand_out(name),
        )  # fmt: skip
        if self._detailed:
            note_characters(self.board, name)
        port.contract.calm = lambda: not any(fault.injected for fault in self._armed.faults)
        port.contract.witness.sound = lambda: not self._armed.far_end_spoiled(name)
        if self._armed.faults:
            port.contract.excuses.find = lambda from_ps, opened_ps: self._armed.waivers(
                from_ps, opened_ps=opened_ps, device=name
            )
        return port

    # playing

    def _play(self) -> None:
        scenario = self.scenario
        driver = self._load(self._driver, self._base)
        self.ports[scenario.port] = self._make_port(scenario.port, driver, self._far_end)
        if scenario.far_end.kind == "port":
            other = self._other_driver(driver)
            self.ports[scenario.far_end.port] = self._make_port(scenario.far_end.port, other, None)
        self._armed.before_open()
        player = StepPlayer(scenario, self.board, self.ports, self._far_end, self.notes)
        player.before_open = self._before_open
        if self._far_end is not None:
            player.after_open = self._far_end.opened
        steps = whole_steps(scenario, tuple(self.ports))
        last = _last_close(steps, scenario.port)
        for number, step in enumerate(steps):
            if number == last and step.how != "now":
                player.finish(faults_over=self._faults_over(), reset=self._was_reset())
                self._traffic_end = player.traffic_end
            player.play(step)

    def _before_open(self) -> None:
        """Let faults begin, and the far end listen for RTS."""
        self._armed.start(self.board.clock.now_ps)
        if self._far_end is not None:
            self._far_end.attend()

    def _bus_error_injected(self) -> bool:
        return any(
            fault.injected and fault.spec.kind == "bus-error" for fault in self._armed.faults
        )

    def _injections(self) -> dict[str, int]:
        """Count what each fault did, by kind and target."""
        counts: dict[str, int] = {}
        for fault in self._armed.faults:
            name = f"{fault.spec.kind} on {fault.spec.target}"
            counts[name] = counts.get(name, 0) + fault.injected
        return counts

    def _was_reset(self) -> bool:
        """Whether a fault set device and driver at odds, so that the port must be opened again.

        Or a call ended in a bus error, to which whoever called it would answer so.
        """
        name = self.scenario.port
        return self._armed.estranged(name) or self.ports[name].failed

    def _faults_over(self) -> bool:
        return len(self.scenario.faults) > 0 and not self._armed.pending

    # judging

    def _judge(self) -> Outcome:
        scenario, board = self.scenario, self.board
        board.journal.settle()
        self._rules.finish()
        outcome = Outcome(
            scenario.title, scenario.path, self.driver_name, scenario.seed, ended=self.ended,
            steps=self.notes, measures=self._measures(), printed=self._printed.text,
        )  # fmt: skip
        for name, port in self.ports.items():
            if self.ended:
                port.contract.cut()
            waivers = self._armed.waivers(device=name)
            waived = {promise: "; ".join(reasons) for promise, reasons in waivers.items()}
            promises = port.contract.judge(port.errors, waived)
            if name == scenario.port:
                outcome.promises = promises
                outcome.errors = _counters(port.errors)
                outcome.flagged = port.contract.flagged
                outcome.unmet = [] if self.ended else self._unmet(port)
            else:
                outcome.promises = _worse(outcome.promises, promises, name)
        outcome.findings = in_order(without_echoes(self.findings.all()))
        return outcome

    def _unmet(self, port: DrivenPort) -> list[str]:
        """Compare the run with what the scenario expects."""
        expect = self.scenario.expect
        unmet = []
        read_end, heard_end = self._traffic_end or (None, None)
        received = bytes(port.contract.received[:read_end])
        if expect.received is not None and received != expect.received:
            unmet.append(f"read returned {_short(received)}, expected {_short(expect.received)}")
        if expect.far_end_received is not None:
            heard = bytes(self._far_end.received[:heard_end]) if self._far_end else b""
            if heard != expect.far_end_received:
                unmet.append(
                    f"the far end heard {_short(heard)}, expected {_short(expect.far_end_received)}"
                )
        counters = _counters(port.errors)
        for name, (least, most) in expect.errors.items():
            count = counters.get(name, 0)
            if not least <= count <= most:
                wanted = str(least) if least == most else f"{least} to {most}"
                unmet.append(f"errors.{name} is {count}, expected {wanted}")
        return unmet

    def _measures(self) -> Measures:
        board, cpu = self.board, self.board.cpu
        contracts = [port.contract for port in self.ports.values()]
        return Measures(
            time_ps=board.clock.now_ps,
            main_ps=cpu.main_ps,
            polling_ps=cpu.polled_ps,
            handler_ps=cpu.handler_ps,
            idle_ps=cpu.idle_ps,
            stalled_ps=board.clock.stalled_ps,
            bytes_arrived=sum(one.arrived_count for one in contracts),
            bytes_returned=sum(len(one.received) for one in contracts),
            bytes_accepted=sum(len(one.accepted) for one in contracts),
            bytes_sent=sum(len(one.shifted) for one in contracts),
            bytes_lost=sum(one.lost for one in contracts),
            overruns=sum(one.overruns for one in contracts),
            interrupts=cpu.entries,
            accesses=sum(sum(one) for one in board.bus.accesses().values()),
            events=board.clock.events,
            injections=self._injections(),
        )


def whole_steps(scenario: Scenario, ports: tuple[str, ...]) -> list[Step]:
    """Return the steps with ``open`` in front and ``close`` at the end of each port where missing.

    A port at the far end of a cable is opened first, so that it is there when the driver speaks.
    What is done to a closed port first comes before ``open``.
    """
    steps = list(scenario.steps)
    for name in ports:
        own = [step for step in steps if (step.by or scenario.port) == name]
        by = "" if name == scenario.port else name
        if not _opens(own):
            places = [at for at, step in enumerate(steps) if (step.by or scenario.port) == name]
            early = _early(own)
            steps.insert(places[early - 1] + 1 if early else 0, Step("open", by=by))
        if not own or own[-1].action != "close":
            steps.append(Step("close", by=by))
    return steps


def _opens(own: list[Step]) -> bool:
    """Whether the first step that asks something of an open port is ``open``."""
    asking = [step for step in own if not (_needs_no_open(step) or step.action in _NEUTRAL)]
    return bool(asking) and asking[0].action == "open"


def _early(own: list[Step]) -> int:
    """Return how many of a port's steps, from the first, come before it is opened."""
    first = list(takewhile(lambda step: _needs_no_open(step) or step.action in _NEUTRAL, own))
    return max((at for at, step in enumerate(first, 1) if _needs_no_open(step)), default=0)


def _last_close(steps: list[Step], port: str) -> int:
    """Return the number of the step that closes `port` for good."""
    last, is_open = len(steps) - 1, False
    for number, step in enumerate(steps):
        if (step.by or port) != port or step.action in _NEUTRAL:
            continue
        if step.action == "close" and is_open:
            last = number
        is_open = step.action not in ("close", "leftovers")
    return last


def _needs_no_open(step: Step) -> bool:
    """Whether a step is meant for a closed port."""
    return step.action == "leftovers" or (step.action == "close" and step.how == "again")


def _at_most(scenario: Scenario) -> str:
    asked_ps = most_ps(scenario)
    return "for ever" if asked_ps == NEVER_PS else f"up to {show_duration(asked_ps)}"


def _counters(errors: object) -> dict[str, int]:
    return {name: counter(errors, name) or 0 for name in LineErrors.__slots__}


def _worse(ours: list, theirs: list, name: str) -> list:  # type: ignore[type-arg]
    """Merge the promises of a second port: a broken one counts, with the port's name."""
    merged = []
    for one, other in zip(ours, theirs, strict=True):
        if one.kept and not other.kept:
            merged.append(type(other)(other.promise, False, f"{name}: {other.detail}"))
        else:
            merged.append(one)
    return merged


def _short(data: bytes) -> str:
    """Return bytes as text of a bearable length."""
    return f"{data!r}" if len(data) <= 32 else f"{data[:24]!r}... ({len(data)} bytes)"
