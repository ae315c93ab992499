"""What a copy driver is accused of, and at which line: small wrong drivers in small scenarios."""

from __future__ import annotations

import inspect
from collections.abc import Sequence
from typing import Any

import pytest

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
from emu.errors import AccessError, InputError
from emu.scenario.from_python import scenario_of
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario
from emu.scenario.written import scenario_as_plain

BYTES = 0x2000
BOARD = {"name": "tide gauge", "devices": {
    "mover": {"kind": "dma", "at": 0x4000_3000, "irq": 7, "beside": ["log"], "clock": "200 kHz"},
    "log": {"kind": "ram", "at": 0x2000_0000, "size": BYTES},
}}  # fmt: skip


def piece(size: int = 40, source: int = 0x800, destination: int = 0x1000) -> dict[str, int]:
    """Return what is to be moved, as it stands in a file."""
    return {"from": source, "to": destination, "size": size}


def body(*steps: Any, **more: Any) -> dict[str, Any]:
    """Return a scenario, a copy of 40 bytes unless something else is asked for."""
    asked = list(steps) or [{"copy": piece()}]
    return {"scenario": "a copy", "board": BOARD, "do": asked, **more}


def run(driver: type, *steps: Any, **more: Any) -> Outcome:
    """Run a driver."""
    return run_scenario(scenario_of(body(*steps, **more)), driver)


def accused(outcome: Outcome) -> dict[str, int]:
    """Return rules and lines of what a run holds against a driver."""
    return {one.rule: one.line for one in outcome.findings}


def broken(outcome: Outcome) -> list[str]:
    """Return the promises that were broken."""
    return [one.promise for one in outcome.promises if not one.kept]


def line_of(function: Any, text: str) -> int:
    """Return the number of the line of a function that contains a text."""
    lines, first = inspect.getsourcelines(function)
    (found,) = [first + at for at, line in enumerate(lines) if text in line]
    return found


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


def test_without_memory_nothing_can_be_moved() -> None:
    """A board that gives the driver no memory is refused, and what to add is said."""
    devices = {"mover": {"kind": "dma", "at": 0x4000_3000, "irq": 7}}
    with pytest.raises(AccessError, match="beside"):
        run(LogMover, board={"name": "b", "devices": devices})


@pytest.mark.parametrize(
    "step", [{"copy": piece(40, 0x800, 0x810)}, {"chain": [piece(), piece(8, 0x1100, 0x1020)]}]
)
def test_buffers_that_overlap_are_refused(step: dict[str, Any]) -> None:
    """What no driver could move is a flaw of the file."""
    with pytest.raises(InputError, match="overlap"):
        scenario_of(body(step))


def test_a_chain_has_an_end() -> None:
    """More pieces than the driver has room for are a flaw of the file."""
    pieces = [piece(4, 0x800 + 8 * one, 0x1000 + 8 * one) for one in range(17)]
    assert run(LogMover, {"chain": pieces[:16]}).clean
    with pytest.raises(InputError, match="at most 16"):
        scenario_of(body({"chain": pieces}))


def test_what_is_written_reads_back() -> None:
    """Steps of a copy driver survive the way to a file and back."""
    scenario = scenario_of(
        body({"copy": piece()}, {"chain": [piece(), piece(8, 0x1100, 0x1200)], "timeout": "1 ms"})
    )
    assert scenario_of(scenario_as_plain(scenario)).steps[1].values == scenario.steps[1].values


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
