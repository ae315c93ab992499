"""A driver that moves the harbour's tide log from the sample buffer with the DMA controller.

What it takes care of:

* COUNT is items: a transfer goes in legs of 4, 2 or 1 bytes an item, each of 65535 at most;
* what was moved is read from LEFT or from the descriptors once BUSY is down, and not before;
* an abort waits until the engine has let go, which is after the burst under way;
* the engine may look at a descriptor at any time, so OWN is set last, and the doorbell rung then;
* ERROR interrupts too, and ends a transfer like DONE, with fewer bytes;
* every channel is silenced by open, since somebody else may have left one at work.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from emu import Cpu, Window

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT, FAULT, NEXT, DOORBELL = range(0, 40, 4)
CHANNELS = range(0, 0x100, 0x40)
START, ABORT, DONE_IRQ, ERROR_IRQ = 0x01, 0x02, 0x20, 0x40
STEP_BOTH = 0x0C
BUSY, DONE, ERROR, FLAGS = 0x01, 0x04, 0x08, 0xF3E
RING, OWN, DESCRIPTOR_BYTES = 0x01, 0x8000_0000, 16
MOST_ITEMS = 65535
LONGEST_BURST_BEATS = 20

Leg = tuple[int, int, int, int]  # source, destination, items, bytes of an item


def legs_of(source: int, destination: int, size: int) -> Iterator[Leg]:
    """Yield the legs of a transfer: as wide as its addresses allow, narrower at its end."""
    width_bytes = next(one for one in (4, 2, 1) if not (source | destination) % one)
    while size:
        items = min(size // width_bytes, MOST_ITEMS)
        if not items:
            width_bytes //= 2
            continue
        yield source, destination, items, width_bytes
        moved = items * width_bytes
        source, destination, size = source + moved, destination + moved, size - moved


def config_of(width_bytes: int) -> int:
    """Return CONFIG for items of 1, 2 or 4 bytes from one buffer to another."""
    return STEP_BOTH | width_bytes.bit_length() - 1


class LogMover:
    """Move bytes with one channel of the engine."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._log = io.beside["log"]
        self._legs: list[Leg] = []  # what `start` began and is not moved yet
        self._running = False
        self._moved = 0

    def open(self) -> None:
        """Silence all channels, from whatever state they are in."""
        self._running, self._moved = False, 0
        for channel in CHANNELS:
            self._stop(channel)
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """End what is under way and let go."""
        self.abort()
        self._stop()
        self._cpu.disconnect(self._io.irq, self._serve)

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move bytes, and return how many were moved."""
        until = self._until(timeout)
        self.start(source, destination, size)
        while True:
            with self._cpu.interrupts_masked():
                if not self._running or not self._wait(until):
                    break
        return self.abort()

    def start(self, source: int, destination: int, size: int) -> bool:
        """Begin to move bytes."""
        if not self.done():
            return False
        self._moved, self._legs = 0, list(legs_of(source, destination, size))
        if self._legs:
            self._running = True
            self._start_leg()
        return True

    def done(self) -> bool:
        """Return whether nothing is under way; an interrupt that was lost is made up for."""
        with self._cpu.interrupts_masked():
            if self._running:
                self._serve()
            return not self._running

    def abort(self) -> int:
        """End what is under way; return what was moved."""
        with self._cpu.interrupts_masked():
            if self._running:
                self._stop()
                self._count_leg()
                self._running = False
        return self._moved

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Move pieces by descriptors, the first while the others are being written."""
        until = self._until(timeout)
        legs = [leg for piece in pieces for leg in legs_of(*piece)]
        for slot in range(len(legs)):
            self._log.write32(slot * DESCRIPTOR_BYTES, 0)
        self._io.write32(CONTROL, DONE_IRQ | ERROR_IRQ)
        self._io.write32(NEXT, self._log.base)
        for slot, leg in enumerate(legs):
            self._describe(slot, leg, last=slot == len(legs) - 1)
        while True:
            with self._cpu.interrupts_masked():
                if not self._io.read32(STATUS) & BUSY or not self._wait(until):
                    break
        self._stop()
        return self._count_chain(legs)

    # the engine

    def _start_leg(self) -> None:
        source, destination, items, width_bytes = self._legs[0]
        self._io.write32(CONFIG, config_of(width_bytes))
        self._io.write32(SOURCE, source)
        self._io.write32(DESTINATION, destination)
        self._io.write32(COUNT, items)
        self._io.write32(CONTROL, START | DONE_IRQ | ERROR_IRQ)

    def _describe(self, slot: int, leg: Leg, *, last: bool) -> None:
        """Hand a descriptor to the engine, which may be on its way to it."""
        source, destination, items, width_bytes = leg
        at = slot * DESCRIPTOR_BYTES
        following = 0 if last else self._log.base + at + DESCRIPTOR_BYTES
        self._log.write32(at + 4, source)
        self._log.write32(at + 8, destination)
        self._log.write32(at + 12, following)
        self._log.write32(at, OWN | config_of(width_bytes) << 16 | items)
        self._io.write32(DOORBELL, RING)

    def _stop(self, channel: int = 0) -> None:
        """Have a channel stop, and wait until it has."""
        self._io.write32(channel + CONTROL, ABORT)
        until = self._cpu.time() + LONGEST_BURST_BEATS / self._io.clock_hz + 20e-6
        while self._io.read32(channel + STATUS) & BUSY:
            if self._cpu.time() > until:
                break
        self._io.write32(channel + STATUS, FLAGS)

    def _serve(self) -> None:
        """Go on with the next leg, or end."""
        status = self._io.read32(STATUS)
        self._io.write32(STATUS, status & FLAGS)
        if self._running and status & (DONE | ERROR):
            self._count_leg()
            if self._legs and not status & ERROR:
                self._start_leg()
            else:
                self._running = False

    def _count_leg(self) -> None:
        """Count what was moved of the leg that has ended."""
        _, _, items, width_bytes = self._legs.pop(0)
        left = min(self._io.read32(LEFT), items)
        self._moved += (items - left) * width_bytes

    def _count_chain(self, legs: list[Leg]) -> int:
        """Return how many bytes were moved up to the first that was not."""
        moved = 0
        for slot, (_, _, items, width_bytes) in enumerate(legs):
            word = self._log.read32(slot * DESCRIPTOR_BYTES)
            left = items if word & OWN else word & 0xFFFF  # OWN: it was never taken
            moved += (items - left) * width_bytes
            if left:
                break
        return moved

    # time

    def _until(self, timeout: float | None) -> float | None:
        return None if timeout is None else self._cpu.time() + timeout

    def _wait(self, until: float | None) -> bool:
        """Wait for an interrupt, with interrupts masked; False when the time is over."""
        left = None if until is None else until - self._cpu.time()
        if left is not None and left <= 0:
            return False
        self._cpu.wait_for_interrupt(left)
        return True
