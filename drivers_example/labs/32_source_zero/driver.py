"""Connect whoever rings in the harbour with whoever is to answer, by way of one controller."""

from __future__ import annotations

from collections.abc import Callable

from emu import Cpu, Window

PRIORITY, ENABLE, THRESHOLD, CLAIM = 0x0, 0x2000, 0x20_0000, 0x20_0004
SOURCES = range(1, 32)
EVERY = 0xFFFF_FFFE


class Switchboard:
    """Call the handler of whichever source is asserted."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._handlers: dict[int, Callable[[], None]] = {}

    def open(self) -> None:
        """Take the controller over, and complete what a predecessor has claimed."""
        self._handlers.clear()
        self._io.write32(ENABLE, EVERY)
        for source in SOURCES:
            self._io.write32(CLAIM, source)
        self._io.write32(ENABLE, 0)
        self._io.write32(THRESHOLD, 0)
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """Let nothing through any more, and forget the handlers after that."""
        self._io.write32(ENABLE, 0)
        self._cpu.disconnect(self._io.irq, self._serve)
        self._handlers.clear()

    def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
        """Call `handler` whenever a source is asserted."""
        self._handlers[source] = handler
        self._io.write32(PRIORITY + 4 * source, priority)
        self.unmask(source)

    def detach(self, source: int) -> None:
        """Let a source through no more, and forget its handler."""
        self.mask(source)
        self._io.write32(PRIORITY + 4 * source, 0)
        self._handlers.pop(source, None)

    def mask(self, source: int) -> None:
        """Do not call the handler of a source until `unmask`; it may call this itself."""
        with self._cpu.interrupts_masked():
            enabled = self._io.read32(ENABLE)
            self._io.write32(ENABLE, enabled & ~(1 << source))

    def unmask(self, source: int) -> None:
        """Call it again, at once if the source is asserted."""
        with self._cpu.interrupts_masked():
            enabled = self._io.read32(ENABLE)
            self._io.write32(ENABLE, enabled | 1 << source)

    def _serve(self) -> None:
        """Claim what matters most, call its handler and complete it; the next interrupts again."""
        source = self._io.read32(CLAIM)
        self._handlers[source]()
        self._complete(source)

    def _complete(self, source: int) -> None:
        """Complete a claim, which counts only while the source is enabled."""
        enabled = self._io.read32(ENABLE)
        self._io.write32(ENABLE, enabled | 1 << source % 32)
        self._io.write32(CLAIM, source)
        self._io.write32(ENABLE, enabled)
