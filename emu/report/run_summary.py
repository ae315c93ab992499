"""The outcome of a run on a screen of 100 columns: verdict first, then why, then the figures.

The order is that of the reader's questions: did it pass, what is wrong and at which line, what is
to be done, what arrived and what was lost, where the processor's time went, what to try next.
"""

from __future__ import annotations

import os
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

from emu.rules.catalogue import RULES
from emu.rules.finding import Finding
from emu.scenario.outcome import Measures, Outcome
from emu.scenario.promise import Promise
from emu.units import show_duration

__all__ = ["WIDTH", "Paint", "plain", "render_outcome", "short_path", "wrapped"]

WIDTH = 100
_LONGEST_PLACE = WIDTH - 5
Paint = Callable[[str, str], str]  # text and one of "good", "bad", "name", "dim"


def plain(text: str, _tone: str) -> str:
    """Return `text` as it is."""
    return text


def render_outcome(outcome: Outcome, paint: Paint = plain, *, next_step: str = "") -> str:
    """Return the outcome as text that ends in a newline.

    Args:
        outcome: what came of the run.
        paint: colours a text by its tone; the words alone carry the meaning.
        next_step: what the reader may want to do now.
    """
    lines = [
        *_head(outcome, paint),
        *_findings(outcome.findings, paint),
        *_contract(outcome, paint),
        *_unmet(outcome.unmet, paint),
        *_steps(outcome),
        *_figures(outcome, paint),
    ]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(lines) + "\n"


def _head(outcome: Outcome, paint: Paint) -> Iterator[str]:
    yield from (paint(line, "name") for line in wrapped(outcome.title, ""))
    yield from wrapped(f"driver {short_path(outcome.driver)}, seed {outcome.seed}", "")
    yield ""
    simulated = f"{show_duration(outcome.measures.time_ps)} simulated"
    if outcome.clean:
        word = "CLEAN SO FAR" if outcome.ended else "CLEAN"
        yield f"{paint(word, 'good')}   {_kept(outcome.promises)}, no findings, {simulated}"
        yield from _early(outcome)
        return
    broken = sum(1 for one in outcome.promises if not one.kept)
    against = [
        _count(len(outcome.findings), "finding") if outcome.findings else "",
        f"{_count(broken, 'promise')} broken" if broken else "",
        f"{_count(len(outcome.unmet), 'expectation')} unmet" if outcome.unmet else "",
    ]
    parts = [*(one for one in against if one), simulated]
    yield f"{paint('FAILED', 'bad')}   {', '.join(parts)}"
    yield from _early(outcome)


def _early(outcome: Outcome) -> Iterator[str]:
    if outcome.ended:
        number = _told_in(outcome.findings, outcome.ended)
        how = f", see finding {number}" if number else f": {outcome.ended}"
        yield from wrapped(f"the run ended early{how}", "         ")


def _told_in(findings: list[Finding], text: str) -> int:
    """Return the number of the finding that says what `text` says, 0 if none does."""
    told = (number for number, one in enumerate(findings, 1) if one.message.startswith(text))
    return next(told, 0)


def _kept(promises: list[Promise]) -> str:
    waived = sum(1 for one in promises if one.waived)
    kept = f"{len(promises) - waived} of {len(promises)} promises kept"
    return f"{kept}, {waived} waived" if waived else kept


def _findings(findings: list[Finding], paint: Paint) -> Iterator[str]:
    for number, one in enumerate(findings, 1):
        place = f"{short_path(one.file)}:{one.line}" if one.file else "no driver line"
        if len(place) > _LONGEST_PLACE:
            place = "..." + place[3 - _LONGEST_PLACE :]  # its end is what tells it from others
        often = f", {one.count} times" if one.count > 1 else ""
        yield ""
        when = f"at {show_duration(one.time_ps)}{often}"
        fits = len(f"{number}. {place}  {one.rule}  {when}") <= WIDTH
        yield (
            f"{number}. {paint(place, 'bad')}"
            + ("  " if fits else "\n   ")
            + (f"{paint(one.rule, 'name')}  {when}")
        )
        yield from wrapped(one.message, "   ")
        rule = RULES.get(one.rule)
        if rule is not None:
            yield from wrapped(rule.why, "   ", "why  ")
            yield from wrapped(rule.instead, "   ", "do   ")


