"""What a fault makes impossible: the promises of a driver's contract that it cannot then keep.

The one idea: a waiver is tied to marks, short phrases that say what a fault really did, such as
``"read LSR.THRE=1"`` (a read showed this bit as 1 though it was 0) or ``"write THR"``. So a fault
that never touched the wrong thing waives nothing. Register names are those of the serial
controllers, whose drivers the contract is about; on other devices these marks never appear.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CUT_OFF", "MISREAD", "MISWRITTEN", "PROMISES", "Waiver"]

PROMISES = ("order", "loss", "errors", "sent", "time", "drain", "quiet", "recovery", "start")

_TRIES = 4


@dataclass(frozen=True, slots=True)
class Waiver:
    """Say that a fault makes a promise impossible.

    Args:
        promise: one of `PROMISES`.
        reason: why no driver could keep it, in one sentence.
        marks: what the fault must have done, any of these; empty for anything at all.
        lasting: whether the damage outlives the fault; otherwise the promise can be kept again as
            soon as the fault has ended.
        tries: a driver that tries so often less one would get through, so the fault must be set
            to act at least so many times in a row, without leaving it to chance.
    """

    promise: str
    reason: str
    marks: tuple[str, ...] = ()
    lasting: bool = False
    tries: int = 1


_SETTINGS = tuple(f"write {name}" for name in ("IER", "LCR", "FCR", "MCR", "DLL", "DLM"))
_SILENCERS = ("write IER", "write MCR", "write LCR")

MISREAD = (
    Waiver(
        "order", "the data itself was misread, or a character announced that was not there",
        ("read RBR", "read LSR.DR=1"), lasting=True,
    ),
    Waiver(
        "loss", "the overrun flag was hidden or made up, or a sound character flagged as bad",
        ("read LSR.OE", "read LSR.PE=1", "read LSR.FE=1", "read LSR.BI=1"), lasting=True,
    ),
    Waiver(
        "errors", "error flags were hidden or made up, and a read clears what it hid",
        ("read LSR.PE", "read LSR.FE", "read LSR.BI"), lasting=True,
    ),
    Waiver(
        "errors", "characters were in the device and none was announced",
        ("read LSR.DR=0",), tries=_TRIES,
    ),
    Waiver(
        "sent", "room in the transmitter was announced that was not there",
        ("read LSR.THRE=1", "read LSR.TEMT=1", "read IIR.FIFO=1", "read IIR.FIFO64=1"),
        lasting=True,
    ),
    Waiver(
        "sent", "room in the transmitter was not announced while it acted",
        ("read LSR.THRE=0",), tries=_TRIES,
    ),
    Waiver(
        "drain", "characters that were taken for sent were lost where no room was",
        ("read LSR.THRE=1", "read IIR.FIFO=1", "read IIR.FIFO64=1"), lasting=True,
    ),
    Waiver(
        "drain", "the device said that its last stop bit had left when it had not",
        ("read LSR.TEMT=1",),
    ),
    Waiver(
        "drain", "the device did not say that its last stop bit had left while it acted",
        ("read LSR.TEMT=0", "read LSR.THRE=0"), tries=_TRIES,
    ),
)  # fmt: skip
"""What no driver can make up for when reads show other bits than the device holds."""

MISWRITTEN = (
    Waiver("sent", "a character did not reach the device as written, or not at all",
           ("write THR",), lasting=True),
    Waiver("drain", "a character that did not reach the device never leaves it",
           ("write THR",), lasting=True),
    Waiver("sent", "a device that cannot be set up cannot be trusted to send", _SETTINGS,
           tries=_TRIES),
    Waiver("drain", "a device that cannot be set up cannot be asked", _SETTINGS, tries=_TRIES),
    Waiver("quiet", "the device could not be told to be quiet", _SILENCERS, tries=_TRIES),
    Waiver("start", "the device could not be set up", _SETTINGS, tries=_TRIES),
)  # fmt: skip
"""What no driver can make up for when writes do not arrive as written."""

CUT_OFF = (
    Waiver("loss", "the overrun flag could not be read", ("read LSR",), tries=_TRIES),
    Waiver("errors", "error flags could not be read", ("read LSR", "read RBR"), tries=_TRIES),
    Waiver("sent", "characters could not be handed to the device",
           ("read LSR", "write THR"), tries=_TRIES),
    Waiver("drain", "the device could not be asked", ("read LSR",), tries=_TRIES),
    Waiver("quiet", "the device could not be told to be quiet", _SILENCERS, tries=_TRIES),
    Waiver("start", "the device could not be set up", _SETTINGS, tries=_TRIES),
)  # fmt: skip
"""What no driver can do while the device does not answer, and can tell that it does not."""
