"""Faults of an interrupt line between the device and the processor.

Each stands in front of the line (`InterruptLine.take`) and keeps for itself what the wire truly
does. An assertion is a rise of the wire; what the device's registers say is never touched.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.faults.attached import Attached
from emu.faults.kind import DURATION, EVERY, FaultKind
from emu.faults.waiver import Waiver
from emu.kernel.clock import NEVER_PS
from emu.kernel.interrupts import InterruptLine

__all__ = ["KINDS"]


def _line(fault: Attached) -> InterruptLine:
    return fault.board.cpu.interrupts.line(fault.target.the_irq)


def _stand_before(line: InterruptLine, rise: Callable[[], None], fall: Callable[[], None]) -> None:
    """Call `rise` and `fall` for each true change of the wire, in the place of the line."""
    wire = line.asserted

    def take(level: int) -> None:
        nonlocal wire
        if level != wire:
            wire = level
            (rise if level else fall)()

    line.take = take


def _spurious(fault: Attached) -> None:
    line = _line(fault)

    def latch() -> None:
        fault.inject(f"interrupt {line.number} with no cause")
        line.latch()

    fault.at_moments(latch)


def _withdrawn(fault: Attached) -> None:
    line = _line(fault)
    take = line.take

    def fall() -> None:
        take(0)
        if fault.occasion():
            fault.inject(f"interrupt {line.number} after its cause had gone")
            line.latch()

    _stand_before(line, lambda: take(1), fall)


def _lost(fault: Attached) -> None:
    """Withhold an assertion; that goes on until the line falls, since no other comes before."""
    line = _line(fault)
    take = line.take

    def rise() -> None:
        if fault.occasion():
            fault.inject(f"assertion of interrupt {line.number} not seen")
            fault.hold_until(NEVER_PS)
        else:
            take(1)

    def fall() -> None:
        if fault.busy_until_ps == NEVER_PS:
            fault.busy_until_ps = fault.clock.now_ps
        take(0)

    _stand_before(line, rise, fall)


def _delayed(fault: Attached) -> None:
    line, clock = _line(fault), fault.clock
    take = line.take
    delay_ps: int = fault.settings["duration"]
    serial = 0

    def rise() -> None:
        nonlocal serial
        if not fault.occasion():
            take(1)
            return
        serial += 1
        mine = serial
        fault.inject(f"interrupt {line.number} delayed")
        fault.hold_until(clock.now_ps + delay_ps)
        clock.schedule(clock.now_ps + delay_ps, lambda: take(1) if mine == serial else None)

    def fall() -> None:
        nonlocal serial
        serial += 1
        take(0)

    _stand_before(line, rise, fall)


def _stuck(fault: Attached) -> None:
    line = _line(fault)
    take = line.take
    wire, stuck = line.asserted, False
    alone_ps = -1  # when it last held the line up alone, while the wire was down

    def follow(level: int) -> None:
        nonlocal wire, alone_ps
        if stuck and not wire:
            alone_ps = fault.clock.now_ps
        wire = level
        if not stuck:
            take(level)

    def held_line(since_ps: int) -> bool:
        return (stuck and not wire) or alone_ps >= since_ps

    def begin() -> None:
        nonlocal stuck
        stuck = True
        fault.inject(f"interrupt {line.number} stuck asserted")
        take(1)

    def end() -> None:
        nonlocal stuck, alone_ps
        if not wire:
            alone_ps = fault.clock.now_ps
        stuck = False
        take(wire)

    line.take = follow
    fault.held_line = held_line
    fault.over_window(begin, end)


# The line stays up and unseen until something serves the device. A driver that looks after it now
# and then, as by a watchdog timer, does so; one that sleeps on interrupts alone cannot know, and is
# good practice too. So what nobody was told of is asked of neither.
_UNTOLD = (
    Waiver("loss", "characters came, and the interrupt that tells of them never arrived"),
    Waiver("errors", "errors came, and the interrupt that tells of them never arrived"),
    Waiver("sent", "there was room to send, and the interrupt that tells of it never arrived"),
    Waiver("drain", "the last bytes could not follow: the interrupt for them never arrived"),
)

KINDS = (
    FaultKind(
        "spurious-interrupt", "the handler is entered with no cause",
        ("irq",), "time", _spurious, (EVERY,),
    ),
    FaultKind(
        "withdrawn-interrupt", "the handler is entered once more when the cause has just gone",
        ("irq",), "delivery", _withdrawn,
    ),
    FaultKind(
        "lost-interrupt", "an assertion is not seen until the line falls and rises again",
        ("irq",), "delivery", _lost, waives=_UNTOLD,
    ),
    FaultKind(
        "delayed-interrupt", "an assertion reaches the processor late, if it lasts so long",
        ("irq",), "delivery", _delayed, (DURATION,),
    ),
    FaultKind(
        "stuck-interrupt", "the line reads asserted whatever the device does",
        ("irq",), "time", _stuck,
        waives=(
            Waiver("time", "main code gets no turn while the line calls for its handler"),
            Waiver("quiet", "the line is held up by something other than the device"),
        ),
    ),
)  # fmt: skip