def _contract(outcome: Outcome, paint: Paint) -> Iterator[str]:
    spoken = [one for one in outcome.promises if not one.kept or one.waived]
    if not spoken:
        return
    yield ""
    for one in spoken:
        word = "waived" if one.waived else paint("broken", "bad")
        yield f"{word} promise {paint(one.promise, 'name')}: {one.meaning}"
        number = _told_in(outcome.findings, one.detail) if one.detail else 0
        yield from wrapped(f"see finding {number}" if number else one.detail, "   ")


def _unmet(unmet: list[str], paint: Paint) -> Iterator[str]:
    if unmet:
        yield ""
    for text in unmet:
        first, *rest = wrapped(f"unmet expectation: {text}", "", hang="   ")
        yield first.replace("unmet", paint("unmet", "bad"), 1)
        yield from rest


def _steps(outcome: Outcome) -> Iterator[str]:
    yield ""
    yield "Asked for"
    whose = max((len(one.by) + 2 for one in outcome.steps if one.by), default=0)
    for one in outcome.steps:
        when = show_duration(one.at_ps)
        yield f"  {when:>10}  {one.by:<{whose}}{one.action:<9} {one.text}"


def _figures(outcome: Outcome, paint: Paint) -> Iterator[str]:
    measures = outcome.measures
    yield ""
    lost = f", {measures.bytes_lost} lost for want of room" if measures.bytes_lost else ""
    arrived, returned = measures.bytes_arrived, measures.bytes_returned
    accepted, sent = measures.bytes_accepted, measures.bytes_sent
    if outcome.errors:  # it is a serial driver
        yield f"Received  {arrived} bytes arrived, {returned} returned by read{lost}"
        yield f"Sent      {accepted} bytes accepted by write, {sent} on the wire"
    yield from _errors(outcome)
    yield f"CPU       {_split(measures)}"
    yield (
        f"          {_count(measures.interrupts, 'interrupt')}, "
        f"{_count(measures.accesses, 'register access', 'register accesses')}, "
        f"{_count(measures.events, 'hardware event')}"
    )
    for target, count in measures.injections.items():
        yield f"Fault     {target}: {_count(count, 'injection')}"
    if outcome.printed:
        first = next(iter(outcome.printed.strip().splitlines()), "")
        yield paint(f"The driver printed {len(outcome.printed)} characters: {first!r:.60}", "dim")


def _errors(outcome: Outcome) -> Iterator[str]:
    """Yield for each kind of line error what the device flagged and what the driver counted."""
    rows = []
    for name, counted in outcome.errors.items():
        least, most = outcome.flagged.get(name, (0, 0))
        if counted or least:
            some = f" ({least} of them must be counted)" if least != most else ""
            own = ", those of its own buffer too" if name == "overrun" and counted > most else ""
            rows.append(
                f"{name}: the device flagged {most}{some}, the driver counted {counted}{own}"
            )
    if outcome.errors and not rows:
        rows = ["none: the device flagged none, the driver counted none"]
    for number, row in enumerate(rows):
        yield f"{'' if number else 'Errors':<10}{row}"


def _split(measures: Measures) -> str:
    total_ps = max(measures.time_ps, 1)
    names = ["main", "polling", "handler", "idle"] + ["stalled"] * bool(measures.stalled_ps)
    return ", ".join(
        f"{name} {100 * getattr(measures, f'{name}_ps') / total_ps:.1f} %" for name in names
    )


def wrapped(text: str, indent: str, label: str = "", *, hang: str = "") -> Iterator[str]:
    """Yield the lines of a text, indented, with a label before the first of them."""
    yield from textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent + label,
        subsequent_indent=indent + " " * len(label) + hang,
        break_long_words=True,
        break_on_hyphens=False,
    )


def _count(number: int, word: str, plural: str = "") -> str:
    return f"{number} {word if number == 1 else plural or word + 's'}"


def short_path(path: str) -> str:
    """Return a path relative to the working folder when it lies inside it."""
    return path.removeprefix(f"{Path.cwd()}{os.sep}")
