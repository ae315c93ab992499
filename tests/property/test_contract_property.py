"""Any traffic, any style of a correct driver: never accused; one slip: always accused.

The one idea: a driver is drawn from all the ways in which correct ones differ (what it does with
damaged bytes, how it counts, how large its buffer is, when it looks), and the traffic around it.
"""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import assume, given
from hypothesis import strategies as st

from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR
from tests.contract_table import Table

OVERRUN, FLAGGED = 0x02, 0x1C


@dataclass(frozen=True)
class Style:
    """Say how a driver does what correct drivers do differently."""

    keep_bad: bool
    buffer_bytes: int
    count_each_dropped: bool
    break_as_framing_too: bool
    both_as: int  # 1 parity only, 2 framing only, 3 both
    empties_after_overrun: bool


STYLES = st.builds(
    Style,
    keep_bad=st.booleans(),
    buffer_bytes=st.integers(4, 40),
    count_each_dropped=st.booleans(),
    break_as_framing_too=st.booleans(),
    both_as=st.sampled_from((1, 2, 3)),
    empties_after_overrun=st.booleans(),
)
FLAGS = st.sampled_from(
    (0, 0, 0, PARITY_ERROR, FRAMING_ERROR, PARITY_ERROR | FRAMING_ERROR, BREAK | FRAMING_ERROR)
)
SMALL = st.binary(min_size=1, max_size=20).map(lambda data: bytes(byte % 4 for byte in data))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("come"), SMALL, FLAGS),
        st.tuples(st.just("serve"), st.integers(1, 20)),
        st.tuples(st.just("read"), st.integers(0, 12)),
        st.tuples(st.just("vain")),
        st.tuples(st.just("reopen"), st.booleans()),
    ),
    max_size=25,
)


class Styled:
    """Play a correct driver of some style on a table."""

    def __init__(self, style: Style, fifo: int) -> None:
        self.style = style
        self.table = Table(fifo=fifo)
        self.table.open()
        self.buffer = bytearray()
        self.dropping = False
        self.sound = bytearray()  # what was put into the buffer and came whole

    def play(self, step: tuple[object, ...]) -> None:
        """Let one thing happen."""
        match step:
            case ("come", bytes(data), int(flags)):
                self.table.come(data, flags)
            case ("serve", int(times)):
                self.serve(times)
            case ("read", int(size)):
                self.read(size)
            case ("vain",):
                self.finish()
            case ("reopen", bool(waits)):
                if waits:
                    self.finish()
                self.reopen()

    def serve(self, times: int) -> None:
        """Take up to so many characters out of the device."""
        for _ in range(times):
            if not self.look():
                return

    def look(self) -> bool:
        """Look once and take the character that is there; return whether there was one."""
        port = self.table.port
        status = port.read("LSR")
        self.count(status)
        if status & OVERRUN and self.style.empties_after_overrun and self.table.fifo:
            port.write("FCR", 0x03)
            return False
        if not status & 1:
            return False
        byte = port.read("RBR")
        if not status & FLAGGED or self.style.keep_bad:
            self.keep(byte)
        return True

    def count(self, status: int) -> None:
        """Count what a look showed, in the driver's own style."""
        errors, style = self.table.errors, self.style
        errors.overrun += bool(status & OVERRUN)
        if status & BREAK:
            errors.breaks += 1
            errors.framing += style.break_as_framing_too
        elif status & PARITY_ERROR and status & FRAMING_ERROR:
            errors.parity += style.both_as & 1
            errors.framing += style.both_as >> 1
        else:
            errors.parity += bool(status & PARITY_ERROR)
            errors.framing += bool(status & FRAMING_ERROR)

    def keep(self, byte: int) -> None:
        """Put a byte into the driver's own buffer, or count that it is full."""
        if len(self.buffer) < self.style.buffer_bytes:
            self.buffer.append(byte)
            self.dropping = False
            return
        if not self.dropping or self.style.count_each_dropped:
            self.table.errors.overrun += 1
        self.dropping = True

    def read(self, size: int) -> None:
        """Return what the buffer holds."""
        self.table.give(bytes(self.buffer[:size]))
        del self.buffer[:size]

    def finish(self) -> None:
        """Take everything in, return everything, and wait in vain."""
        while self.look():
            pass
        self.read(len(self.buffer))
        self.look()
        self.table.wait_in_vain()

    def reopen(self) -> None:
        """Close and open again; what is in the buffer goes."""
        self.table.close()
        self.buffer.clear()
        self.dropping = False
        self.table.open()


