"""Be late on purpose: hold the whole processor, or only its main code, while hardware goes on.

The one idea: a processor can be late at any point, because a bus is held up, because interrupts are
masked elsewhere, or because another task has it. So lateness is counted in hardware events rather
than in seconds, and every moment reached this way is one that a real machine can show. The time is
booked as stalled, so that no promise about time is held against the driver, and every bound on the
call and on the run moves along.
"""

from __future__ import annotations

from emu.kernel.clock import NEVER_PS, Clock
from emu.kernel.cpu import Cpu

__all__ = ["excuse", "pause", "stall"]


def stall(cpu: Cpu, clock: Clock, events: int) -> bool:
    """Freeze the processor until `events` hardware events have passed, then serve interrupts.

    Args:
        cpu: the processor.
        clock: its board's clock.
        events: how many at least, fewer if no more are scheduled; several at the same instant
            pass together.

    Returns:
        Whether a handler ran at the end.

    Side effects: time passes; interrupts that came meanwhile are served if they are not masked.
    """
    start_ps, stalled_ps = clock.now_ps, clock.stalled_ps
    goal = clock.events + events
    try:
        while clock.events < goal and clock.next_event_ps != NEVER_PS:
            clock.run_until(clock.next_event_ps)
    finally:  # an event may be the end of the run
        excuse(cpu, clock, clock.now_ps - start_ps - (clock.stalled_ps - stalled_ps))
    entries = cpu.entries
    cpu.attend(clock.now_ps)
    return cpu.entries != entries


def pause(cpu: Cpu, clock: Clock, events: int) -> bool:
    """Hold main code until `events` hardware events have passed; handlers run as they come.

    Args:
        cpu: the processor; main code must be running and interrupts unmasked.
        clock: its board's clock.
        events: how many at least, as for `stall`.

    Returns:
        Whether a handler ran.

    Side effects: time passes; handlers run.
    """
    entries = cpu.entries
    goal = clock.events + events
    while clock.events < goal and clock.next_event_ps != NEVER_PS:
        start_ps = clock.now_ps
        until_ps = max(clock.next_event_ps, start_ps)
        excuse(cpu, clock, until_ps - start_ps)  # beforehand, so that no bound ends the run now
        cpu.attend(until_ps)
    return cpu.entries != entries


def excuse(cpu: Cpu, clock: Clock, span_ps: int) -> None:
    """Book a span in ps as stalled, and move the bounds of call and run along."""
    clock.stalled_ps += span_ps
    cpu.move_bounds(span_ps)
