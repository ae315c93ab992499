"""A checksum engine: a cyclic redundancy check of any width to 32 bits, done beside the processor.

The one idea: the engine takes time by its own clock, so there is a moment between start and done at
which a driver may look too early, start again or change what is being used. Bytes come through a
data register, one at a time, or from a bank of memory of its own, as many as LENGTH says. The
register map is our own; the parameters (width, polynomial, initial value, reflection, final
exclusive or) are those by which the trade describes such checks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import ClassVar

from emu.kernel.clock import PS_PER_S, Clock, Timer
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.units import parse_frequency

__all__ = ["BANK_BYTES", "ChecksumEngine", "checksum"]

BANK_BYTES = 1024
_START, _LOAD, _ABORT = 0x01, 0x02, 0x04
_DONE_IRQ = 0x10
_BUSY, _DONE, _REFUSED = 0x01, 0x02, 0x04
_REFLECT_IN, _REFLECT_OUT = 0x100, 0x200
_WORD = 0xFFFF_FFFF


def checksum(
    data: Iterable[int], *, width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int
) -> int:
    """Return the cyclic redundancy check of bytes, by the parameters that name one.

    Args:
        data: the bytes.
        width: bits of the result, 1 to 32.
        poly: the polynomial without its highest term, highest first.
        init: the register before the first byte.
        refin: whether the lowest bit of a byte goes first.
        refout: whether the register is turned round at the end.
        xorout: what the result is exclusive-ored with.
    """
    register = init
    for byte in data:
        register = _step(register, byte, width, poly, refin)
    return _finish(register, width, refout, xorout)


def _step(register: int, byte: int, width: int, poly: int, refin: bool) -> int:
    """Take one byte in; the register is kept at the top of as many bits as a byte needs."""
    size = max(width, 8)
    table = _table(width, poly)
    value = _reflected(byte, 8) if refin else byte
    at = (register << size - width >> size - 8 ^ value) & 0xFF
    return ((register << 8) ^ table[at]) & (1 << width) - 1


@cache
def _table(width: int, poly: int) -> tuple[int, ...]:
    """Return what each byte at the top of the register turns into."""
    size = max(width, 8)
    top, mask, term = 1 << size - 1, (1 << size) - 1, poly << size - width
    table = []
    for value in range(256):
        register = value << size - 8
        for _ in range(8):
            register = (register << 1 ^ (term if register & top else 0)) & mask
        table.append(register >> size - width)
    return tuple(table)


def _finish(register: int, width: int, refout: bool, xorout: int) -> int:
    return (_reflected(register, width) if refout else register) ^ xorout & (1 << width) - 1


def _reflected(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _word(name: str, offset: int, meaning: str, field: str, each: str, **more: object) -> Register:
    """Declare a register that is one number of 32 bits."""
    one = Field(field, 0, 32, each, **more)  # type: ignore[arg-type]
    return Register(name, offset, (one,), width=32, meaning=meaning)


class ChecksumEngine(Device):
    """Work out checks of bytes.

    LOAD puts INIT into the register, and START begins with LENGTH bytes of the bank, from SOURCE
    on. A byte takes ``cycles`` cycles of the clock; BUSY is up meanwhile, and DONE is set at the
    end. A byte written to DATA is taken like a block of one, and sets no DONE. What is written to
    CONFIG, POLY, INIT, XOROUT, SOURCE, LENGTH, DATA or WORD, or started, while BUSY is up is
    refused, and REFUSED is set; ABORT ends the block with the bytes that were taken. RESULT is what
    the register comes to now, whatever is still to come.

    Attributes:
        on_finished: called when all bytes of a block, or the one of DATA, have been taken.
    """

    KIND = "checksum_engine"
    MEANING = "cyclic redundancy checks of up to 32 bits"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("CONTROL", 0x00, (
            Field("START", 0, 1, "begins with LENGTH bytes of the bank", sw="w", singlepulse=True),
            Field("LOAD", 1, 1, "puts INIT into the register", sw="w", singlepulse=True),
            Field("ABORT", 2, 1, "ends a block under way", sw="w", singlepulse=True),
            Field("DONE_IRQ", 4, 1, "DONE interrupts"),
        ), width=32, meaning="control"),
        Register("CONFIG", 0x04, (
            Field("WIDTH", 0, 5, "bits of the result, less 1", reset=31, onwrite="wuser"),
            Field("REFLECT_IN", 8, 1, "the lowest bit of a byte goes first", reset=1,
                  onwrite="wuser"),
            Field("REFLECT_OUT", 9, 1, "the register is turned round at the end", reset=1,
                  onwrite="wuser"),
        ), width=32, meaning="what kind of check"),
        _word("POLY", 0x08, "polynomial", "TERMS", "without its highest term, highest first",
              reset=0x04C1_1DB7, onwrite="wuser"),
        _word("INIT", 0x0C, "initial value", "VALUE", "what LOAD puts into the register",
              reset=_WORD, onwrite="wuser"),
        _word("XOROUT", 0x10, "final value", "VALUE", "what RESULT is exclusive-ored with",
              reset=_WORD, onwrite="wuser"),
        Register("STATUS", 0x14, (
            Field("BUSY", 0, 1, "bytes are being taken", sw="r"),
            Field("DONE", 1, 1, "a block is finished", onwrite="woclr", hwset=True),
            Field("REFUSED", 2, 1, "something came while BUSY was up", onwrite="woclr",
                  hwset=True),
        ), width=32, meaning="state"),
        Register("DATA", 0x18, (Field("BYTE", 0, 8, "the next byte", sw="w", onwrite="wuser"),),
                 width=32, meaning="one byte"),
        _word("RESULT", 0x1C, "result", "VALUE", "as far as bytes were taken", sw="r",
              reset=None, onread="ruser"),
        _word("SOURCE", 0x20, "first byte of a block", "OFFSET", "in the bank", onwrite="wuser"),
        _word("LENGTH", 0x24, "length of a block", "BYTES", "0 finishes at once",
              onwrite="wuser"),
        _word("CURSOR", 0x28, "where WORD writes", "OFFSET", "in the bank; goes on by 4"),
        _word("WORD", 0x2C, "four bytes of the bank", "BYTES", "lowest byte first", sw="w",
              onwrite="wuser"),
    )  # fmt: skip
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 50_000_000, "input clock"),
        Parameter("cycles", int, 1, "cycles of the clock that a byte takes", None, ("integer",)),
    )
    NOTES: ClassVar[tuple[str, ...]] = (
        (
            "The bank holds 1024 bytes, and SOURCE, LENGTH and CURSOR go round at its end; a "
            "LENGTH beyond 1024 is 1024."
        ),
        "LOAD before the first byte of a message, and not again until the next.",
        "RESULT is read at any time, and means something only once BUSY is down.",
        "What is written while BUSY is up is refused; STATUS.REFUSED tells afterwards.",
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self._status, self._control = self.registers["STATUS"], self.registers["CONTROL"]
        self._bank = bytearray(BANK_BYTES)
        self._register = 0
        self._block = b""  # the block under way
        self._is_block = False
        self._began_ps = 0
        self._end = Timer(clock, self._finished)
        self._irq_level = 0
        self.on_finished: list[Callable[[], None]] = []

    def on_reset(self) -> None:
        """Forget a block under way; the bank keeps what it holds."""
        self._end.stop()
        self._register, self._block = 0, b""
        self._update()

    def on_halt(self) -> None:
        """Stand still in the middle of a block; it begins again from there."""
        if self.halted:
            self._take(self._taken())
            self._end.stop()
        elif self._block:
            self._begin(self._block, is_block=self._is_block)
        self._update()

    # working

    @property
    def _byte_ps(self) -> int:
        cycles: int = self.settings["cycles"]
        return cycles * PS_PER_S // self.clock_hz

    def _taken(self) -> int:
        """Return how many bytes of the block have been taken by now."""
        if not self._end.running:
            return 0
        return min((self.clock.now_ps - self._began_ps) // self._byte_ps, len(self._block))

    def _take(self, count: int) -> None:
        """Take bytes of the block into the register."""
        self._register = self._after(count)
        self._block = self._block[count:]

    def _after(self, count: int) -> int:
        config = self.registers["CONFIG"].value
        width, refin = (config & 31) + 1, bool(config & _REFLECT_IN)
        poly = self.registers["POLY"].value & (1 << width) - 1
        register = self._register & (1 << width) - 1
        for byte in self._block[:count]:
            register = _step(register, byte, width, poly, refin)
        return register

    def _begin(self, block: bytes, *, is_block: bool) -> None:
        self._block, self._is_block, self._began_ps = block, is_block, self.clock.now_ps
        if not self.halted:
            self._end.start(self.clock.now_ps + len(block) * self._byte_ps)
        self._update()

    def _finished(self) -> None:
        self._take(len(self._block))
        for told in self.on_finished:
            told()
        if self._is_block:
            self._status.hw_set(_DONE)
        self._update()

    def _update(self) -> None:
        """Show BUSY, and drive the interrupt line."""
        busy = self._end.running or bool(self._block)
        self._status.put("BUSY", int(busy))
        asks = self._control.value & _DONE_IRQ and self._status.value & _DONE
        level = int(bool(asks) and not self.halted)
        if level != self._irq_level:
            self._irq_level = level
            self.irq.set(level)

    def _free(self) -> bool:
        """Say whether nothing is being taken; note what is refused otherwise."""
        if self._status.value & _BUSY:
            self._status.hw_set(_REFUSED)
            return False
        return True

    # registers

    def after_write_CONTROL(self, _old: int, new: int) -> None:
        """Load, start, end."""
        if new & _ABORT and self._status.value & _BUSY:
            self._take(self._taken())
            self._block = b""
            self._end.stop()
        if new & _LOAD and self._free():
            self._register = self.registers["INIT"].value
        if new & _START and self._free():
            start, length = self.registers["SOURCE"].value, self.registers["LENGTH"].value
            at = [(start + one) % BANK_BYTES for one in range(min(length, BANK_BYTES))]
            self._begin(bytes(self._bank[one] for one in at), is_block=True)
        self._update()

    def after_write_STATUS(self, _old: int, _new: int) -> None:
        """Let the interrupt line fall with DONE."""
        self._update()

    def write_DATA(self, data: int) -> None:
        """Take one byte."""
        if self._free():
            self._begin(bytes((data & 0xFF,)), is_block=False)

    def write_WORD(self, data: int) -> None:
        """Put four bytes into the bank, and go on."""
        if self._free():
            cursor = self.registers["CURSOR"]
            for byte in (data & _WORD).to_bytes(4, "little"):
                self._bank[cursor.value % BANK_BYTES] = byte
                cursor.value = (cursor.value + 1) & _WORD

    def _store(self, name: str, data: int) -> None:
        if self._free():
            live = self.registers[name]
            live.value = data & live.declaration.mask_of(lambda one: one.writable)

    def write_CONFIG(self, data: int) -> None:
        """Choose the kind of check."""
        self._store("CONFIG", data)

    def write_POLY(self, data: int) -> None:
        """Choose the polynomial."""
        self._store("POLY", data)

    def write_INIT(self, data: int) -> None:
        """Choose the initial value."""
        self._store("INIT", data)

    def write_XOROUT(self, data: int) -> None:
        """Choose the final value."""
        self._store("XOROUT", data)

    def write_SOURCE(self, data: int) -> None:
        """Choose where a block begins."""
        self._store("SOURCE", data)

    def write_LENGTH(self, data: int) -> None:
        """Choose how long a block is."""
        self._store("LENGTH", data)

    def read_RESULT(self) -> int:
        """Return the result of the bytes that were taken by now."""
        config = self.registers["CONFIG"].value
        width = (config & 31) + 1
        xorout = self.registers["XOROUT"].value
        return _finish(self._after(self._taken()), width, bool(config & _REFLECT_OUT), xorout)

    peek_RESULT = read_RESULT
