"""The checksum engine against published checks, and against what its declaration says.

Source of the table: the catalogue of parametrised CRC algorithms by G. Cook, as carried by anycrc
2.1.0 (its models table); the check is that of the nine bytes "123456789". The first row is besides
compared with ``zlib.crc32`` and ``binascii.crc_hqx`` stands for CRC-16/XMODEM.
"""

from __future__ import annotations

import binascii
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.devices.checksum_engine import BANK_BYTES, ChecksumEngine, checksum
from emu.kernel.board import Board
from emu.testing import DeviceRules

SAME = settings(derandomize=True, database=None, deadline=None)
MESSAGE, ONES = b"123456789", 0xFFFF_FFFF
START, LOAD, ABORT, DONE_IRQ = 0x01, 0x02, 0x04, 0x10
BUSY, DONE, REFUSED = 0x01, 0x02, 0x04

Row = tuple[str, int, int, int, bool, bool, int, int]

# name, width, poly, init, refin, refout, xorout, check
CATALOGUE = [
    ("CRC-32/ISO-HDLC", 32, 0x4c11db7, 0xffffffff, True, True, 0xffffffff, 0xcbf43926),
    ("CRC-32/BZIP2", 32, 0x4c11db7, 0xffffffff, False, False, 0xffffffff, 0xfc891918),
    ("CRC-32/MPEG-2", 32, 0x4c11db7, 0xffffffff, False, False, 0x0, 0x376e6e7),
    ("CRC-32/CKSUM", 32, 0x4c11db7, 0x0, False, False, 0xffffffff, 0x765e7680),
    ("CRC-32/JAMCRC", 32, 0x4c11db7, 0xffffffff, True, True, 0x0, 0x340bc6d9),
    ("CRC-32/ISCSI", 32, 0x1edc6f41, 0xffffffff, True, True, 0xffffffff, 0xe3069283),
    ("CRC-32/AUTOSAR", 32, 0xf4acfb13, 0xffffffff, True, True, 0xffffffff, 0x1697d06a),
    ("CRC-16/ARC", 16, 0x8005, 0x0, True, True, 0x0, 0xbb3d),
    ("CRC-16/MODBUS", 16, 0x8005, 0xffff, True, True, 0x0, 0x4b37),
    ("CRC-16/USB", 16, 0x8005, 0xffff, True, True, 0xffff, 0xb4c8),
    ("CRC-16/MAXIM-DOW", 16, 0x8005, 0x0, True, True, 0xffff, 0x44c2),
    ("CRC-16/IBM-3740", 16, 0x1021, 0xffff, False, False, 0x0, 0x29b1),
    ("CRC-16/XMODEM", 16, 0x1021, 0x0, False, False, 0x0, 0x31c3),
    ("CRC-16/KERMIT", 16, 0x1021, 0x0, True, True, 0x0, 0x2189),
    ("CRC-16/IBM-SDLC", 16, 0x1021, 0xffff, True, True, 0xffff, 0x906e),
    ("CRC-8/SMBUS", 8, 0x7, 0x0, False, False, 0x0, 0xf4),
    ("CRC-8/ROHC", 8, 0x7, 0xff, True, True, 0x0, 0xd0),
    ("CRC-8/MAXIM-DOW", 8, 0x31, 0x0, True, True, 0x0, 0xa1),
    ("CRC-8/SAE-J1850", 8, 0x1d, 0xff, False, False, 0xff, 0x4b),
    ("CRC-8/AUTOSAR", 8, 0x2f, 0xff, False, False, 0xff, 0xdf),
    ("CRC-8/DARC", 8, 0x39, 0x0, True, True, 0x0, 0x15),
]  # fmt: skip


