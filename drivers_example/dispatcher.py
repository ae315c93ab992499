"""A driver that hands the interrupts of a platform-level controller to their handlers.

What it takes care of:

* a source is completed when its handler has run, not before, or a level that is up comes twice;
* a completion counts only while the source is enabled, so one that was masked meanwhile is enabled
  for that moment;
* what a predecessor claimed and never completed is completed by `open`, or it never comes again;
* main code and handler change the same enable word, so main code masks interrupts while it does.
"""

from __future__ import annotations

from collections.abc import Callable

from emu import Cpu, Window

PRIORITY, ENABLE, THRESHOLD, CLAIM = 0x0, 0x2000, 0x20_0000, 0x20_0004
SOURCES = range(1, 32)
EVERY = 0xFFFF_FFFE
MOST = 64  # claims of one interrupt


class Dispatcher:
    """Hand interrupts to their handlers."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._handlers: dict[int, Callable[[], None]] = {}
        self._enabled = 0

    def open(self) -> None:
        """Take the controller over."""
        self._handlers.clear()
        self._enabled = 0
        self._io.write32(ENABLE, EVERY)
        for source in SOURCES:
            self._io.write32(PRIORITY + 4 * source, 0)
            self._io.write32(CLAIM, source)
        self._io.write32(ENABLE, 0)
        self._io.write32(THRESHOLD, 0)
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """Let nothing through any more."""
        self._io.write32(ENABLE, 0)
        self._cpu.disconnect(self._io.irq, self._serve)
        self._handlers.clear()
        self._enabled = 0

    def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
        """Call `handler` whenever a source is asserted."""
        self._handlers[source] = handler
        self._io.write32(PRIORITY + 4 * source, priority)
        self.unmask(source)

    def detach(self, source: int) -> None:
        """Let a source through no more."""
        self.mask(source)
        self._io.write32(PRIORITY + 4 * source, 0)
        self._handlers.pop(source, None)

    def mask(self, source: int) -> None:
        """Do not call the handler of a source."""
        self._let_through(source, on=False)

    def unmask(self, source: int) -> None:
        """Call it again."""
        self._let_through(source, on=True)

    def _let_through(self, source: int, *, on: bool) -> None:
        with self._cpu.interrupts_masked():
            bit = 1 << source
            self._enabled = self._enabled | bit if on else self._enabled & ~bit
            self._io.write32(ENABLE, self._enabled)

    def _serve(self) -> None:
        for _ in range(MOST):
            source = self._io.read32(CLAIM)
            if source not in SOURCES:  # none, or a controller that is gone
                return
            handler = self._handlers.get(source)
            if handler is not None:
                handler()
            self._complete(source)

    def _complete(self, source: int) -> None:
        bit = 1 << source
        if not self._enabled & bit:
            self._io.write32(ENABLE, self._enabled | bit)
        self._io.write32(CLAIM, source)
        if not self._enabled & bit:
            self._io.write32(ENABLE, self._enabled)
