"""The smallest serial controller: what is sent, what arrives, and what is lost on the way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule

from emu.devices.serial_basic import SerialBasic
from emu.kernel.board import Board
from emu.line.frame import FrameFormat, rate_of
from emu.line.receiver import Receiver
from emu.line.transmitter import Transmitter
from emu.testing import DeviceRules

SAME = settings(derandomize=True, database=None, deadline=None)
READY, ROOM, IDLE, LOST, BAD = 0x01, 0x02, 0x04, 0x08, 0x10
ENABLE, READY_IRQ, ROOM_IRQ = 0x01, 0x10, 0x20
CHARACTER_PS = 10 * 10**12 // 115_200


class Bench:
    """A controller at 115200 baud with somebody at the other end of its line."""

    def __init__(self, size: int = 1) -> None:
        board = Board("harbour")
        board.attach(SerialBasic, "winch", 0x8000_0000, irq=4, settings={"bytes": size})
        board.power_on()
        device = board.devices["winch"]
        assert isinstance(device, SerialBasic)
        self.device, self.clock = device, board.clock
        self.heard = bytearray()
        frame, rate = FrameFormat(8, "none", 2), rate_of(115_200)
        ear = Receiver(board.clock, lambda data, _flags: self.heard.append(data))
        ear.configure(frame, rate)
        ear.listen(device.sout)
        self._mouth = Transmitter(board.clock, device.sin)
        self._mouth.configure(frame, rate)
        self.write(DIVISOR=1, CONTROL=ENABLE)

    def write(self, **registers: int) -> None:
        """Write registers by name, in order."""
        for name, value in registers.items():
            self.device.ports[name].write(value)

    def read(self, name: str) -> int:
        """Read a register."""
        return self.device.ports[name].read()

    def characters(self, count: float) -> None:
        """Let so many character times pass."""
        self.clock.run_until(self.clock.now_ps + round(count * CHARACTER_PS))

    def say(self, data: bytes) -> None:
        """Let the other end send, and time pass until it is there."""
        for byte in data:
            self._mouth.send(byte, self.clock.now_ps)
            self.characters(1.01)


@pytest.fixture
def bench() -> Bench:
    """Return a controller of one byte."""
    return Bench()


@given(st.binary(min_size=1, max_size=12))
@SAME
def test_what_is_written_in_time_is_heard(data: bytes) -> None:
    """Who waits for ROOM before each write sends every character, in order."""
    bench = Bench()
    for byte in data:
        while not bench.read("STATUS") & ROOM:
            bench.characters(0.1)
        bench.write(DATA=byte)
    bench.characters(2.1)
    assert bench.heard == data
    assert bench.read("STATUS") & (ROOM | IDLE) == ROOM | IDLE


def test_room_is_not_idle(bench: Bench) -> None:
    """ROOM is up while the last character is still being sent, IDLE once it has left."""
    bench.write(DATA=0x41)
    assert bench.read("STATUS") & (ROOM | IDLE) == ROOM
    bench.characters(0.98)
    assert bench.read("STATUS") & (ROOM | IDLE) == ROOM
    bench.characters(0.03)
    assert bench.read("STATUS") & (ROOM | IDLE) == ROOM | IDLE


def test_a_write_without_room_takes_the_place_of_what_waits(bench: Bench) -> None:
    """The character before it is lost without a flag."""
    for byte in (0x41, 0x42, 0x43):
        bench.write(DATA=byte)
    bench.characters(3)
    assert bench.heard == b"\x41\x43"


def test_a_character_that_finds_no_room_is_lost(bench: Bench) -> None:
    """The unread one stays, and LOST says so until a 1 is written to it."""
    bench.say(b"ab")
    assert bench.read("STATUS") & (READY | LOST) == READY | LOST
    assert bench.read("DATA") == ord("a")
    assert bench.read("STATUS") & (READY | LOST) == LOST
    bench.write(STATUS=LOST)
    assert not bench.read("STATUS") & LOST


def test_nothing_comes_in_while_it_is_disabled(bench: Bench) -> None:
    """ENABLE off lets characters pass by, and no flag tells."""
    bench.write(CONTROL=0)
    bench.say(b"a")
    assert not bench.read("STATUS") & (READY | LOST)


def test_a_character_without_its_stop_bit(bench: Bench) -> None:
    """It is kept, and BAD is set."""
    bench.device.sin.play(bench.clock.now_ps, (0, 2 * CHARACTER_PS))
    bench.characters(1.5)
    assert bench.read("STATUS") & (READY | BAD) == READY | BAD


@pytest.mark.parametrize("control", [READY_IRQ, ROOM_IRQ])
def test_interrupts_follow_their_state(bench: Bench, control: int) -> None:
    """The line is up as long as the state is that is asked for, and falls by serving it."""
    bench.write(CONTROL=ENABLE | control)
    assert bench.device.irq.level == int(control == ROOM_IRQ)
    bench.say(b"a")
    assert bench.device.irq.level
    bench.read("DATA")
    assert bench.device.irq.level == int(control == ROOM_IRQ)
    bench.write(DATA=1)
    bench.write(DATA=2)
    assert not bench.device.irq.level
    bench.characters(1.05)
    assert bench.device.irq.level == int(control == ROOM_IRQ)


def test_four_bytes_an_access() -> None:
    """A word is as many characters as SEND says, and one read takes all that WAITING counts."""
    bench = Bench(size=4)
    bench.write(COUNT=3, DATA=0x44434241)
    bench.characters(3.2)
    assert bench.heard == b"ABC"
    bench.say(b"tide")
    assert bench.read("COUNT") >> 8 == 4
    assert bench.read("DATA").to_bytes(4, "little") == b"tide"
    assert bench.read("COUNT") >> 8 == 0
    bench.say(b"tides")
    assert bench.read("STATUS") & LOST
    assert bench.read("DATA").to_bytes(4, "little") == b"tide"


def test_a_divisor_of_0_stops_the_line(bench: Bench) -> None:
    """What waits is sent once there is a rate again."""
    bench.write(DIVISOR=0, DATA=0x41)
    bench.characters(5)
    assert bench.heard == b""
    bench.write(DIVISOR=1)
    bench.characters(1.05)
    assert bench.heard == b"A"


class BasicRules(DeviceRules):
    """Whatever software and the line do, the controller keeps to its declaration."""

    DEVICE = SerialBasic
    BY_DEVICE = frozenset(
        {"DATA.BYTES", "STATUS.READY", "STATUS.ROOM", "STATUS.IDLE", "STATUS.LOST", "STATUS.BAD",
         "COUNT.WAITING"}
    )  # fmt: skip

    @rule(data=st.binary(max_size=3), flags=st.sampled_from([0, 0, 0x08]))
    def arrive(self, data: bytes, flags: int) -> None:
        """Let characters arrive."""
        for device in self.devices:
            assert isinstance(device, SerialBasic)
            for byte in data:
                device.receive(byte, flags)


class WordRules(BasicRules):
    """The same for the variant of four bytes."""

    SETTINGS: ClassVar[Mapping[str, object]] = {"bytes": 4}


TestBasic, TestWord = BasicRules.TestCase, WordRules.TestCase
TestBasic.settings = TestWord.settings = settings(SAME, max_examples=40, stateful_step_count=30)