class Bench:
    """A board with an engine of 50 MHz, looked at and told things in no time."""

    def __init__(self, **parameters: object) -> None:
        board = Board("harbour")
        board.attach(ChecksumEngine, "sums", 0x7000_0000, irq=2, settings=parameters)
        board.power_on()
        device = board.devices["sums"]
        assert isinstance(device, ChecksumEngine)
        self.engine = device
        self.clock = board.clock

    def write(self, **registers: int) -> None:
        """Write registers by name, in order."""
        for name, value in registers.items():
            self.engine.ports[name].write(value)

    def read(self, name: str) -> int:
        """Read a register."""
        return self.engine.ports[name].read()

    def wait_ns(self, nanoseconds: int) -> None:
        """Let time pass."""
        self.clock.run_until(self.clock.now_ps + nanoseconds * 1000)

    def fill(self, data: bytes, at: int = 0) -> None:
        """Put bytes into the bank."""
        self.write(CURSOR=at)
        for start in range(0, len(data), 4):
            self.write(WORD=int.from_bytes(data[start : start + 4].ljust(4, b"\0"), "little"))

    def choose(self, row: Row) -> None:
        """Choose a check and load its initial value."""
        _, width, poly, init, refin, refout, xorout, _ = row
        self.write(CONFIG=width - 1 | refin << 8 | refout << 9, POLY=poly, INIT=init, XOROUT=xorout,
                   CONTROL=LOAD)  # fmt: skip


@pytest.fixture
def bench() -> Bench:
    """Return a fresh engine, which comes up for CRC-32/ISO-HDLC."""
    return Bench()


@pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: row[0])
def test_published_checks_by_the_data_register(bench: Bench, row: Row) -> None:
    """Each byte written, waited for, gives the check that the catalogue prints."""
    bench.choose(row)
    for byte in MESSAGE:
        bench.write(DATA=byte)
        bench.wait_ns(20)
    assert bench.read("RESULT") == row[7]
    assert bench.read("STATUS") == 0


@pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: row[0])
def test_published_checks_by_the_bank(bench: Bench, row: Row) -> None:
    """The same from the bank, wherever in it the message lies."""
    bench.fill(MESSAGE, at=BANK_BYTES - 4)  # it goes round
    bench.choose(row)
    bench.write(SOURCE=BANK_BYTES - 4, LENGTH=len(MESSAGE), CONTROL=START)
    bench.wait_ns(9 * 20)
    assert bench.read("RESULT") == row[7]
    assert bench.read("STATUS") == DONE


@given(st.binary(max_size=300))
@SAME
def test_two_checks_of_the_library(data: bytes) -> None:
    """Any bytes give what ``zlib.crc32`` and ``binascii.crc_hqx`` give."""
    assert checksum(
        data, width=32, poly=0x04C11DB7, init=0xFFFFFFFF, refin=True, refout=True, xorout=0xFFFFFFFF
    ) == zlib.crc32(data)
    assert checksum(
        data, width=16, poly=0x1021, init=0, refin=False, refout=False, xorout=0
    ) == binascii.crc_hqx(data, 0)


@given(
    width=st.integers(1, 32), words=st.tuples(st.integers(0, ONES), st.integers(0, ONES)),
    refin=st.booleans(), refout=st.booleans(), data=st.binary(max_size=20),
)  # fmt: skip
@SAME
def test_any_width_bit_by_bit(
    width: int, words: tuple[int, int], refin: bool, refout: bool, data: bytes
) -> None:
    """The table gives what a shift register gives that takes one bit at a time."""
    mask = (1 << width) - 1
    poly, init = (word & mask for word in words)
    register = init
    for byte in data:
        for bit in range(8) if refin else range(7, -1, -1):
            top = register >> width - 1 ^ byte >> bit & 1
            register = (register << 1 & mask) ^ (poly if top & 1 else 0)
    if refout:
        register = int(f"{register:0{width}b}"[::-1], 2)
    kind = {"width": width, "poly": poly, "init": init, "xorout": 0}
    assert checksum(data, **kind, refin=refin, refout=refout) == register


def test_it_takes_its_time() -> None:
    """A block is busy for its bytes times the cycles of each; then DONE interrupts."""
    bench = Bench(clock="10 MHz", cycles=4)
    bench.fill(MESSAGE)
    bench.write(LENGTH=9, CONTROL=LOAD | DONE_IRQ)
    bench.write(CONTROL=START | DONE_IRQ)
    bench.wait_ns(9 * 400 - 1)
    assert (bench.read("STATUS"), bench.engine.irq.level) == (BUSY, 0)
    bench.wait_ns(1)
    assert (bench.read("STATUS"), bench.engine.irq.level) == (DONE, 1)
    bench.write(STATUS=DONE)
    assert bench.engine.irq.level == 0


