"""What a fault makes impossible: the promises of a driver's contract that it cannot then keep.

The one idea: a waiver is tied to marks, short phrases that say what a fault really did, such as
``"read LSR.THRE=1"`` (a read showed this bit as 1 though it was 0) or ``"write THR"``. So a fault
that never touched the wrong thing waives nothing, and what it did at one time excuses nothing that
happens long after. Register names are those of the serial controllers, whose drivers the contract
is about; on other devices these marks never appear.

A driver need not read back what it writes, and may change one bit of a setting by reading the
register first. So one setting that was misread or miswritten can leave the device set up as nobody
asked for, until the port is opened again; a driver that does read back may find the device unfit
and leave it alone. Both are good practice, and both are allowed for here.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "CUT_OFF",
    "ESTRANGED",
    "MISREAD",
    "MISWRITTEN",
    "PROMISES",
    "SETTINGS",
    "UNSETTLED",
    "Waiver",
]

PROMISES = ("order", "loss", "errors", "sent", "time", "drain", "quiet", "recovery", "start")

_TRIES = 3


@dataclass(frozen=True, slots=True)
class Waiver:
    """Say that a fault makes a promise impossible.

    Args:
        promise: one of `PROMISES`.
        reason: why no driver could keep it, in one sentence.
        marks: what the fault must have done, any of these; empty for anything at all.
        lasting: whether the damage outlives the fault, until the port is opened again; otherwise
            the promise can be kept again as soon as the fault has ended.
        tries: a driver that tries so often gets past a fault that acts less often, so the fault
            must be set to act so many times in a row at least, without leaving it to chance.
    """

    promise: str
    reason: str
    marks: tuple[str, ...] = ()
    lasting: bool = False
    tries: int = 1


def _both_ways(*names: str) -> tuple[str, ...]:
    return tuple(f"{way} {name}" for name in names for way in ("read", "write"))


# The scratch register is among these because a driver may look there whether a device is at home.
UNSETTLED = _both_ways("IER", "LCR", "FCR", "MCR", "DLL", "DLM", "SCR")
"""Marks of a fault after which the device may hold other settings than the driver wanted."""

_CAUSE = ("read IIR.ID", "read IIR.NONE")

ESTRANGED = (*_CAUSE, "read IIR.FIFO", "read IIR.FIFO64", "write THR")
"""Marks of a fault that nobody was told of, after which a driver may have the FIFOs wrong, or wait
for an interrupt that was spent."""

SETTINGS = (
    Waiver("start", "a setting was not taken, or did not read back as it was written",
           UNSETTLED, lasting=True),
    Waiver("order", "with a wrong setting the data register can be another, or hear itself",
           _both_ways("LCR", "FCR", "MCR"), lasting=True),
    Waiver("loss", "a device that is set up wrongly, or seems to be, does not tell what comes",
           UNSETTLED, lasting=True),
    Waiver("errors", "a device that is set up wrongly, or seems to be, does not tell of errors",
           UNSETTLED, lasting=True),
    Waiver("sent", "a device that is set up wrongly, or seems to be, cannot be trusted to send",
           UNSETTLED, lasting=True),
    Waiver("drain", "a device that is set up wrongly, or seems to be, cannot be asked",
           UNSETTLED, lasting=True),
    Waiver("quiet", "the device could not be told to be quiet",
           ("write IER", *_both_ways("LCR")), lasting=True),
)  # fmt: skip
"""What no driver can make up for when settings are misread or miswritten."""

MISREAD = (
    *SETTINGS,
    Waiver(
        "order", "the data itself was misread, or a character announced that was not there",
        ("read RBR", "read LSR.DR=1", "read IIR.ID", "read IIR.FIFO", "read IIR.FIFO64"),
        lasting=True,
    ),
    Waiver(
        "time", "characters that were never there kept the driver busy",
        ("read LSR.DR=1",), tries=_TRIES,
    ),
    Waiver(
        "loss", "the overrun flag was hidden or made up, or a sound character flagged as bad",
        ("read LSR.OE", "read LSR.PE=1", "read LSR.FE=1", "read LSR.BI=1"), lasting=True,
    ),
    Waiver(
        "loss", "characters were in the device and none was announced",
        ("read LSR.DR=0", *_CAUSE), tries=_TRIES,
    ),
    Waiver(
        "errors", "error flags were hidden or made up, and a read clears what it hid",
        ("read LSR.PE", "read LSR.FE", "read LSR.BI", "read LSR.FIFOE=0"), lasting=True,
    ),
    Waiver(
        "errors", "characters were in the device and none was announced",
        ("read LSR.DR=0", *_CAUSE), tries=_TRIES,
    ),
    Waiver(
        "sent", "room in the transmitter was announced that was not there",
        ("read LSR.THRE=1", "read LSR.TEMT=1", "read IIR.FIFO=1", "read IIR.FIFO64=1"),
        lasting=True,
    ),
    Waiver(
        "sent", "that the transmitter was empty was told once, and then under another name",
        _CAUSE, lasting=True,
    ),
    Waiver(
        "sent", "room in the transmitter, or a far end that listens, was not shown while it acted",
        ("read LSR.THRE=0", "read MSR.CTS=0"), tries=_TRIES,
    ),
    Waiver(
        "drain", "characters that were taken for sent were lost where no room was",
        ("read LSR.THRE=1", "read IIR.FIFO=1", "read IIR.FIFO64=1"), lasting=True,
    ),
    Waiver(
        "drain", "that the transmitter was empty was told once, and then under another name",
        _CAUSE, lasting=True,
    ),
    Waiver(
        "drain", "the device said that its last stop bit had left when it had not",
        ("read LSR.TEMT=1",),
    ),
    Waiver(
        "drain", "the device did not say that its last stop bit had left while it acted",
        ("read LSR.TEMT=0", "read LSR.THRE=0", "read MSR.CTS=0"), tries=_TRIES,
    ),
)  # fmt: skip
"""What no driver can make up for when reads show other bits than the device holds."""

MISWRITTEN = (
    *SETTINGS,
    Waiver("sent", "a character did not reach the device as written, or not at all",
           ("write THR",), lasting=True),
    Waiver("drain", "a character that did not reach the device never leaves it",
           ("write THR",), lasting=True),
)  # fmt: skip
"""What no driver can make up for when writes do not arrive as written."""

CUT_OFF = (
    Waiver("loss", "what a burst of reads had fetched is lost with its bus error",
           ("read RBR",), lasting=True),
    Waiver("start", "a device that does not answer cannot be set up", tries=_TRIES),
    Waiver("loss", "what came could not be fetched, nor the overrun flag", tries=_TRIES),
    Waiver("errors", "error flags could not be read", tries=_TRIES),
    Waiver("sent", "a device that does not answer cannot be served", tries=_TRIES),
    Waiver("drain", "a device that does not answer cannot be asked", tries=_TRIES),
    Waiver("quiet", "the device could not be told to be quiet",
           ("write IER", *_both_ways("LCR")), tries=_TRIES),
)  # fmt: skip
"""What no driver can do while the device does not answer, and can tell that it does not."""
