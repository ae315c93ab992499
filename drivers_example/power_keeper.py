"""A driver of clocks and reset lines: blocks run as long as anybody needs them.

What it takes care of:

* all blocks share two registers, so these are read, changed and written with interrupts masked;
* the users of each block are counted in the same masked block that starts or stops it;
* a block answers once it has settled, so everybody waits for that, whoever has started it;
* the wait is bounded by time, and a block that does not answer is let go of again;
* the clock runs before the reset line is let go of;
* what others have left running stays as it is until somebody has enabled it.
"""

from __future__ import annotations

from emu import Cpu, Window

CLOCK, RELEASE, READY = 0x00, 0x04, 0x08
BLOCKS = 32


class PowerKeeper:
    """Let blocks run, and stop them."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._users = [0] * BLOCKS

    def open(self) -> None:
        """Begin with no block enabled."""
        self._users = [0] * BLOCKS

    def close(self) -> None:
        """Stop what is still enabled."""
        for block, users in enumerate(self._users):
            if users:
                self._stop(1 << block)
        self._users = [0] * BLOCKS

    def enable(self, block: int, timeout: float | None = None) -> bool:
        """Let a block run, and wait until it answers."""
        bit = _bit(block)
        with self._cpu.interrupts_masked():
            self._users[block] += 1
            if self._users[block] == 1:
                self._change(CLOCK, bit, bit)
                self._change(RELEASE, bit, bit)
        if self._answers(bit, timeout):
            return True
        self.disable(block)
        return False

    def disable(self, block: int) -> None:
        """Let go of a block; the last user stops it."""
        bit = _bit(block)
        with self._cpu.interrupts_masked():
            self._check_enabled(block)
            self._users[block] -= 1
            if not self._users[block]:
                self._stop(bit)

    def reset(self, block: int, timeout: float | None = None) -> bool:
        """Pull the reset line of a block and let go of it, and wait until it answers."""
        bit = _bit(block)
        with self._cpu.interrupts_masked():
            self._check_enabled(block)
            self._change(RELEASE, bit, 0)
            self._change(RELEASE, bit, bit)
        return self._answers(bit, timeout)

    def _answers(self, bit: int, timeout: float | None) -> bool:
        """Wait until a block answers, and look once more after the time is over."""
        started = self._cpu.time()
        over = False
        while not self._io.read32(READY) & bit:
            if over:
                return False
            over = timeout is not None and self._cpu.time() - started >= timeout
        return True

    def _stop(self, bit: int) -> None:
        with self._cpu.interrupts_masked():
            self._change(CLOCK, bit, 0)
            self._change(RELEASE, bit, 0)

    def _change(self, register: int, bit: int, value: int) -> None:
        """Change one bit of a register; called with interrupts masked."""
        self._io.write32(register, self._io.read32(register) & ~bit | value)

    def _check_enabled(self, block: int) -> None:
        if not self._users[block]:
            raise ValueError(f"block {block} is not enabled")


def _bit(block: int) -> int:
    """Return the bit of a block.

    Raises:
        ValueError: there is no such block.
    """
    if not 0 <= block < BLOCKS:
        raise ValueError(f"there is no block {block}, only 0 to {BLOCKS - 1}")
    return 1 << block
