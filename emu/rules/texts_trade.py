"""What makes a promise break in another trade than serial.

The one idea: each says what it watches, why that bites on real hardware, and what to do instead.
"""

from __future__ import annotations

from emu.rules.rule import Rule

__all__ = ["TRADE"]

TRADE = (
    Rule(
        "touched-before-open", "trade",
        "a driver that makes accesses while it is constructed",
        "Drivers are constructed when the system is put together; clocks and power may come later, "
        "and another driver may still be using the device.",
        "Keep what is given, and make the first access in open.",
    ),
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
        "counter-half-read", "trade",
        "the time was taken from its low half alone, and the high half is not 0 any more",
        "All is well for the first hour or so; then every time is long ago, and what waits for one "
        "waits for ever, or not at all.",
        "Read both halves, and see that nothing carries in between.",
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
        "an event from before it was asked for was counted as one since",
        "The first event is one that nobody meant: a switch seems to have been pressed at "
        "power-on, and every count is one too many.",
        "Choose what is sensed, clear what is old in the status, then enable the interrupt.",
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
        "idle-mistaken", "trade",
        "the line was taken to be idle, or busy, by a look that does not tell",
        "The tail is cut off when the port is closed or the direction turned; or the caller waits "
        "for an end that has long been there.",
        "Wait for the bit that speaks of the last stop bit, after all that is queued has been "
        "handed over.",
    ),
    Rule(
        "flag-cleared-uncounted", "trade",
        "a flag of the line was cleared, and the counter does not say so",
        "Characters are missing or damaged, and nobody is told.",
        "Count every flag in the look that shows it, and clear just that flag after it.",
    ),
    Rule(
        "written-without-room", "trade",
        "a character was written while another waited, and took its place",
        "Characters vanish on the way out, more of them the slower the line.",
        "Write only after a look that shows room, and one character, or word, for each such look.",
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
        "watchdog-set-too-late", "trade",
        "a setting of a watchdog was written when it did not take it any more",
        "Once it runs, a new time or window counts from the next feed on, and once it is locked "
        "not at all. So a short time never comes, or the first one bites while the board starts.",
        "Stop it, write time and window, and enable it then; the lock comes last, or with it.",
    ),
    Rule(
        "watchdog-set-otherwise", "trade",
        "a watchdog was given another time, window or lock than was asked for",
        "It bites a program that is in time, or leaves one alone that hangs; without the window or "
        "the lock, a program that has run away can feed it or stop it.",
        "Write all of time, window and control each time, in ticks as they were asked for.",
    ),
    Rule(
        "watchdog-left-running", "trade",
        "a watchdog went on counting after the driver had taken it over, or let it go",
        "Nobody feeds it, and the board is reset some time later, for no reason that anybody sees.",
        "Stop it in open, since a boot program may have started it, and in close; read back "
        "whether a lock has kept it from that.",
    ),
    Rule(
        "fed-too-early", "trade",
        "a watchdog was fed before its window had opened",
        "It takes that for a program that has run away, and resets the board.",
        "Look at STATUS.OPEN before the first key, and leave it alone while that is 0.",
    ),
    Rule(
        "wrong-key", "trade",
        "a watchdog was given another key than the next one",
        "It takes that for a program that has run away, and resets the board.",
        "Write the keys in their order, and only the second where STATUS.HALF_FED says that the "
        "first has come.",
    ),
    Rule(
        "feed-torn", "trade",
        "another task fed the watchdog between the look at it and the last key",
        "The keys come in the wrong order, or a window that was open is shut again by the other "
        "feed: the board is reset once in a while, though everything is in time.",
        "Mask interrupts from the look to the second key, or let one task alone feed.",
    ),
    Rule(
        "feed-unconfirmed", "trade",
        "a feed was told to have been done, and the watchdog was not fed",
        "The caller believes that it has time, and the board is reset.",
        "Return what STATUS showed before the keys were written.",
    ),
    Rule(
        "cause-told-again", "trade",
        "a cause of a reset was told that had been told before",
        "CAUSE keeps what it holds over resets, so an old bite is laid to every later start.",
        "Write back what was read of CAUSE, all of it, in the same open.",
    ),
    Rule(
        "cause-mistaken", "trade",
        "a reset was laid to another cause than it had",
        "Whoever looks for the reason looks in the wrong place; what is done after a bite is done "
        "after each start, or never.",
        "Read CAUSE once, before anything is cleared, and name each of its bits.",
    ),
    Rule(
        "deadline-not-armed", "trade",
        "the compare was left at a later time than the deadline that comes next",
        "The deadline is called when another one comes, or never: a time-out does not end, and "
        "with it whoever waits for it.",
        "Whenever a deadline is added or taken away, in the handler too, write the compare anew "
        "for the earliest that is left.",
    ),
    Rule(
        "deadline-raced", "trade",
        "the timer's handler came in at that line of a call that books, and moved the compare",
        "What the call had looked at no longer holds: it leaves the compare alone, or writes it, "
        "for a deadline that is gone, and its own is never called.",
        "Look at the list, change it and write the compare with interrupts masked.",
    ),
    Rule(
        "deadline-too-early", "trade",
        "a deadline was called at that line before its time had come",
        "The interrupt of a compare can come for nothing: while its halves are written it may be "
        "in the past, and an earlier deadline may have been taken away.",
        "Read the time in the handler, and call only what is due.",
    ),
    Rule(
        "deadline-called-again", "trade",
        "a deadline was called at that line that was called, cancelled or forgotten before",
        "Whoever booked it has gone on: what the call is about may not be there any more.",
        "Take a deadline off the list before it is called, with interrupts masked.",
    ),
    Rule(
        "cancel-misjudged", "trade",
        "cancel said that it came in time, or too late, and that was not so",
        "What the deadline would have used is freed while its call is still to come, or just ran.",
        "Look for the deadline, and take it off the list, in one block with interrupts masked.",
    ),
    Rule(
        "deadline-left-armed", "trade",
        "close left the compare at a deadline",
        "The interrupt comes when nobody serves it any more: a storm, or a handler of whoever has "
        "the line by then that finds nothing.",
        "Write all ones to the compare before the handler is disconnected.",
    ),
    Rule(
        "compare-not-moved", "trade",
        "the handler returned and left the compare in the past",
        "The interrupt is there as long as the time is at or past the compare, so the handler is "
        "entered again and again, and nothing else runs.",
        "Write the compare anew each time, all ones where no deadline is left.",
    ),
    Rule(
        "compare-half-written", "trade",
        "the halves of the compare do not belong to one deadline",
        "The interrupt comes at once and for ever, or not for hours, each time the low half of the "
        "time carries.",
        "Write all ones to the high half, then the low half, then the high half.",
    ),
    Rule(
        "gate-rmw-race", "trade",
        "a write of all clocks or reset lines took back what was changed since they were read",
        "Two tasks enable blocks of one gate: whoever reads, changes and writes the register stops "
        "the other's block, or lets it run again, once in a while.",
        "Mask interrupts from the read, or from the look at a copy, to the write.",
    ),
    Rule(
        "gate-overwritten", "trade",
        "a write to the gate stopped, reset or started a block that nobody meant",
        "Somebody else's block loses what it holds in the middle of its work, or draws current "
        "for nothing.",
        "Change the bit of one block only, and leave a block alone that is needed by others.",
    ),
    Rule(
        "block-half-started", "trade",
        "another task came into a call that starts a block, after it was counted and before it ran",
        "The other task takes the block to be started, and waits for what only the first can do.",
        "Count a user and start the block in one block with interrupts masked.",
    ),
    Rule(
        "block-awaited-too-long", "trade",
        "a call went on waiting for a block when its time was over",
        "A block that settles slowly, or never, holds up a caller that wanted to do something else "
        "by then.",
        "Look at the time in the loop that waits, and give up when it is over.",
    ),
    Rule(
        "block-still-needed", "trade",
        "a block was stopped or reset that another user has enabled and not let go of",
        "The other user's accesses are lost from then on, and it has done nothing wrong.",
        "Count the users of each block, and stop it when the last lets go.",
    ),
    Rule(
        "block-not-awaited", "trade",
        "a call returned before its block answered",
        "The first accesses to the block are lost without a word; it works where settling takes "
        "less time than the return.",
        "Wait until READY shows the block, with a bound, whoever let it run.",
    ),
    Rule(
        "block-given-up", "trade",
        "a call gave a block up that would have answered in time",
        "Slow clocks and large blocks take longer to settle than the one it was tried with.",
        "Wait by the time that the caller gives, not by a number of looks, and look once more "
        "after it.",
    ),
    Rule(
        "block-left-running", "trade",
        "a block runs on that nobody needs any more",
        "The battery is empty after days instead of months; and what a block does on its own, it "
        "goes on doing.",
        "Count who needs a block, and stop it when the last lets go, also after an enable that "
        "failed.",
    ),
    Rule(
        "reset-not-pulled", "trade",
        "a block was to be reset, and its reset line was not pulled",
        "The block goes on with the state that the reset was to get it out of.",
        "Hold the reset line and let go of it; a clock that is stopped resets nothing.",
    ),
    Rule(
        "disabled-too-often", "trade",
        "a block that is not enabled was disabled, or reset, without a word",
        "The count of users goes below nothing, so the next who enables the block does not get it; "
        "or the block of another user is stopped.",
        "Raise a ValueError, and change nothing.",
    ),
)  # fmt: skip
