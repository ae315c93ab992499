"""Which line of a copy driver a broken promise leads to."""

from __future__ import annotations

from collections.abc import Sequence

from drivers_example.log_mover import (
    ABORT,
    BUSY,
    CONFIG,
    CONTROL,
    COUNT,
    DESTINATION,
    DONE,
    DOORBELL,
    ERROR,
    FLAGS,
    NEXT,
    OWN,
    RING,
    SOURCE,
    START,
    STATUS,
    STEP_BOTH,
    LogMover,
)
from tests.copy_bench import BYTES, accused, broken, line_of, piece, run


class Hasty(LogMover):
    """Does not wait for the engine when it aborts."""

    def _stop(self, channel: int = 0) -> None:
        self._io.write32(channel + CONTROL, ABORT)  # and away
        self._io.write32(channel + STATUS, FLAGS)


def test_an_abort_is_to_be_awaited() -> None:
    """The engine owns a buffer until its burst is over; the ABORT is named."""
    outcome = run(Hasty, {"start": piece(400)}, "abort")
    assert "release" in broken(outcome)
    assert accused(outcome)["abort-not-awaited"] == line_of(Hasty._stop, "# and away")


class Optimist(LogMover):
    """Takes the look for the end."""

    def done(self) -> bool:
        """Say yes."""
        self._io.read32(STATUS)  # a look
        return True


def test_done_is_said_when_it_is() -> None:
    """The engine owns nothing once done has said yes."""
    outcome = run(Optimist, {"start": piece(400)}, "done")
    assert "release" in broken(outcome)
    assert accused(outcome)["end-mistaken"] == line_of(Optimist.done, "# a look")


def test_a_start_meanwhile_is_refused() -> None:
    """Whoever lets another transfer begin while one is under way breaks a promise."""
    steps = ({"start": piece(400)}, {"start": piece(8, 0x1800, 0x1900)}, "done")
    assert run(LogMover, *steps).clean
    assert "start" in broken(run(Optimist, *steps))


class Stuck(LogMover):
    """Keeps its flag."""

    def abort(self) -> int:
        """Stop, and leave it to the handler to put the flag back."""
        moved = super().abort()
        self._running, self._legs = True, [(0, 0, 0, 1)]
        return moved

    def close(self) -> None:
        """Let go."""
        super().close()


def test_a_start_afterwards_is_not_refused() -> None:
    """A start refused with nothing under way leads to the call that ended the last one."""
    outcome = run(Stuck, {"start": piece(400)}, "abort", {"start": piece(8)})
    assert broken(outcome)[0] == "start"
    assert accused(outcome)["flag-out-of-step"] == line_of(Stuck.abort, "def abort")


class Deaf(LogMover):
    """Lets errors pass in silence."""

    def _start_leg(self) -> None:
        super()._start_leg()
        self._io.write32(CONTROL, 0x20)

    def _serve(self) -> None:
        if not self._io.read32(STATUS) & ERROR:
            super()._serve()


def test_an_end_is_noticed_soon() -> None:
    """A copy that returns long after the engine has met an error breaks a promise."""
    assert run(Deaf).clean
    assert broken(run(Deaf, {"copy": piece(40, BYTES - 24)})) == ["answer"]


