"""What runs in the process that is started for one submission, and nowhere else.

The one idea: everything that is needed is loaded first, then the walls go up, and only then is the
submission's code touched. What came of it goes through a pipe as JSON, once, with the word that it
was given for it; whoever reads the pipe believes nothing else.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from typing import Any

from emu.kernel.where import driver_place
from emu.labs.confine import confine
from emu.labs.lab import LabRun
from emu.labs.moment import moment_of
from emu.labs.trials import Setting, Told, Tried, try_driver
from emu.labs.untouched import Untouched
from emu.scenario.driver_source import DriverBroken, DriverName, load_driver
from emu.scenario.from_python import scenario_of
from emu.scenario.printed import Printed
from emu.scenario.trade import trade_of

__all__ = ["DRIVER_FILE", "main"]

DRIVER_FILE = "driver.py"
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
        tell({"stopped": f"it tried to {what}", "line": driver_place()[1]})

    runs = tuple(LabRun(scenario_of(one["scenario"]), one["hunt"]) for one in job["runs"])
    _load_the_rest()
    scratch = Path(job["scratch"])
    confine(job["bounds"], scratch, job["private"], reached_out)
    sys.stdout = sys.stderr = Printed()  # a driver that speaks may do so thousands of times
    tell(_answer(job, runs, scratch))


def _load_the_rest() -> None:
    """Load what the bench loads only when it first needs it."""
    package = sys.modules[__name__.partition(".")[0]]
    for name in package.__all__:
        getattr(package, name)
    for name in _LATER:
        import_module(name)


def _answer(job: dict[str, Any], runs: tuple[LabRun, ...], scratch: Path) -> dict[str, Any]:
    """Return what came of the submission."""
    before = Untouched()
    try:
        driver = _driver(job, runs, scratch)
    except DriverBroken as broken:
        failure = Told("", broken.rule, broken.message, broken.place[1], "")
        return {"tried": asdict(Tried([failure]))}
    with redirect_stdout(Printed()), redirect_stderr(Printed()):
        tried = try_driver(driver, runs, Setting(**job["setting"]))
        tried.failures.sort(key=lambda one: one.run != job["first"])
        moment = ""
        if job["rows"] and tried.failures and tried.failures[0].run:
            moment = moment_of(driver, runs, tried.failures[0], rows=job["rows"])
    return {"tried": asdict(tried), "moment": moment, "changes": before.changes()}


def _driver(job: dict[str, Any], runs: tuple[LabRun, ...], scratch: Path) -> type:
    """Return the class of the submission.

    Raises:
        DriverBroken: its code fails, it has no such class, or the class lacks a method.
    """
    scenario = runs[0].scenario
    name = DriverName(str(scratch / DRIVER_FILE), job["driver"], is_file=True, shown=DRIVER_FILE)
    return load_driver(name, trade_of(scenario.board, scenario.port).methods)
