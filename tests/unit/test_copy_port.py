"""What a copy driver is held to: small wrong drivers, each of which breaks one promise."""

from __future__ import annotations

from typing import Any

import pytest

from drivers_example.log_mover import (
    BUSY,
    CONTROL,
    COUNT,
    ERROR,
    FLAGS,
    START,
    STATUS,
    STEP_BOTH,
    LogMover,
)
from tests.copy_bench import BYTES, accused, broken, line_of, piece, run


def test_what_was_moved_is_told() -> None:
    """A good driver moves all that can be moved, and says so."""
    outcome = run(
        LogMover, {"copy": piece()}, {"copy": piece(40, BYTES - 24)}, {"copy": piece(0)},
        {"chain": [piece(7, 0x801), piece(9, 0x900, 0x1103)]},
        {"start": piece()}, "done", "abort",
    )  # fmt: skip
    assert outcome.clean
    assert [one.text for one in outcome.steps[1:-1]] == [
        "40 of 40 bytes", "24 of 40 bytes", "0 of 0 bytes", "16 of 16 bytes",
        "40 bytes", "done", "40 of 40 bytes",
    ]  # fmt: skip


class OneShot(LogMover):
    """Programs the engine in a way of its own."""

    config = STEP_BOTH
    less = 0
    off = 0

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move bytes by one leg, and wait."""
        for register, value in enumerate((self.config, source, destination + self.off)):
            self._io.write32(4 + 4 * register, value)
        self._io.write32(COUNT, size - self.less)  # how many
        self._io.write32(CONTROL, START)
        while self._io.read32(STATUS) & BUSY:
            self._cpu.work(50)
        self._io.write32(STATUS, FLAGS)
        return size


def test_another_way_to_the_right_bytes_is_let_pass() -> None:
    """Whoever moves the right bytes is right, polled as well as by interrupt."""
    assert run(OneShot).clean


class TooMany(OneShot):
    """Takes bytes for words."""

    config = STEP_BOTH | 2


def test_bytes_behind_the_destination() -> None:
    """A byte changed behind the destination breaks bounds, and leads to COUNT."""
    outcome = run(TooMany)
    assert broken(outcome) == ["bounds"]
    assert accused(outcome) == {"items-miscounted": line_of(OneShot.copy, "# how many")}


class OneLess(OneShot):
    """Leaves out the last."""

    less = 1


def test_a_byte_that_was_not_moved_is_not_counted() -> None:
    """A count of more than was moved is found, and leads to COUNT."""
    outcome = run(OneLess)
    assert broken(outcome) == ["count"]
    assert accused(outcome) == {"items-miscounted": line_of(OneShot.copy, "# how many")}


class OneOff(OneShot):
    """Writes one byte further on."""

    off = 1


def test_bytes_in_the_wrong_place() -> None:
    """Bytes at another place than they were to go to break bounds, and are not counted."""
    assert broken(run(OneOff)) == ["bounds", "count"]


class Swapped(OneShot):
    """Moves the second half first."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Exchange the halves of the destination."""
        half = size // 2
        return super().copy(source, destination + half, half) + super().copy(
            source + half, destination, half
        )


def test_bytes_of_the_wrong_source() -> None:
    """A destination that was written with other bytes than the source's breaks data."""
    assert broken(run(Swapped)) == ["data"]


class Modest(LogMover):
    """Says less than it did."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Count one byte less."""
        return super().copy(source, destination, size, timeout) - 1


def test_a_whole_copy_is_not_reported_as_less() -> None:
    """All bytes were moved, so all are to be counted."""
    assert "count" in broken(run(Modest))


def test_a_part_may_be_reported_as_less() -> None:
    """After a bus error a driver need not know to the byte how far the engine came."""
    assert run(Modest, {"copy": piece(40, BYTES - 24)}).clean


class Lazy(LogMover):
    """Moves nothing."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Give up."""
        return 0


def test_giving_up_needs_a_reason() -> None:
    """To move less is an answer where an error came or time was short, and no other time."""
    assert broken(run(Lazy)) == ["answer"]
    assert run(Lazy, {"copy": piece(), "timeout": "20 us"}).clean
    assert run(Lazy, {"copy": piece(40, BYTES)}).clean


class Proud(LogMover):
    """Takes an error for the end of the leg."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Count all whatever STATUS says."""
        super().start(source, destination, size)
        self._io.write32(CONTROL, 0)
        while self._io.read32(STATUS) & (BUSY | ERROR) == BUSY:  # looked
            self._cpu.work(50)
        self.abort()
        return size


def test_an_error_is_not_reported_as_success() -> None:
    """The look at STATUS that showed ERROR is named where all was counted after it."""
    assert run(Proud).clean
    outcome = run(Proud, {"copy": piece(40, BYTES - 24)})
    assert broken(outcome) == ["count"]
    assert accused(outcome) == {"error-taken-for-success": line_of(Proud.copy, "# looked")}


class Intruder(LogMover):
    """Writes where it has nothing to do."""

    def done(self) -> bool:
        """Put a mark behind the driver's part of the memory."""
        self._log.write8(1024, (self._log.read8(1024) + 1) & 0xFF)
        return super().done()


def test_all_but_the_first_kilobyte_is_somebody_elses() -> None:
    """The driver itself must not write there either."""
    outcome = run(Intruder, {"start": piece()}, "done")
    assert "bounds" in broken(outcome)


class Scribbler(LogMover):
    """Writes in its own part."""

    def done(self) -> bool:
        """Put a mark at the end of the driver's part."""
        self._log.write8(1023, 1)
        return super().done()


def test_the_first_kilobyte_is_the_drivers() -> None:
    """What a driver does in its part of the memory is its own business."""
    assert run(Scribbler, {"start": piece()}, "done", {"copy": piece()}).clean


class Loud(LogMover):
    """Leaves the engine at work."""

    def close(self) -> None:
        """Disconnect, and no more."""
        self._cpu.disconnect(self._io.irq)


def test_close_ends_what_is_under_way() -> None:
    """The engine owns nothing after close."""
    outcome = run(Loud, {"start": piece(400)}, "close")
    assert broken(outcome)[0] == "release"


@pytest.mark.parametrize("value", [True, "40", -1], ids=repr)
def test_what_is_no_count_ends_the_run(value: object) -> None:
    """An answer that the protocol does not allow is a finding at the method."""

    class Odd(LogMover):
        def copy(
            self, source: int, destination: int, size: int, timeout: float | None = None
        ) -> Any:
            return value

    outcome = run(Odd)
    assert accused(outcome) == {"bad-return-value": line_of(Odd, "def copy")}


def test_a_fault_excuses_until_the_next_open() -> None:
    """What breaks while a fault acts is waived, and what breaks after a reopen is not."""
    fault = {"kind": "stuck-field", "target": "mover.LEFT0.ITEMS", "value": 3, "until": "2 ms"}
    steps = ({"copy": piece()}, {"wait": "3 ms"}, "reopen", {"copy": piece()})
    outcome = run(LogMover, *steps, faults=[fault])
    assert outcome.clean
    assert [one.promise for one in outcome.promises if one.waived] != []
    assert "count" in broken(run(Modest, *steps, faults=[fault]))
