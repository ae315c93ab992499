"""What came of a run: verdict, findings, promises, measures; printable and as JSON."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from emu.kernel.clock import PS_PER_S
from emu.rules.finding import Finding
from emu.scenario.promise import Promise

__all__ = ["Measures", "Outcome", "StepNote", "in_order", "without_echoes"]


@dataclass(slots=True)
class StepNote:
    """Say how one step went, in a few words; `by` names the device where there are several."""

    action: str
    at_ps: int
    text: str
    row: int = 0
    by: str = ""


@dataclass(slots=True)
class Measures:
    """Hold what was counted.

    Args:
        time_ps: simulated time of the run.
        main_ps, polling_ps, handler_ps, idle_ps, stalled_ps: where it went.
        bytes_arrived: characters that arrived from the line while the port was open.
        bytes_returned: what ``read`` returned.
        bytes_accepted: what ``write`` accepted.
        bytes_sent: what started on the wire.
        bytes_lost: characters lost to overruns.
        overruns: how often the overrun flag rose.
        interrupts: handler entries.
        accesses: register accesses by the driver.
        events: hardware events.
        injections: faults injected, by kind and target.
    """

    time_ps: int = 0
    main_ps: int = 0
    polling_ps: int = 0
    handler_ps: int = 0
    idle_ps: int = 0
    stalled_ps: int = 0
    bytes_arrived: int = 0
    bytes_returned: int = 0
    bytes_accepted: int = 0
    bytes_sent: int = 0
    bytes_lost: int = 0
    overruns: int = 0
    interrupts: int = 0
    accesses: int = 0
    events: int = 0
    injections: dict[str, int] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Return the measures with times in seconds and the CPU split in per cent."""
        total_ps = max(self.time_ps, 1)
        split = {
            name: round(100 * getattr(self, f"{name}_ps") / total_ps, 3)
            for name in ("main", "polling", "handler", "idle", "stalled")
        }
        counts = {
            name: getattr(self, name)
            for name in ("interrupts", "accesses", "events", "overruns", "bytes_arrived",
                         "bytes_returned", "bytes_accepted", "bytes_sent", "bytes_lost")
        }  # fmt: skip
        return {
            "time_s": self.time_ps / PS_PER_S,
            "cpu_percent": split,
            **counts,
            "injections": dict(self.injections),
        }


@dataclass(slots=True)
class Outcome:
    """Hold everything that a run showed.

    Args:
        title: the scenario's.
        scenario: its file, empty when it came from Python.
        driver: the driver as named.
        seed: seed of everything random.
        findings: what the rules saw, in the order of time.
        promises: how the contract fared; of several drivers each is ``DEVICE.promise``, and so
            are the names of `errors` and `flagged`.
        unmet: expectations of the scenario that were not met, in words.
        measures: counts and times.
        errors: the driver's own counters at the end.
        flagged: for each of them how often the device flagged that error: how many of those the
            driver must have counted, and how many there were in all.
        steps: how each step went.
        printed: what the driver printed, shortened.
        ended: why the run ended early, empty when it did not.
    """

    title: str
    scenario: str
    driver: str
    seed: int
    findings: list[Finding] = field(default_factory=list)
    promises: list[Promise] = field(default_factory=list)
    unmet: list[str] = field(default_factory=list)
    measures: Measures = field(default_factory=Measures)
    errors: dict[str, int] = field(default_factory=dict)
    flagged: dict[str, tuple[int, int]] = field(default_factory=dict)
    steps: list[StepNote] = field(default_factory=list)
    printed: str = ""
    ended: str = ""

    @property
    def clean(self) -> bool:
        """Whether nothing speaks against the driver."""
        return not self.findings and not self.unmet and all(one.kept for one in self.promises)

    @property
    def verdict(self) -> str:
        """``"clean"`` or ``"failed"``."""
        return "clean" if self.clean else "failed"

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as plain data for ``--json``."""
        return {
            "verdict": self.verdict,
            "scenario": self.title,
            "file": self.scenario,
            "driver": self.driver,
            "seed": self.seed,
            "findings": [_finding_json(one) for one in self.findings],
            "contract": [
                {"promise": one.promise, "kept": one.kept, "detail": one.detail,
                 "waived": one.waived}
                for one in self.promises
            ],
            "unmet": list(self.unmet),
            "measures": self.measures.as_json(),
            "errors": dict(self.errors),
            "flagged": {name: list(bounds) for name, bounds in self.flagged.items()},
            "steps": [
                {"action": one.action, "time_s": one.at_ps / PS_PER_S, "text": one.text}
                | ({"by": one.by} if one.by else {})
                for one in self.steps
            ],
            "ended": self.ended,
            "printed": self.printed,
        }  # fmt: skip


def _finding_json(one: Finding) -> dict[str, Any]:
    return {
        "rule": one.rule,
        "file": one.file,
        "line": one.line,
        "register": one.register,
        "time_s": one.time_ps / PS_PER_S,
        "message": one.message,
        "count": one.count,
    }


def without_echoes(findings: Iterable[Finding]) -> list[Finding]:
    """Leave out that a bus error came out of a call, where the access itself is a finding.

    Both are at the same line, and the access says more.
    """
    kept = list(findings)
    told = {(one.file, one.line) for one in kept if one.rule in ("unmapped-access", "wrong-width")}
    return [
        one
        for one in kept
        if not (
            one.rule == "driver-raised"
            and " raised BusError: " in one.message
            and (one.file, one.line) in told
        )
    ]


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings sorted by time."""
    return sorted(findings, key=lambda one: one.time_ps)
