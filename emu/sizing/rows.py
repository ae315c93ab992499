"""How many characters an interrupt brings.

The one idea: the level that asks for it, and whatever comes until the handler has taken that: while
it waits for its turn, and while it is at it. In bursts characters come at the pace of the line.
"""

from __future__ import annotations

import math

from emu.kernel.clock import PS_PER_S
from emu.sizing.handler import HandlerCost
from emu.sizing.held_up import holders, mean_held_up_s
from emu.sizing.strategies import Strategy
from emu.sizing.workload import Workload

__all__ = ["bytes_per_interrupt", "moderated_row"]

_LONGEST_ROW = 1024  # characters that a handler takes at most
_TIMEOUT_BITS = 0.5  # that the time-out of four characters takes longer


def bytes_per_interrupt(workload: Workload, strategy: Strategy, cost: HandlerCost) -> float:
    """Return how many characters an interrupt brings, on average.

    That is the trigger level, and what comes while the handler is at it or held up; less where the
    time-out of four characters comes before the level is reached (PC16550D, 8.11).
    """
    traffic, line = workload.traffic, workload.line
    if traffic.shape == "random":
        return _random_row(workload, strategy, cost)
    between_s = 1 / workload.rate_hz if traffic.shape == "steady" else line.character_s
    timeout_s = (4 + _TIMEOUT_BITS / line.frame_bits) * line.character_s
    if strategy.trigger > 1 and traffic.shape == "steady" and between_s > timeout_s:
        return 1 + _held_up_row(workload, between_s, timeout_s + cost.first_s)
    row = _row(workload, strategy.trigger, cost, between_s)
    row = max(row, _busy_row(cost, between_s))
    row += _held_up_row(workload, between_s, cost.first_s)
    pause_s = traffic.burst_bytes * line.character_s * (1 / traffic.share - 1) + between_s
    if strategy.depth == 1 or traffic.shape == "steady" or pause_s <= timeout_s:
        return row
    return traffic.burst_bytes / math.ceil(traffic.burst_bytes / row)


def _row(workload: Workload, trigger: int, cost: HandlerCost, between_s: float) -> float:
    """Return how many characters of an even stream a handler takes, begun at `trigger`.

    Its last look is an access before it would take another one.
    """
    row, look_s = float(trigger), workload.access_ps / PS_PER_S
    while row < _LONGEST_ROW:
        more = trigger + math.floor((cost.first_s + cost.byte_s * row - look_s) / between_s)
        if more <= row:
            return row
        row = more
    return row


def _busy_row(cost: HandlerCost, between_s: float) -> float:
    """Return how many characters a handler takes that runs again as soon as it has ended."""
    left_s = between_s - cost.byte_s
    return min(cost.fixed_s / left_s, _LONGEST_ROW) if left_s > 0 else _LONGEST_ROW


def _held_up_row(workload: Workload, between_s: float, age_s: float) -> float:
    """Return how many more characters come because something else holds the handler up.

    What takes a share of the time is met with that probability, and has any part of it still to go.
    So long ago the last character is when the next one is taken, if nothing holds that up: `age_s`.
    """

    def come(until_s: float) -> float:
        whole, rest = divmod(until_s / between_s, 1)
        return whole * (whole - 1) / 2 + whole * rest

    before = math.floor(age_s / between_s)
    return sum(
        (come(held_s + age_s) - come(age_s) - before * held_s / between_s)
        * between_s
        * PS_PER_S
        / period_ps
        for held_s, period_ps in ((ps / PS_PER_S, every_ps) for ps, every_ps in holders(workload))
    )


def _random_row(workload: Workload, strategy: Strategy, cost: HandlerCost) -> float:
    """Return how many characters of random traffic an interrupt brings.

    More come while others are taken, unless the line cannot bring one so soon.
    """
    line, trigger = workload.line, strategy.trigger
    row = _paused_row(workload, trigger) + mean_held_up_s(workload) * workload.rate_hz
    if _row(workload, trigger, cost, line.character_s) <= trigger:
        return row
    return row / max(1 - cost.byte_s * workload.rate_hz, 1 / _LONGEST_ROW)


def _paused_row(workload: Workload, trigger: int) -> float:
    """Return how many characters an interrupt brings where a long pause ends the row early.

    Each character is followed by such a pause with the same probability, so the length of a row is
    geometric, cut at the trigger.
    """
    line, share = workload.line, workload.traffic.share
    pause_s = line.character_s * (1 / share - 1)
    longest_s = (3 + _TIMEOUT_BITS / line.frame_bits) * line.character_s
    long = math.exp(-longest_s / pause_s)
    return (1 - (1 - long) ** trigger) / long if long > 0 else trigger


def moderated_row(workload: Workload, least_s: float) -> float:
    """Return how many characters come between two interrupts that are `least_s` apart."""
    traffic, rate_hz, character_s = workload.traffic, workload.rate_hz, workload.line.character_s
    if traffic.shape == "bursty":
        burst = traffic.burst_bytes
        row = burst / (1 + math.ceil((burst - 1) * character_s / max(least_s, character_s)))
        return max(row, least_s * rate_hz)  # where bursts are so short that several come
    if traffic.shape == "steady":
        return max(1, least_s * rate_hz)
    if least_s <= character_s:
        return 1
    pause_s = 1 / rate_hz - character_s  # where it is longer than what is left, it is waited for
    return (least_s + pause_s * math.exp(-(least_s - character_s) / pause_s)) * rate_hz
