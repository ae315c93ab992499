"""How a run can end.

The one idea: each says what it watches, why that bites on real hardware, and what to do instead.
"""

from __future__ import annotations

from emu.rules.rule import Rule

__all__ = ["RUN"]

RUN = (
    Rule(
        "board-reset", "run",
        "the whole board was reset while the driver was running",
        "The processor begins again at its first instruction, and what the driver knew is gone. A "
        "watchdog that is fed too late, too early or with the wrong keys ends every run like that.",
        "Feed the watchdog from the loop whose progress it is to watch, within its window, and "
        "look at its cause register at the start to tell which reset it was.",
    ),
    Rule(
        "asleep-for-ever", "run",
        "the processor sleeps and nothing is scheduled that could wake it",
        "On the board this is a hang. Mostly the event came between the last look and the sleep, "
        "or the interrupt that was waited for is not enabled.",
        "Test the condition with interrupts masked and wait_for_interrupt inside the same masked "
        "block; give the wait a time-out.",
    ),
    Rule(
        "endless-poll", "run",
        "the same registers read over and over while nothing can change them",
        "A loose wire or a dead chip turns such a loop into a hang of the whole system.",
        "Bound every loop by cpu.time(), and look once more after the time is over. If the bit "
        "should have come, see what enables it, and what else reads or clears it.",
    ),
    Rule(
        "interrupt-storm", "run",
        "a handler returned again and again with its line asserted",
        "The processor does nothing but enter and leave the handler.",
        "Serve or disable every cause that is enabled. Where the device shows none and the line "
        "stays up all the same, disconnect from it after a bounded number of such runs.",
    ),
    Rule(
        "endless-handler", "run",
        "a handler that does not return",
        "It waits for something that only other code, or nothing at all, can bring about, and the "
        "whole processor waits with it.",
        "Bound every loop in a handler, and leave as soon as there is nothing to serve; a cause "
        "that the handler does not know must be disabled.",
    ),
    Rule(
        "time-limit", "run",
        "the run reached its limit, which left a good driver time for all that is asked",
        "Something takes far longer than the traffic needs: a lost wake-up, or a time-out that is "
        "always waited for in full.",
        "Look at the end of the timeline for what the driver waits for.",
    ),
    Rule(
        "call-overdue", "run",
        "a call still running long after its time-out",
        "The caller asked for an answer in time, and on the board it never gets one.",
        "Compute a deadline when the call begins and test it in every loop that waits. open and "
        "close take no time-out and have about half a second.",
    ),
    Rule(
        "spinning", "run",
        "the driver runs without touching the bench, for seconds of real time",
        "A loop on a variable that only a handler can change is endless where no handler comes: "
        "simulated time, and with it hardware, stands still while the driver touches nothing.",
        "Call wait_for_interrupt, or read cpu.time(), in every loop that waits.",
    ),
    Rule(
        "driver-raised", "run",
        "a call or handler raised an exception that the protocol does not allow",
        "On the board this is a crash in the middle of an access sequence.",
        "Handle it where it arises; a ValueError is allowed where the protocol names one, as for a "
        "baud rate that cannot be made.",
    ),
    Rule(
        "refused-call", "run",
        "a call of io or cpu with something that it cannot take",
        "On the board such a line does not compile, or touches another register, value, line or "
        "time than was meant.",
        "Pass what the message allows: register number times io.stride as offset, whole numbers "
        "that fit the access as values, io.irq as line, seconds as time.",
    ),
    Rule(
        "driver-exited", "run",
        "a call or handler tried to end the program",
        "A driver is part of a system that goes on without it.",
        "Return, or raise an error that the caller can handle.",
    ),
    Rule(
        "driver-incomplete", "run",
        "a driver class without a method or counter that the protocol asks for",
        "The caller's first use of it fails, in the middle of everything else.",
        "Give the class all methods of its protocol, and what the protocol has it keep: a serial "
        "driver sets self.errors = LineErrors() in __init__.",
    ),
    Rule(
        "bad-return-value", "run",
        "a call returned something else than the protocol says",
        "The caller goes on with a count or with data that mean something else.",
        "Return what the protocol says: the message names what is allowed.",
    ),
)  # fmt: skip
