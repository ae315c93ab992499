"""Faults of the serial line itself: noise on a wire, and a far end whose clock drifts.

They change the waveform and nothing else; what a receiver makes of it follows. Nothing of what is
received is waived: the device flags what it can see, and what it cannot see did arrive, as far as a
driver can know.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

from emu.faults.attached import Attached
from emu.faults.kind import Complaint, FaultKind, parse_whole
from emu.faults.target import Target
from emu.faults.waiver import Waiver
from emu.kernel.clock import PS_PER_S
from emu.kernel.parameter import Parameter
from emu.units import format_ratio, parse_duration, parse_ratio

__all__ = ["KINDS"]

_STEPS = 16
_MOST_DRIFT = Fraction(1, 2)


def _noise(fault: Attached) -> None:
    wire = fault.target.owner.signals[fault.target.line]
    width_ps: int = fault.settings["width"]
    mean_ps = max(1, PS_PER_S // fault.settings["per_second"])

    def later(from_ps: int) -> None:
        at_ps = from_ps + 1 + fault.random.randrange(2 * mean_ps)
        if at_ps < fault.until_ps and not fault.exhausted:
            fault.clock.schedule(at_ps, strike)
        else:
            fault.finish()

    def strike() -> None:
        now_ps = fault.clock.now_ps
        if fault.occasion():
            fault.inject(f"glitch on {fault.target.path}", f"glitch {fault.target.line}")
            wire.disturb(width_ps)
        later(now_ps + width_ps)

    fault.on_start.append(lambda: later(fault.from_ps))


def _needs_glitches(_target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    if not 1 <= settings["per_second"] <= 10**9:
        yield Complaint(f"per_second={settings['per_second']}", "1 to 1000000000")
    if not settings["width"]:
        yield Complaint("width=0: such a glitch is none", "1 ps or more")


def _drift(fault: Attached) -> None:
    far_end = fault.the_far_end
    to, over_ps = fault.settings["to"], fault.settings["over"]
    base = Fraction(0)
    steps = _STEPS if over_ps else 1
    ended = False

    def begin() -> None:
        nonlocal base
        base = far_end.baud_error
        first_ps = fault.clock.now_ps
        for number in range(1, steps + 1):
            at_ps = first_ps + over_ps * number // steps
            error = base + to * number / steps
            fault.clock.schedule(at_ps, lambda error=error: step(error))  # type: ignore[misc]

    def step(error: Fraction) -> None:
        if not ended and fault.in_window:
            fault.inject(f"far end of {fault.target.path} off by {format_ratio(error)}")
            far_end.configure(error)

    def end() -> None:
        nonlocal ended
        ended = True
        far_end.configure(base)

    fault.over_window(begin, end)


def _needs_drift(target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    if target.line != "sin":
        yield Complaint(
            f"{target.path} is driven by the device itself", f"{target.owner.name}.sin",
            "a board's own clock does not drift; name the line from the far end",
        )  # fmt: skip
    if not settings["to"]:
        yield Complaint("to=0 is no drift", "-50 % to 50 %, other than 0", "to: +2 %")
    elif abs(settings["to"]) > _MOST_DRIFT:
        yield Complaint(f"to={format_ratio(settings['to'])}", "-50 % to 50 %")


KINDS = (
    FaultKind(
        "noise", "glitches invert the line for a moment, at random times",
        ("line",), "time", _noise,
        (
            Parameter("per_second", parse_whole, 100, "glitches a second, on average",
                      json_type=("integer",)),
            Parameter("width", parse_duration, 10**6, "how long each inverts the line"),
        ),
        waives=(
            Waiver("quiet", "a glitch held the line at space just then", ("glitch sout",)),
        ),
        needs=_needs_glitches, spoils_far_end=True,
    ),
    FaultKind(
        "baud-drift", "the clock of the far end drifts away",
        ("line",), "time", _drift,
        (
            Parameter("to", parse_ratio, Fraction(0), "how far it drifts; positive is fast"),
            Parameter("over", parse_duration, 0, "how long that takes, 0 for at once"),
        ),
        needs=_needs_drift, spoils_far_end=True,
    ),
)  # fmt: skip
