"""A driver that seals messages with the checksum engine, block by block, by interrupt.

What it takes care of:

* the register is loaded once a message, and not between its blocks;
* DONE of an earlier block is cleared before the next is started;
* RESULT is read when BUSY is down, and not before;
* a block that takes too long is aborted and its DONE cleared, so the next message begins clean;
* an interrupt that is lost costs time and no result, since BUSY is looked at before giving up.
"""

from __future__ import annotations

from emu import CheckSettings, Cpu, Window

(CONTROL, CONFIG, POLY, INIT, XOROUT, STATUS, DATA, RESULT, SOURCE, LENGTH, CURSOR,
 WORD) = range(0, 0x30, 4)  # fmt: skip
START, LOAD, ABORT, DONE_IRQ = 0x01, 0x02, 0x04, 0x10
BUSY, DONE, REFUSED = 0x01, 0x02, 0x04
REFLECT_IN, REFLECT_OUT = 0x100, 0x200
BANK = 1024


class MessageSeal:
    """Work out checks with one engine."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._done = False

    def open(self, check: CheckSettings) -> None:
        """Set the engine up, from whatever state it is in."""
        self._stop()
        reflect = (REFLECT_IN if check.refin else 0) | (REFLECT_OUT if check.refout else 0)
        self._io.write32(CONFIG, (check.width - 1) | reflect)
        self._io.write32(POLY, check.poly)
        self._io.write32(INIT, check.init)
        self._io.write32(XOROUT, check.xorout)
        self._io.write32(SOURCE, 0)
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """End what is under way and let go."""
        self._stop()
        self._cpu.disconnect(self._io.irq, self._serve)

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Return the check of `data`."""
        until = None if timeout is None else self._cpu.time() + timeout
        self._io.write32(CONTROL, LOAD)
        for start in range(0, len(data), BANK):
            self._start(data[start : start + BANK])
            if not self._wait(until):
                self._stop()
                return None
        return self._io.read32(RESULT)

    def _start(self, block: bytes) -> None:
        self._io.write32(CURSOR, 0)
        for at in range(0, len(block), 4):
            self._io.write32(WORD, int.from_bytes(block[at : at + 4], "little"))
        self._io.write32(LENGTH, len(block))
        self._io.write32(STATUS, DONE | REFUSED)
        self._done = False
        self._io.write32(CONTROL, START | DONE_IRQ)

    def _wait(self, until: float | None) -> bool:
        """Wait for the end of a block, False when the time is over first."""
        while True:
            with self._cpu.interrupts_masked():
                if self._done:
                    return True
                left = None if until is None else until - self._cpu.time()
                if left is not None and left <= 0:
                    return not self._io.read32(STATUS) & BUSY
                self._cpu.wait_for_interrupt(left)

    def _stop(self) -> None:
        self._io.write32(CONTROL, ABORT)
        self._io.write32(STATUS, DONE | REFUSED)

    def _serve(self) -> None:
        if self._io.read32(STATUS) & DONE:
            self._io.write32(STATUS, DONE)
            self._done = True
