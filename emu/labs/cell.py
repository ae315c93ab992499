"""What runs in the process that is started for one submission, and nowhere else.

The one idea: everything that is needed is loaded first, then the walls go up, and only then is the
submission's code touched. What came of it goes through a pipe as JSON, once, with the word that it
was given for it; whoever reads the pipe believes nothing else.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from types import FrameType
from typing import Any

from emu.errors import InputError, RunEnded
from emu.kernel.board import Board
from emu.kernel.watchdog import Watchdog
from emu.labs.confine import confine
from emu.labs.lab import LabRun
from emu.labs.moment import moment_of
from emu.labs.trials import Setting, Told, Tried, try_driver
from emu.labs.untouched import Untouched
from emu.scenario.driver_source import DriverBroken, DriverName, load_driver, text_of
from emu.scenario.load import parse_scenario
from emu.scenario.printed import Printed
from emu.scenario.trade import trade_of

__all__ = ["DRIVER_FILE", "main"]

DRIVER_FILE = "driver.py"
_PATIENCE_S = 1.0  # for code that runs while it is loaded
_LATER = ("emu.faults.kinds", "emu.record.tape", "emu.record.timeline", "emu.search.explain",
          "encodings.idna", "multiprocessing.connection", "multiprocessing.context", "random",
          "unicodedata")  # fmt: skip


def main(pipe: int) -> None:
    """Read a job from standard input, do it, and write what came of it to `pipe`."""
    job: dict[str, Any] = json.load(sys.stdin)

    def tell(answer: Mapping[str, Any]) -> None:
        data = json.dumps({"word": job["word"], **answer}).encode()
        while data:
            data = data[os.write(pipe, data) :]
        os._exit(0)

    def reached_out(what: str) -> None:
        tell({"stopped": f"it tried to {what}", "line": _line_in(scratch)})

    scratch = Path(job["scratch"])
    runs = tuple(LabRun(parse_scenario(one["scenario"]), one["hunt"]) for one in job["runs"])
    _load_the_rest()
    confine(job["bounds"], scratch, job["private"], reached_out)
    sys.stdout = sys.stderr = Printed()  # a driver that speaks may do so thousands of times
    try:
        tell(_answer(job, runs, scratch, tell))
    except BaseException as error:  # noqa: BLE001 - whatever it is, it came out of the submission
        tell({"stopped": f"it raised {type(error).__name__}: {text_of(error)}", "line": 0})


def _line_in(scratch: Path) -> int:
    """Return the line of the submission that is running, 0 if it is not."""
    frame: FrameType | None = sys._getframe(1)  # noqa: SLF001 - documented
    while frame is not None:
        if frame.f_code.co_filename == str(scratch / DRIVER_FILE):
            return frame.f_lineno
        frame = frame.f_back
    return 0


def _load_the_rest() -> None:
    """Load what the bench loads only when it first needs it."""
    package = sys.modules[__name__.partition(".")[0]]
    for name in package.__all__:
        getattr(package, name)
    for name in _LATER:
        import_module(name)


def _answer(
    job: dict[str, Any],
    runs: tuple[LabRun, ...],
    scratch: Path,
    tell: Callable[[Mapping[str, Any]], None],
) -> dict[str, Any]:
    """Return what came of the submission; one that cannot be stopped is told by `tell`."""
    before = Untouched()

    def stuck(tried: Tried) -> None:
        tell({"tried": asdict(tried)})

    try:
        driver = _driver(job, runs, scratch, tell)
    except DriverBroken as broken:
        failure = Told("", broken.rule, broken.message, broken.place[1], "")
        return {"tried": asdict(Tried([failure]))}
    except (InputError, RunEnded) as error:
        return {"stopped": str(error), "line": getattr(error, "line", 0)}
    with redirect_stdout(Printed()), redirect_stderr(Printed()):
        tried = try_driver(driver, runs, Setting(**job["setting"]), stuck=stuck)
        tried.failures.sort(key=lambda one: one.run != job["first"])
        moment = ""
        if job["rows"] and tried.failures and tried.failures[0].run:
            moment = moment_of(driver, runs, tried.failures[0], rows=job["rows"])
    return {"tried": asdict(tried), "moment": moment, "changes": before.changes()}


def _driver(
    job: dict[str, Any],
    runs: tuple[LabRun, ...],
    scratch: Path,
    tell: Callable[[Mapping[str, Any]], None],
) -> type:
    """Return the class of the submission.

    Raises:
        DriverBroken: its code fails, or the class lacks a method.
        InputError: it has no such class.
        RunEnded: it spins while it is loaded.
    """
    scenario = runs[0].scenario
    name = DriverName(str(scratch / DRIVER_FILE), job["driver"], is_file=True, shown=DRIVER_FILE)
    board = Board()

    def stuck(ended: RunEnded) -> None:
        tell({"stopped": str(ended), "line": ended.line})

    with Watchdog(board.clock, board.cpu, _PATIENCE_S, last_resort=stuck):
        return load_driver(name, trade_of(scenario.board, scenario.port).methods)