class Early(LogMover):
    """Rings before OWN is set."""

    pause = 1000

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Move the first piece, a word long or more, and believe in it."""
        ((source, destination, size),) = pieces
        for offset, word in ((0, 0), (4, source), (8, destination), (12, 0)):
            self._log.write32(offset, word)
        self._io.write32(NEXT, self._log.base)
        self._io.write32(DOORBELL, RING)  # rung
        self._cpu.work(self.pause)
        self._log.write32(0, OWN | STEP_BOTH << 16 | size)
        self._cpu.work(500 * size)
        return size


def test_a_descriptor_is_complete_before_the_bell() -> None:
    """A ring for a descriptor without OWN is named where nothing came of it."""
    outcome = run(Early, {"chain": [piece()]})
    assert broken(outcome) == ["count"]
    assert accused(outcome) == {"descriptor-unfinished": line_of(Early.chain, "# rung")}


class Generous(LogMover):
    """Writes bytes into a descriptor of words."""

    def _describe(self, slot: int, leg: tuple[int, int, int, int], *, last: bool) -> None:
        source, destination, items, _ = leg
        for offset, word in ((4, source), (8, destination), (12, 0)):
            self._log.write32(16 * slot + offset, word)
        self._log.write32(16 * slot, OWN | 0x0E << 16 | 4 * items)
        self._io.write32(DOORBELL, RING)  # rung for more


def test_a_descriptor_of_too_many_items_leads_to_the_bell() -> None:
    """The write to memory is not seen; the ring that handed it over is next to it."""
    outcome = run(Generous, {"chain": [piece()]})
    assert "bounds" in broken(outcome)
    assert accused(outcome) == {"items-miscounted": line_of(Generous._describe, "# rung for more")}


class Leaver(LogMover):
    """Returns when the time is over, and lets the engine go on."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Begin, and wait for as long as was allowed."""
        self.start(source, destination, size)
        self._cpu.sleep(timeout or 0.0)
        return 0 if self._running else self._moved


def test_a_time_out_does_not_end_a_transfer() -> None:
    """A call that leaves a buffer to the engine is named, where no look at STATUS explains it."""
    assert run(Leaver, {"copy": piece(40), "timeout": "5 ms"}).clean
    outcome = run(Leaver, {"copy": piece(400), "timeout": "30 us"})
    assert "release" in broken(outcome)
    assert accused(outcome) == {"end-mistaken": line_of(Leaver.copy, "def copy")}


class InTime(Early):
    """Sets OWN before the engine looks."""

    pause = 0


def test_nobody_is_accused_whose_bytes_are_right() -> None:
    """What might have gone wrong and did not is no finding."""
    assert run(InTime, {"chain": [piece()]}).clean


class Blind(LogMover):
    """Asks for DONE alone, without interrupts."""

    def open(self) -> None:
        """Silence the channels, and connect no handler."""
        super().open()
        self._cpu.disconnect(self._io.irq)

    def close(self) -> None:
        """Stop; there is no handler to let go of."""
        self.abort()
        self._stop()

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Wait for DONE until the time is over."""
        until = self._cpu.time() + (timeout or 1.0)
        self.start(source, destination, size)
        while not self._io.read32(STATUS) & DONE:  # looked for one bit
            self._cpu.work(1000)
            if self._cpu.time() > until:
                break
        return self.abort()


def test_a_poll_that_overlooks_an_error_leads_to_the_look() -> None:
    """A driver that polls is told where it saw ERROR and waited on."""
    assert run(Blind).clean
    outcome = run(Blind, {"copy": piece(40, BYTES - 24)})
    assert broken(outcome) == ["answer"]
    assert accused(outcome) == {"error-unheard": line_of(Blind.copy, "# looked for one bit")}


class Pushy(LogMover):
    """Programs a channel that is still at work."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move the halves without waiting in between."""
        self._io.write32(CONFIG, STEP_BOTH)
        half = size // 2
        for at in (0, half):
            self._io.write32(SOURCE, source + at)
            self._io.write32(DESTINATION, destination + at)
            self._io.write32(COUNT, half)
            self._io.write32(CONTROL, START)  # the last to be ignored
        while self._io.read32(STATUS) & BUSY:
            self._cpu.work(50)
        self._io.write32(STATUS, FLAGS)
        return size


def test_a_channel_at_work_takes_no_notice() -> None:
    """What was written to a channel at work is named where bytes are missing for it."""
    outcome = run(Pushy)
    assert broken(outcome) == ["count"]
    assert accused(outcome) == {"channel-at-work": line_of(Pushy.copy, "# the last to be ignored")}
