"""Seal messages with the checksum engine, and give up on those that take too long."""

from __future__ import annotations

from emu import CheckSettings, Cpu, Window

(CONTROL, CONFIG, POLY, INIT, XOROUT, STATUS, DATA, RESULT, SOURCE, LENGTH, CURSOR,
 WORD) = range(0, 0x30, 4)  # fmt: skip
START, LOAD, ABORT = 0x01, 0x02, 0x04  # of CONTROL
BUSY, DONE, REFUSED = 0x01, 0x02, 0x04  # of STATUS
REFLECT_IN, REFLECT_OUT = 0x100, 0x200  # of CONFIG
BANK_BYTES = 1024


class BrokenHeartedSeal:
    """Work out checks with one engine, block by block."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu

    def open(self, check: CheckSettings) -> None:
        """Set the engine up for a check, from whatever state it is in."""
        self._stop()
        reflect = (REFLECT_IN if check.refin else 0) | (REFLECT_OUT if check.refout else 0)
        self._io.write32(CONFIG, (check.width - 1) | reflect)
        self._io.write32(POLY, check.poly)
        self._io.write32(INIT, check.init)
        self._io.write32(XOROUT, check.xorout)
        self._io.write32(SOURCE, 0)

    def close(self) -> None:
        """End what is under way."""
        self._stop()

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Return the check of a message, None if there was not enough time."""
        until = self._until(timeout)
        self._io.write32(CONTROL, LOAD)
        for at in range(0, len(data), BANK_BYTES):
            self._start(data[at : at + BANK_BYTES])
            if not self._finished(until):
                return None
        return self._io.read32(RESULT)

    def _start(self, block: bytes) -> None:
        """Fill the bank and let the engine begin."""
        self._io.write32(CURSOR, 0)
        for at in range(0, len(block), 4):
            self._io.write32(WORD, int.from_bytes(block[at : at + 4], "little"))
        self._io.write32(LENGTH, len(block))
        self._io.write32(CONTROL, START)

    def _finished(self, until: float) -> bool:
        """Wait for the end of a block; the last look comes after the time is up."""
        while True:
            late = self._cpu.time() >= until
            if self._io.read32(STATUS) & DONE:
                self._io.write32(STATUS, DONE)
                return True
            if late:
                return False

    def _stop(self) -> None:
        """End a block, and forget its DONE."""
        self._io.write32(CONTROL, ABORT)
        self._io.write32(STATUS, DONE | REFUSED)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
