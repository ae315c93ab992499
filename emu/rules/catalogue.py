"""The catalogue of rules: what each watches, why it bites on real hardware, what to do instead.

The one idea: the texts stand here and nowhere else, so a finding needs no more than a rule's name.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FAMILIES", "RULES", "Rule"]

FAMILIES = {
    "generic": "follow from the declaration of registers and bus",
    "device": "know the serial controller",
    "processor": "know interrupts and calls",
    "trade": "say what made a promise of another trade than serial break",
    "run": "name how a run ended",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """Explain one rule.

    Args:
        name: what findings call it.
        family: one of `FAMILIES`.
        watches: what it sees, one line.
        why: what happens on real hardware, one or two sentences.
        instead: what to do.
    """

    name: str
    family: str
    watches: str
    why: str
    instead: str


_ALL = (
    # generic
    Rule(
        "write-to-read-only", "generic",
        "a write to a register that software can only read",
        "The write goes nowhere, or into a factory test mode that no manual describes. What it was "
        "meant to do does not happen.",
        "Look the register up in the map (emu map): clear a status by the access that the map "
        "names, and write settings to their own register.",
    ),
    Rule(
        "read-of-write-only", "generic",
        "a read of a register that software can only write",
        "The value is whatever the bus or a neighbouring register puts there. A read-modify-write "
        "then writes that back as a setting.",
        "Keep a copy of what was written last, in the driver, and change and write the copy.",
    ),
    Rule(
        "reserved-bits-written", "generic",
        "a 1 left in bits that no field of the register owns",
        "The next revision of the part gives these bits a meaning, and the driver then turns it "
        "on unawares.",
        "Write reserved bits as 0, or as they were read; build values from named fields only.",
    ),
    Rule(
        "w1c-read-modify-write", "generic",
        "write-one-to-clear bits written back as they were just read, plus one more",
        "Every event that was pending at the read is cleared along with the one that was meant, "
        "and nobody serves it.",
        "Write the mask of the one event with a plain store; never read first.",
    ),
    Rule(
        "unmapped-access", "generic",
        "an access where the device has no register",
        "The bus answers with a fault exception, or not at all and the processor hangs.",
        "Compute offsets as register number times io.stride, and stay inside the device's map.",
    ),
    Rule(
        "wrong-width", "generic",
        "an access of a width or alignment that the device does not take",
        "Depending on the bridge the access faults, is split into several with side effects of "
        "their own, or touches neighbouring registers.",
        "Use the width that the board's map gives for the device, at aligned offsets.",
    ),
    # serial controller
    Rule(
        "read-when-empty", "device",
        "RBR read with no character there, and nothing read before had announced one",
        "The controller gives the last character again, or noise, and the driver hands it on as "
        "data.",
        "Read RBR once for each LSR with DR set, or as often as the trigger level that the "
        "received-data interrupt promises.",
    ),
    Rule(
        "write-when-full", "device",
        "THR written with no room there, and nothing read before had announced any",
        "The character is dropped, or takes the place of the one before it, without any flag.",
        "See LSR.THRE first, and then write no more than the transmit FIFO holds; 1 without FIFO.",
    ),
    Rule(
        "config-while-shifting", "device",
        "word format, divisor or loopback changed while the driver's own characters are leaving",
        "The character in the shift register leaves garbled, and some parts ignore the write "
        "while they are busy.",
        "Wait until LSR.TEMT is set, with a bound of the time that the FIFO needs on the line, "
        "and only then reconfigure.",
    ),
    Rule(
        "thre-taken-for-idle", "device",
        "THRE seen without TEMT, and the line taken for idle",
        "THRE says that the FIFO is empty; the last character is still in the shift register and "
        "is cut off by whatever comes next.",
        "Wait for LSR.TEMT (0x40), not for LSR.THRE (0x20), before calling the line idle.",
    ),
    Rule(
        "bank-left-selected", "device",
        "LCR.DLAB still set when a call returns",
        "Offsets 0 and 1 now show the divisor: the next byte sent changes the baud rate, and "
        "received bytes are not read.",
        "Clear DLAB on every way out of the divisor's setting, early returns and errors included.",
    ),
    Rule(
        "bank-clobbered", "device",
        "a handler uses offset 0 or 1 while the code it interrupted has LCR.DLAB set",
        "The handler reads the divisor as a character, or writes a character into the divisor.",
        "Mask interrupts, or clear IER, from before DLAB is set until after it is cleared.",
    ),
    Rule(
        "fifo-cleared-with-data", "device",
        "the receive FIFO cleared in the middle of traffic, with characters in it",
        "FCR bit 1 throws received characters away, and no flag tells of it.",
        "Clear the receive FIFO in open only; later set FCR bit 2 alone to clear the transmitter.",
    ),
    Rule(
        "transmit-fifo-cleared", "device",
        "the transmit FIFO cleared, or FIFOs switched, with the driver's characters in it",
        "FCR bit 2, and any change of bit 0, throws away what write has already accepted, and no "
        "flag tells of it.",
        "Leave FCR alone while characters wait; wait for LSR.TEMT with a bound, and clear only "
        "what is stuck.",
    ),
    Rule(
        "stale-data-kept", "device",
        "characters from before open still in the receiver when open returns",
        "What a bootloader or an earlier session left there is handed on as the first data of "
        "this one.",
        "Clear the receive FIFO by FCR bit 1 in open; on a part without FIFO read RBR once.",
    ),
    Rule(
        "error-bits-lost", "device",
        "an LSR read that showed OE, PE, FE or BI, and no counter that moved",
        "Reading LSR clears these bits, so whoever looks at LSR for another reason takes them away "
        "from the code that counts them.",
        "Send every LSR read through one function that counts what it saw.",
    ),
    Rule(
        "interrupts-on-after-close", "device",
        "IER not 0 when close returns",
        "The next received character raises an interrupt that nobody serves: a storm, or a line "
        "that the system switches off for everybody.",
        "Write 0 to IER before the handler is disconnected.",
    ),
    Rule(
        "break-left-on", "device",
        "LCR.BREAK set when open returns",
        "The line stays at space. Nothing that is written arrives, and the far end sees one "
        "endless break.",
        "Write the whole of LCR from the settings; do not carry bits over from what was there.",
    ),
    Rule(
        "loopback-left-on", "device",
        "MCR.LOOP set when open returns",
        "The controller talks to itself: everything written comes back as received, and the line "
        "is cut off.",
        "Write MCR with LOOP clear once the self-test is over, whatever its result.",
    ),
    Rule(
        "divisor-zero", "device",
        "the divisor latch holds 0 when open returns",
        "The baud clock stands still: nothing is sent or received, and TEMT never comes.",
        "Compute round(clock / (16 * baud)), and refuse a baud rate that gives 0.",
    ),
    Rule(
        "divisor-off", "device",
        "a divisor more than 3 % off the baud rate asked for, though a closer one exists",
        "Over ten bits the sampling point drifts out of the bit; bytes come garbled at some rates "
        "and well at others.",
        "Round clock / (16 * baud) to the nearest whole number, and write both halves; integer "
        "division rounds down.",
    ),
    Rule(
        "line-format-wrong", "device",
        "LCR set to another word format than open was asked for",
        "Every character is misread, or parity errors come with good data.",
        "Data bits less 5 in bits 1:0, bit 2 for more than one stop bit, then bit 3 parity on, "
        "4 even, 5 stick.",
    ),
    Rule(
        "thr-interrupt-left-enabled", "device",
        "the handler returns over and over with the THRE interrupt asserted and nothing to send",
        "The transmitter is empty, so the interrupt comes at once again: the processor does "
        "nothing else.",
        "Clear IER.ETBEI in the same place that finds the transmit queue empty.",
    ),
    Rule(
        "waits-for-disabled-interrupt", "device",
        "a call waits in vain for an interrupt that IER does not enable, with its cause there",
        "The interrupt never comes, so the driver sleeps until its time-out, or for ever without "
        "one.",
        "Set IER.ETBEI whenever something is queued for sending, and IER.ERBFI in open and again "
        "wherever it was cleared.",
    ),
    Rule(
        "transmitter-left-idle", "device",
        "bytes that write accepted wait between two calls for a transmitter that nothing starts",
        "The THRE interrupt comes once: reading IIR takes it away, and enabling it again while it "
        "is enabled raises nothing. The rest of the message waits until something else comes.",
        "Act on each answer of IIR; mask interrupts from the test whether the transmitter runs "
        "until bytes are queued and IER.ETBEI is set, or write the first bytes to THR.",
    ),
    Rule(
        "verdict-without-look", "device",
        "drain finds its time over and gives up without another look, although the line is idle",
        "A processor that was away past the deadline finds the time over although everything is "
        "done, and an error is reported where there is none.",
        "Read the clock first and look afterwards: decide by a look that is newer than the time.",
    ),
    Rule(
        "cause-left-on-edge", "device",
        "a handler on an edge-sensed line serves one cause and returns with another pending",
        "The line stays asserted, so there is no edge: neither the cause that was left nor any "
        "later one calls the handler again. On a level line the same handler works.",
        "Read IIR and serve what it names until it names nothing; or, where one cause for each "
        "entry is wanted, write 0 and then the mask to IER before returning, which makes an edge.",
    ),
    Rule(
        "flow-control-late", "device",
        "RTS lowered when characters that are still on their way find no room",
        "A far end ends its character before it stops, and sends what its own FIFO holds: up to 16 "
        "more from another 16550. What comes then is lost, flow control or not.",
        "Lower RTS while there is room for what may still come, FIFO of the far end included, and "
        "raise it when enough has been read; or stop emptying the receiver and let its FIFO hold "
        "the rest.",
    ),
    Rule(
        "invited-before-set", "device",
        "RTS raised in open before divisor and word format are set, and a character came",
        "RTS tells a far end that heeds it to send. It does, to a receiver without a baud rate, "
        "which hears nothing, or garbage.",
        "Write divisor and LCR first, clear the FIFOs, and raise DTR and RTS last.",
    ),
    Rule(
        "enabled-before-handler", "device",
        "IER set before a handler is connected, and the interrupt came in between",
        "An interrupt without a handler is a crash on a bare machine, and on a system the line is "
        "switched off.",
        "Connect the handler first and write IER last.",
    ),
    # processor
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
    # how a run ended
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
    # trade
    Rule(
        "clock-before-access", "trade",
        "an access to a block whose clock is stopped, that is held in reset or has not settled",
        "What is written is lost without a word, what is read means nothing, or the bus faults; it "
        "works in slow debug builds and fails in optimised ones.",
        "Let the clock run, let go of the reset and wait for READY, with a bound, before the first "
        "access; stop the clock after the last.",
    ),
    Rule(
        "handler-without-clock", "trade",
        "a handler that ran while its block had no clock",
        "A bus fault in the handler, or a storm: the line stays as it was when the clock stopped.",
        "Disable the interrupts of the block and disconnect the handler before the clock is "
        "stopped, and connect after it runs.",
    ),
    Rule(
        "torn-counter-read", "trade",
        "the halves of a counter were read on both sides of a carry, and put together all the same",
        "The time jumps by a whole wrap of the low half, ahead or back, once in hours; everything "
        "that waits for a time ends at once, or never.",
        "Read high, low and high again until both reads of the high half agree.",
    ),
    Rule(
        "period-off", "trade",
        "periods came at another rate than was asked for, by the length that was written",
        "A clock that is made of them drifts by one part in the length; the shortest lengths stop "
        "the timer or flood the processor.",
        "Write the length less one where the timer counts from 0 to what is written, and check the "
        "range first.",
    ),
    Rule(
        "unchecked-range", "trade",
        "a length that cannot be made, or a pin that is not there, was taken",
        "What does not fit is cut off or wraps: a length of 0 may stop a timer or make it run for "
        "hours, and pin 16 may be pin 0.",
        "Refuse it with a ValueError before anything is written.",
    ),
    Rule(
        "counted-twice", "trade",
        "a handler counted more events than there were",
        "A handler can be entered with nothing pending: its last acknowledge was still on its way "
        "when it returned, or somebody else served the cause.",
        "Look at the status first and count only what it shows; read the device back before the "
        "handler returns.",
    ),
    Rule(
        "event-cleared-uncounted", "trade",
        "an event was cleared in the status, and nothing came of it",
        "What came between the look and the write is gone for good: a tick is lost, a waiter "
        "sleeps on.",
        "Clear exactly the bits that were seen and are being served, by one plain write; never "
        "read, change and write a register in which a 1 clears.",
    ),
    Rule(
        "compare-in-the-past", "trade",
        "an alarm was set for a count that had passed by then",
        "The next match is a whole wrap away: a wait of microseconds takes seconds or hours, once "
        "in a while.",
        "Look at the counter again after the compare is written, and act at once if it has passed.",
    ),
    Rule(
        "completed-too-early", "trade",
        "an interrupt was completed before its handler had run, and came twice",
        "The gateway opens while the level is still up, so the same event is let through again, "
        "and its handler is called with nothing to do.",
        "Serve the source first, or mask it, and complete it then.",
    ),
    Rule(
        "completed-in-vain", "trade",
        "an interrupt was completed while its source was disabled, which the controller ignores",
        "The gateway stays shut: the source is never let through again, though all looks enabled.",
        "Complete while the source is enabled; to hold it back use its priority, or enable it for "
        "the moment of the completion.",
    ),
    Rule(
        "result-read-early", "trade",
        "a result was read while the engine was still at work",
        "It is the result of as many bytes as the engine has come to: right for short messages and "
        "slow processors, wrong for the others.",
        "Wait until BUSY is down, or for a DONE that was cleared before the start.",
    ),
    Rule(
        "refused-while-busy", "trade",
        "something was written while the engine was at work, and was refused",
        "The engine goes on with what it had, so a later result is that of other data.",
        "Wait until BUSY is down, or abort, before anything is written; STATUS.REFUSED tells.",
    ),
    Rule(
        "end-unnoticed", "trade",
        "the handler ran, and what it told main code at that line was lost",
        "The waiter sleeps until its time is over, or for ever, though all is done.",
        "Put a flag back before the device is started, and look at it with interrupts masked until "
        "wait_for_interrupt, which wakes for a pending one.",
    ),
    Rule(
        "register-not-loaded", "trade",
        "bytes were given to the engine without a LOAD before them",
        "The result carries on from whatever was checked before: right once after reset, and wrong "
        "from then on.",
        "Write CONTROL.LOAD before the first byte of each message.",
    ),
    Rule(
        "set-up-otherwise", "trade",
        "the engine was set up for another check than was asked for",
        "Both ends find every message damaged, or the check lets damage pass.",
        "Write all of CONFIG, POLY, INIT and XOROUT when the driver is opened, and WIDTH less one.",
    ),
    Rule(
        "stale-event-counted", "trade",
        "an edge from before a pin was watched was counted as one since",
        "The first event is one that nobody meant: a switch seems to have been pressed at "
        "power-on, and every count is one too many.",
        "Choose what is sensed, clear the bit of the pin in PENDING, then enable its interrupt.",
    ),
    Rule(
        "port-rmw-race", "trade",
        "a write of the whole port took back a pin that was set since the port was read",
        "Handler and main code, or two tasks, change pins of one port: whoever reads, changes and "
        "writes it takes back what came in between, once in a while.",
        "Use SET, CLEAR or TOGGLE for OUT; where there are none, as for DIR, mask interrupts from "
        "the read, or from the look at a copy, to the write.",
    ),
    Rule(
        "port-overwritten", "trade",
        "a write to the port changed a pin that nobody asked for",
        "A lamp, a power switch or a chip select that belongs to somebody else goes on or off.",
        "Change the bit of one pin only, by SET or CLEAR.",
    ),
    Rule(
        "direction-before-value", "trade",
        "a pin was made an output before it had its level, so that the other level showed",
        "The pin shows what OUT happened to hold: a short pulse at start-up, which resets a "
        "modem or starts a transfer.",
        "Write the level first, as long as the pin is an input, and DIR after it.",
    ),
    Rule(
        "pin-glitch", "trade",
        "the pin of a call showed another level on its way than the one that was asked for",
        "Whatever hangs on the pin sees an edge that is none: a counter counts it, a latch takes "
        "it, a radio is switched off for a moment.",
        "Go to the level in one write; let go of pins by DIR before OUT or DRAIN is changed.",
    ),
    Rule(
        "items-miscounted", "trade",
        "an engine was told to move another number of items than the bytes that were asked for",
        "COUNT is items. Bytes in their place move up to four times as much and write over what "
        "lies behind the buffer; one less leaves out the end.",
        "Divide the bytes by the width of an item, move the rest with a narrower one, and split "
        "what is more than COUNT can say.",
    ),
    Rule(
        "descriptor-unfinished", "trade",
        "the engine looked at a descriptor before all of it was written",
        "It stops there until somebody rings again, or moves bytes from and to the addresses that "
        "the last user of the descriptor left.",
        "Write the other fields first, then OWN, with a barrier between them on real hardware, and "
        "ring after that.",
    ),
    Rule(
        "channel-at-work", "trade",
        "a channel that was still at work was written to, and took no notice",
        "The channel goes on with what it had, and what was asked for is never moved.",
        "Wait until BUSY is down, also after an abort, before the channel is programmed again.",
    ),
    Rule(
        "error-taken-for-success", "trade",
        "the status showed ERROR, and more bytes were counted than had been moved",
        "Half of the data is new and the rest is what lay there before, and nobody is told.",
        "Count what was moved, COUNT less LEFT, when ERROR is up, and return that.",
    ),
    Rule(
        "error-unheard", "trade",
        "a transfer ended with ERROR, and the driver went on waiting for its end",
        "DONE never comes after an error, so the waiter waits until its time is over, or for ever.",
        "Enable the error interrupt together with that of DONE, or look for both bits, and let "
        "either end the wait.",
    ),
    Rule(
        "abort-not-awaited", "trade",
        "an abort was asked for, and the call returned before the engine had stopped",
        "The engine finishes its burst, in memory that by then belongs to somebody else.",
        "Wait after the abort until BUSY is down, with a bound, and only then return.",
    ),
    Rule(
        "end-mistaken", "trade",
        "a driver took a transfer to be over while the engine was at work",
        "The buffer is read too early, or the next transfer is programmed on a live channel.",
        "Let nothing but DONE of the last leg, ERROR, or an abort that has been awaited end a "
        "transfer; HALF and spurious interrupts do not.",
    ),
    Rule(
        "flag-out-of-step", "trade",
        "a start was refused though nothing was under way: the driver believed that it was",
        "After the first abort nothing is ever moved again.",
        "Put the flag back wherever a transfer ends: at DONE, at ERROR, and once an abort has "
        "been awaited.",
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
        "Handle it where it arises; open may raise ValueError for a baud rate it cannot make.",
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
        "Give the class open, close, write, read and drain, and in __init__ self.errors = "
        "LineErrors().",
    ),
    Rule(
        "bad-return-value", "run",
        "a call returned something else than the protocol says",
        "The caller goes on with a count or with data that mean something else.",
        "write returns the int count of bytes accepted, read bytes, drain True or False.",
    ),
)  # fmt: skip

RULES: dict[str, Rule] = {one.name: one for one in _ALL}
