"""Rules that know the serial controller.

The one idea: each says what it watches, why that bites on real hardware, and what to do instead.
"""

from __future__ import annotations

from emu.rules.rule import Rule

__all__ = ["DEVICE"]

DEVICE = (
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
)  # fmt: skip