def run(style: Style, fifo: int, steps: list[tuple[object, ...]]) -> Styled:
    """Play all steps and come to an end."""
    driver = Styled(style, fifo)
    for step in steps:
        driver.play(step)
    driver.finish()
    return driver


@given(style=STYLES, fifo=st.sampled_from((0, 16, 64)), steps=STEPS)
def test_no_correct_style_is_accused(
    style: Style, fifo: int, steps: list[tuple[object, ...]]
) -> None:
    """Whatever comes and whatever the driver's habits, a correct one breaks no promise."""
    driver = run(style, fifo, steps)
    driver.table.close()
    assert driver.table.broken() == {}


SLIPS = {
    "overrun": ("come", bytes(30), 0),
    "parity": ("come", b"x", PARITY_ERROR),
    "framing": ("come", b"x", FRAMING_ERROR),
    "breaks": ("come", b"\0", BREAK | FRAMING_ERROR),
}


@given(
    before=STEPS.map(lambda steps: [step for step in steps if step[0] != "reopen"]),
    slip=st.sampled_from(sorted(SLIPS)),
)
def test_a_count_too_few_is_seen(before: list[tuple[object, ...]], slip: str) -> None:
    """Counting one less of anything breaks the promise about it."""
    style = Style(
        keep_bad=True, buffer_bytes=10_000, count_each_dropped=False,
        break_as_framing_too=False, both_as=3, empties_after_overrun=False,
    )  # fmt: skip
    one_kind = [step for step in before if step[0] != "come" or step[2] != 12]
    driver = run(style, 16, [*one_kind, ("serve", 20), SLIPS[slip]])
    setattr(driver.table.errors, slip, getattr(driver.table.errors, slip) - 1)
    driver.table.close()
    assert list(driver.table.broken()) == ["loss" if slip == "overrun" else "errors"]


@given(data=st.data(), pieces=st.lists(SMALL, min_size=1, max_size=8))
def test_a_byte_left_out_is_seen(data: st.DataObject, pieces: list[bytes]) -> None:
    """A byte that arrived whole and is left out breaks loss, whatever follows."""
    table = Table()
    table.open()
    left_out = data.draw(st.integers(0, sum(map(len, pieces)) - 1))
    at = 0
    for piece in pieces:
        table.come(piece[:16])
        came = table.take()
        inside = 0 <= left_out - at < len(came)
        table.give(came[: left_out - at] + came[left_out - at + 1 :] if inside else came)
        at += len(came)
    assume(left_out < at)
    table.wait_in_vain()
    table.close()
    assert list(table.broken()) == ["loss"]


@given(data=st.data(), pieces=st.lists(SMALL, min_size=1, max_size=8))
def test_a_byte_too_many_is_seen(data: st.DataObject, pieces: list[bytes]) -> None:
    """A byte more than arrived breaks the order, wherever it is put in."""
    table = Table()
    table.open()
    whole = bytearray()
    for piece in pieces:
        table.come(piece[:16])
        whole += table.take()
    whole.insert(data.draw(st.integers(0, len(whole))), data.draw(st.integers(0, 3)))
    table.give(bytes(whole))
    table.wait_in_vain()
    table.close()
    assert list(table.broken()) == ["order"]