def test_a_result_read_too_early_is_that_of_some_bytes(bench: Bench) -> None:
    """RESULT while BUSY is the check of what was taken by then."""
    bench.fill(MESSAGE)
    bench.write(LENGTH=9, CONTROL=LOAD)
    bench.write(CONTROL=START)
    bench.wait_ns(4 * 20)
    assert bench.read("RESULT") == zlib.crc32(MESSAGE[:4])
    bench.wait_ns(5 * 20)
    assert bench.read("RESULT") == zlib.crc32(MESSAGE)


@pytest.mark.parametrize(
    "late", ["CONFIG", "POLY", "INIT", "XOROUT", "SOURCE", "LENGTH", "DATA", "WORD"]
)
def test_what_comes_while_busy_is_refused(bench: Bench, late: str) -> None:
    """The block comes out as if nothing had been written, and REFUSED tells."""
    bench.fill(MESSAGE)
    bench.write(LENGTH=9, CONTROL=LOAD)
    bench.write(CONTROL=START)
    bench.wait_ns(40)
    bench.write(**{late: 0x55})
    assert bench.read("STATUS") == BUSY | REFUSED
    bench.wait_ns(140)
    assert bench.read("RESULT") == zlib.crc32(MESSAGE)
    bench.write(STATUS=REFUSED)
    assert bench.read("STATUS") == DONE


def test_a_second_start_is_refused(bench: Bench) -> None:
    """A block under way is not begun again."""
    bench.fill(MESSAGE)
    bench.write(LENGTH=9, CONTROL=LOAD)
    bench.write(CONTROL=START)
    bench.wait_ns(100)
    bench.write(CONTROL=START)
    bench.wait_ns(80)
    assert bench.read("RESULT") == zlib.crc32(MESSAGE)
    assert bench.read("STATUS") == DONE | REFUSED


def test_an_aborted_block_keeps_what_was_taken(bench: Bench) -> None:
    """ABORT ends at once, sets no DONE, and the next block goes on from there."""
    bench.fill(MESSAGE)
    bench.write(LENGTH=9, CONTROL=LOAD)
    bench.write(CONTROL=START)
    bench.wait_ns(4 * 20)
    bench.write(CONTROL=ABORT)
    assert (bench.read("STATUS"), bench.read("RESULT")) == (0, zlib.crc32(MESSAGE[:4]))
    bench.write(SOURCE=4, LENGTH=5, CONTROL=START)
    bench.wait_ns(5 * 20)
    assert bench.read("RESULT") == zlib.crc32(MESSAGE)


def test_an_empty_block_is_done_at_once(bench: Bench) -> None:
    """LENGTH 0 takes nothing and sets DONE."""
    bench.write(CONTROL=LOAD)
    bench.write(LENGTH=0, CONTROL=START)
    bench.wait_ns(1)
    assert (bench.read("STATUS"), bench.read("RESULT")) == (DONE, 0)


def test_an_engine_that_stands_still_goes_on(bench: Bench) -> None:
    """A halted engine keeps what it has taken, and finishes the rest afterwards."""
    bench.fill(MESSAGE)
    bench.write(LENGTH=9, CONTROL=LOAD)
    bench.write(CONTROL=START)
    bench.wait_ns(60)
    bench.engine.halt(True)
    bench.wait_ns(1000)
    assert bench.read("STATUS") == BUSY
    bench.engine.halt(False)
    bench.wait_ns(120)
    assert (bench.read("STATUS"), bench.read("RESULT")) == (DONE, zlib.crc32(MESSAGE))


class EngineRules(DeviceRules):
    """Whatever software does and however long it waits, the engine keeps to its declaration."""

    DEVICE = ChecksumEngine
    BY_DEVICE = frozenset(
        {"STATUS.BUSY", "STATUS.DONE", "STATUS.REFUSED", "RESULT.VALUE", "CURSOR.OFFSET"}
    )


TestEngine = EngineRules.TestCase
TestEngine.settings = settings(SAME, max_examples=50, stateful_step_count=30)
