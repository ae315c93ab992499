"""Rules that know interrupts and calls.

The one idea: each says what it watches, why that bites on real hardware, and what to do instead.
"""

from __future__ import annotations

from emu.rules.rule import Rule

__all__ = ["PROCESSOR"]

PROCESSOR = (
    Rule(
        "handler-left-line-asserted", "processor",
        "the handler returns over and over without touching the cause of the interrupt",
        "A level interrupt comes again at once: the main code stands still for ever.",
        "Serve or disable every cause that was enabled: RBR for data, LSR for errors, MSR for the "
        "modem lines, IIR or THR for THRE.",
    ),
    Rule(
        "masked-too-long", "processor",
        "interrupts masked for longer than the receive FIFO lasts, and characters lost",
        "While interrupts are masked nobody empties the FIFO, and what comes then is lost.",
        "Mask only around the few accesses that share state; compute and wait outside.",
    ),
    Rule(
        "slow-handler", "processor",
        "one run of a handler longer than the receive FIFO lasts, and characters lost",
        "A handler that waits or computes keeps every other interrupt out, its own included.",
        "Move data and return; leave waiting and computing to the main code.",
    ),
    Rule(
        "blocking-call-in-handler", "processor",
        "sleep or wait_for_interrupt called inside a handler",
        "The interrupt that would end the wait cannot come while the handler runs. On a system, "
        "sleeping in a handler is a dead lock or a crash.",
        "Note the fact and return; let the main code wait.",
    ),
    Rule(
        "busy-wait-in-handler", "processor",
        "a handler reads one register over and over, for as long as a character takes",
        "While it waits, no other interrupt is served and the main code stands still; at a low "
        "baud rate that is milliseconds.",
        "Return, and let the next interrupt tell: THRE for room, received data for the rest.",
    ),
    Rule(
        "left-masked", "processor",
        "interrupts still masked when a call or handler is over",
        "No handler runs any more, of any device: data is lost, timers stop, and every wait is in "
        "vain.",
        "Mask by `with cpu.interrupts_masked():`, which ends on every way out, errors included.",
    ),
    Rule(
        "asleep-while-masked", "processor",
        "sleep with interrupts masked, while received data waits for the handler",
        "sleep lasts its full time, and the masked interrupt can neither end it nor be served.",
        "Use wait_for_interrupt inside the masked block: a pending interrupt ends it.",
    ),
    Rule(
        "touch-before-open", "processor",
        "the device accessed while the driver is constructed",
        "The device may have no clock or power yet, or still belong to somebody else.",
        "Only remember io and cpu in __init__; touch the device from open on.",
    ),
    Rule(
        "touch-after-close", "processor",
        "the device accessed by a call or handler that began after close returned",
        "The device may be without clock or power by then, or in the hands of another driver.",
        "Keep a flag that close clears, and let every call look at it first.",
    ),
    Rule(
        "handler-connected-after-close", "processor",
        "the handler still connected when close returns",
        "A late or stray interrupt runs code whose driver is gone, and the next open finds the "
        "line taken.",
        "Disconnect in close, after IER is 0, on every way out.",
    ),
)  # fmt: skip
