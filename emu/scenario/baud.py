"""Which divisor a baud rate needs, and which others will do."""

from __future__ import annotations

__all__ = ["best_divisor", "within"]


def best_divisor(clock_hz: int, baud: int) -> int:
    """Return the divisor whose rate is nearest to `baud` (PC16550D 8.3: clock / (16 x baud))."""
    return max(1, min(65535, (2 * clock_hz + 16 * baud) // (32 * baud)))


def within(clock_hz: int, divisor: int, baud: int) -> bool:
    """Say whether `divisor` makes `baud` within 3 %, or as well as the best divisor does."""
    if not divisor:
        return False
    return abs(clock_hz / (16 * divisor) / baud - 1) <= 0.03
