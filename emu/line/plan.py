"""What hangs at the far end of a serial line, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from emu.units import LineSettings

__all__ = ["FAR_ENDS", "BreakPlan", "FarEndPlan", "NoisePlan", "ScriptLine"]

FAR_ENDS = ("echo", "sink", "source", "script", "port")


@dataclass(frozen=True, slots=True)
class NoisePlan:
    """Say how noisy the line towards the driver is.

    Args:
        per_second: glitches a second, on average; their times are random.
        width_ps: how long each inverts the line.
        from_ps, until_ps: window after the start of the far end; None for no end.
    """

    per_second: Fraction
    width_ps: int
    from_ps: int = 0
    until_ps: int | None = None


@dataclass(frozen=True, slots=True)
class BreakPlan:
    """Hold the line at space for `length_ps`, `at_ps` after the start of the far end."""

    at_ps: int
    length_ps: int


@dataclass(frozen=True, slots=True)
class ScriptLine:
    """Say one thing a scripted far end does.

    Args:
        data: bytes it sends.
        at_ps: when, after its start; None when it answers instead.
        when: the bytes it answers; each complete match in what it received triggers it once.
        after_ps: how long it waits before an answer.
    """

    data: bytes
    at_ps: int | None = None
    when: bytes = b""
    after_ps: int = 0


@dataclass(frozen=True, slots=True)
class FarEndPlan:
    """Say what hangs at the far end.

    Args:
        kind: ``echo`` sends back what it gets; ``sink`` only listens; ``source`` sends on its own;
            ``script`` sends at times and answers; ``port`` is another controller of the board.
        line: settings it speaks; None for those the driver is opened with.
        baud_error: how far its clock is off; positive is fast.
        noise: noise on what it sends, None for a clean line.
        breaks: breaks it sends.
        gap_ps: idle time it leaves between characters.
        flow: whether RTS of the driver's port stops it, and its own buffer drives CTS.
        buffer_bytes: with `flow`, how many received characters it takes before it drops CTS.
        busy_ps: with `flow`, how long it needs to empty that buffer.
        lag: with `flow`, how many characters it has handed to a FIFO of its own, and so still
            sends once RTS has dropped, the one under way left out.
        eager: with `flow`, whether it begins as soon as RTS rises, even while ``open`` runs, and
            not when ``open`` has returned.
        start_ps: when a source begins, after the start of the far end.
        data: what a source sends.
        burst_bytes: characters of a source in a row; 0 for all of them.
        pause_ps: idle time of a source between bursts.
        lines: what a script does.
        port: the other controller.
        driver: its driver, ``path/to/file.py:Class``; empty for the same class as the first.
    """

    kind: str = "sink"
    line: LineSettings | None = None
    baud_error: Fraction = Fraction(0)
    noise: NoisePlan | None = None
    breaks: tuple[BreakPlan, ...] = ()
    gap_ps: int = 0
    flow: bool = False
    buffer_bytes: int = 16
    busy_ps: int = 0
    lag: int = 0
    eager: bool = False
    start_ps: int = 0
    data: bytes = b""
    burst_bytes: int = 0
    pause_ps: int = 0
    lines: tuple[ScriptLine, ...] = ()
    port: str = ""
    driver: str = ""
