"""Seal messages with the checksum engine, and sleep while it is at work."""

from __future__ import annotations

from emu import CheckSettings, Cpu, Window

(CONTROL, CONFIG, POLY, INIT, XOROUT, STATUS, DATA, RESULT, SOURCE, LENGTH, CURSOR,
 WORD) = range(0, 0x30, 4)  # fmt: skip
START, LOAD, ABORT, DONE_IRQ = 0x01, 0x02, 0x04, 0x10  # of CONTROL
BUSY, DONE, REFUSED = 0x01, 0x02, 0x04  # of STATUS
REFLECT_IN, REFLECT_OUT = 0x100, 0x200  # of CONFIG
BANK_BYTES = 1024


class DrowsySeal:
    """Work out checks with one engine, which interrupts when a block is done."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._done = False

    def open(self, check: CheckSettings) -> None:
        """Set the engine up for a check."""
        self._stop()
        reflect = (REFLECT_IN if check.refin else 0) | (REFLECT_OUT if check.refout else 0)
        self._io.write32(CONFIG, (check.width - 1) | reflect)
        self._io.write32(POLY, check.poly)
        self._io.write32(INIT, check.init)
        self._io.write32(XOROUT, check.xorout)
        self._io.write32(SOURCE, 0)
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """End what is under way and let go of the interrupt."""
        self._stop()
        self._cpu.disconnect(self._io.irq, self._serve)

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Return the check of a message, None if there was not enough time."""
        until = None if timeout is None else self._cpu.time() + timeout
        self._io.write32(CONTROL, LOAD)
        for at in range(0, len(data), BANK_BYTES):
            self._start(data[at : at + BANK_BYTES])
            if not self._finished(until):
                self._stop()
                return None
        return self._io.read32(RESULT)

    def _start(self, block: bytes) -> None:
        """Fill the bank and let the engine begin."""
        self._io.write32(CURSOR, 0)
        for at in range(0, len(block), 4):
            self._io.write32(WORD, int.from_bytes(block[at : at + 4], "little"))
        self._io.write32(LENGTH, len(block))
        self._io.write32(STATUS, DONE | REFUSED)
        self._done = False
        self._io.write32(CONTROL, START | DONE_IRQ)

    def _finished(self, until: float | None) -> bool:
        """Sleep until a block is done, False if the time is over first."""
        while not self._done:
            left = None if until is None else until - self._cpu.time()
            if left is not None and left <= 0:
                return not self._io.read32(STATUS) & BUSY
            self._cpu.wait_for_interrupt(left)
        return True

    def _stop(self) -> None:
        """End a block, silence the engine, and forget its DONE."""
        self._io.write32(CONTROL, ABORT)
        self._io.write32(STATUS, DONE | REFUSED)

    def _serve(self) -> None:
        """Tell whoever waits that the block is done."""
        if self._io.read32(STATUS) & DONE:
            self._io.write32(STATUS, DONE)
            self._done = True
