"""Run a scenario: build the bench, drive the driver step by step, judge what came of it."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from pathlib import Path

from emu.errors import InputError, RunEnded
from emu.faults.arm import arm
from emu.kernel.board import Board
from emu.kernel.bus import BusError
from emu.kernel.clock import NEVER_PS
from emu.kernel.journal import DEFAULT_EVENTS
from emu.kernel.where import Place, driver_place
from emu.rules.attach import attach_rules, crowded
from emu.rules.finding import Findings
from emu.scenario.asked import limit_ps, most_ps
from emu.scenario.build import build_board
from emu.scenario.driver_set import load_driver_set, names_of_set
from emu.scenario.driver_source import DriverBroken, place_of_error, rule_of_error, text_of
from emu.scenario.guarded import RunOver
from emu.scenario.model import Scenario
from emu.scenario.outcome import Measures, Outcome, in_order, without_echoes
from emu.scenario.printed import Printed
from emu.scenario.stage import Bench, Stage
from emu.scenario.trade import trade_of
from emu.units import show_duration

__all__ = ["Run", "run_scenario"]


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
        bench: what the run stands on.
        stage: where the driver plays.
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
        for controller in self.board.sources.controllers:
            if controller not in {one.port for one in scenario.drivers}:
                self.board.stand_in_for(controller)
        self.board.power_on()
        self.findings = Findings(self.board.clock)
        self.ended = ""
        self._caller: Place = ("", 0)
        self._printed = Printed()
        self._driver = driver or scenario.driver
        trade = trade_of(scenario.board, scenario.port)
        self.bench = Bench(scenario, self.board, self.findings, trade.methods, detailed=places)
        self._base = base if driver and base else self.bench.folder
        several = bool(scenario.drivers)
        self.stage: Stage = _several(self.bench) if several else trade.stage(self.bench)
        with self.board.rewiring():
            self.bench.armed = arm(
                scenario.faults, self.board, far_ends=self.stage.far_ends, seed=scenario.seed
            )
            self.bench.rules = attach_rules(
                self.board, self.findings, driven=self.stage.driven,
                crowded=crowded(self.board, self.stage.driven) if several else (),
                meddled=self.bench.meddled,
            )  # fmt: skip
        self._limit_ps = limit_ps(scenario)
        self._cut = until_ps is not None and until_ps <= self._limit_ps
        if self._cut and until_ps is not None:
            self._limit_ps = until_ps
        self.board.cpu.set_limit(self._limit_ps)

    @property
    def driver_name(self) -> str:
        """The driver as named, a file seen from the working folder; or the name of its class."""
        if self.scenario.drivers:
            return names_of_set(self.scenario)
        if not isinstance(self._driver, str):
            return self._driver.__qualname__
        module, colon, name = self._driver.rpartition(":")
        path = os.path.normpath(self._base / module) if module.endswith(".py") else module
        return f"{path}{colon}{name}"

    def outcome(self) -> Outcome:
        """Play all steps and judge."""
        self._caller = driver_place()
        try:
            with redirect_stdout(self._printed), _nobody_called_by_gc():
                self.stage.play(self._load())
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

    def _load(self) -> type:
        """Return the driver's class, or the one that stands for all drivers."""
        if self.scenario.drivers and isinstance(self._driver, str):
            return load_driver_set(self.scenario)
        return self.bench.load(self._driver, self._base)

    def _note_raised(self, error: BaseException) -> None:
        """Note what a handler raised while no call was under way; anything else is our mistake."""
        place = place_of_error(error)
        if not place[1]:
            raise error
        self.ended = f"a handler raised {type(error).__name__}"
        if isinstance(error, BusError) and self.bench.bus_error_injected():
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

    def _injections(self) -> dict[str, int]:
        """Count what each fault did, by kind and target."""
        counts: dict[str, int] = {}
        for fault in self.bench.armed.faults:
            name = f"{fault.spec.kind} on {fault.spec.target}"
            counts[name] = counts.get(name, 0) + fault.injected
        return counts

    # judging

    def _judge(self) -> Outcome:
        scenario, board = self.scenario, self.board
        board.journal.settle()
        self.bench.rules.finish()
        outcome = Outcome(
            scenario.title, scenario.path, self.driver_name, scenario.seed, ended=self.ended,
            steps=self.bench.notes, measures=self._measures(), printed=self._printed.text,
        )  # fmt: skip
        self.stage.judge(outcome)
        outcome.findings = in_order(without_echoes(self.findings.all()))
        return outcome

    def _measures(self) -> Measures:
        board, cpu = self.board, self.board.cpu
        return Measures(
            time_ps=board.clock.now_ps,
            main_ps=cpu.main_ps,
            polling_ps=cpu.polled_ps,
            handler_ps=cpu.handler_ps,
            idle_ps=cpu.idle_ps,
            stalled_ps=board.clock.stalled_ps,
            interrupts=cpu.entries,
            accesses=sum(sum(one) for one in board.bus.accesses().values()),
            events=board.clock.events,
            injections=self._injections(),
        )


def _several(bench: Bench) -> Stage:
    """Return the stage of several drivers, which imports what a single one does not need."""
    from emu.scenario.several_stage import SeveralStage

    return SeveralStage(bench)


@contextmanager
def _nobody_called_by_gc() -> Iterator[None]:
    """Let no code of others run in the middle of the driver's whenever memory is tidied up.

    Test tools hook themselves in there; their lines would be taken for lines of the driver.
    """
    hooked = gc.callbacks[:]
    gc.callbacks.clear()
    try:
        yield
    finally:
        gc.callbacks[:] = hooked


def _at_most(scenario: Scenario) -> str:
    asked_ps = most_ps(scenario)
    return "for ever" if asked_ps == NEVER_PS else f"up to {show_duration(asked_ps)}"
