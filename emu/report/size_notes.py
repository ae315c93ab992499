"""What the columns of a sizing mean, and what follows from it beside the table."""

from __future__ import annotations

import math
from collections.abc import Iterator

from emu.kernel.clock import PS_PER_S
from emu.report.size_figure import figure, unbroken
from emu.sizing.frames import modbus_silence_s
from emu.sizing.queues import md1_wait, md1k_loss, mm1k_loss
from emu.sizing.recommend import recommend
from emu.sizing.response import liu_layland_bound, utilisation
from emu.sizing.study import Study
from emu.units import show_duration

__all__ = ["notes"]

_NAME = 12
_LEGEND = {
    "CPU load": "what receiving takes of the processor; load differs: simulated from computed, "
    "which need not agree where characters are lost",
    "int/s": "interrupts of the device a second; acc/byte: register accesses for a character",
    "worst, mean": "latency, from the request (a first character, where nothing interrupts) to the "
    "access that takes a character, or lends an engine its next block; computed, worst is a bound: "
    "all that can hold it up comes at once, which a short run hardly meets and never exceeds",
    "lost": "share of the characters, computed on the safe side; - where no sum tells",
    "limit": "latency from which on a character is lost: the FIFO is full, and of an engine the "
    "second block before it; up to: the highest rate without loss",
    "speed-up": "of receiving a character, against bit-banging; whole prog.: of a program that "
    "computes besides (--compute), by Amdahl's law, moving the data included; - where characters "
    "are lost or the program gets no time",
}


def notes(found: Study, letters: str) -> Iterator[str]:
    """Yield the legend of the table and what else is worth knowing.

    Args:
        found: what the table shows.
        letters: one for each way, as in the table.
    """
    for name, meaning in _LEGEND.items():
        yield from unbroken(meaning, "", f"{name:<{_NAME}}")
    yield ""
    yield from _pays(found, letters)
    yield from _livelock(found)
    yield from _bounds(found)
    silence = round(modbus_silence_s(found.workload.line.baud) * PS_PER_S)
    yield f"The silence that ends a frame of Modbus RTU here lasts {show_duration(silence)}."


def _pays(found: Study, letters: str) -> Iterator[str]:
    """Yield from how many characters in a row on each way takes less than an interrupt for each."""
    pays: dict[int, list[str]] = {}
    for letter, row in zip(letters, found.rows, strict=False):
        if row.computed.break_even_bytes is not None:
            count = max(math.ceil(row.computed.break_even_bytes), 1)
            pays.setdefault(count, []).append(letter)
    if pays:
        several = ", ".join(f"{count} for {' '.join(pays[count])}" for count in sorted(pays))
        yield from unbroken(
            "No more of the processor than an interrupt for each character, from so many in a row "
            f"on: {several}.",
            "",
        )


def _livelock(found: Study) -> Iterator[str]:
    """Yield where handlers leave nothing to the program."""
    onsets = [row.computed.livelock_baud for row in found.rows if row.computed.livelock_baud]
    if onsets:
        deep = f", with the FIFO from {figure(max(onsets))}" if found.workload.fifo > 1 else ""
        yield from unbroken(
            "Receive livelock: handlers of a full line leave the program no time from "
            f"{figure(min(onsets))} baud on{deep}.",
            "",
        )


def _bounds(found: Study) -> Iterator[str]:
    """Yield what all handlers ask for together, and what a queue without a line would lose."""
    row, workload = recommend(found).row, found.workload
    if row is None:
        return
    count = len(workload.others) + 1
    asked = float(utilisation(workload.tasks())) + row.computed.load
    yield from unbroken(
        f"All handlers together, with {row.strategy.name}, take {figure(100 * asked)} %; {count} "
        "whose priorities go by rate are always done before they are asked again up to "
        f"{figure(100 * liu_layland_bound(count))} % (Liu and Layland).",
        "",
    )
    load, places = row.computed.load, row.strategy.depth + 1
    if workload.traffic.shape == "random" and 0 < load < 1:
        wait_us = 1e6 * md1_wait(load) * row.computed.byte_s
        yield from unbroken(
            f"Were there no line to space them, it would lose "
            f"{figure(100 * md1k_loss(load, places))} % of the characters (M/D/1/K, with handlers "
            f"of random length {figure(100 * mm1k_loss(load, places))} %), and one would wait "
            f"{figure(wait_us)} us on average (M/D/1).",
            "",
        )
