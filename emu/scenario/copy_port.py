"""An engine that copies with its driver: what memory holds, and what the engine owns, afterwards.

The one idea: the user of a driver knows which bytes were to go where, and the engine tells what it
owns; so every answer can be judged without knowing how the driver came to it. Where a promise is
broken, the access that decides it leads to the line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from emu.devices.copy_driver import DRIVERS_BYTES
from emu.devices.dma import Dma
from emu.errors import AccessError
from emu.kernel.clock import PS_PER_S
from emu.kernel.where import Place
from emu.scenario.copy_blame import Blame, CopyBlame, in_words
from emu.scenario.copy_memory import CopyMemory, Piece
from emu.scenario.copy_watch import CopyWatch
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort
from emu.scenario.guarded import MS_PS
from emu.scenario.model import Step
from emu.units import show_duration

__all__ = ["COPY_PROMISES", "CopyPort"]

COPY_PROMISES = {
    "data": "the bytes that were moved are those of the source, in order",
    "bounds": "nothing is changed but the destination and the driver's part of the memory",
    "count": "no byte is counted that was not moved, and all are if all were",
    "release": "the engine owns nothing once a call has ended a transfer, or said that it is done",
    "start": "a transfer begins if none is under way, and never while one is",
    "answer": "a transfer ends soon after the engine has, and early only after an error",
    **COMMON_PROMISES,
}
_IDLE_PS = 20 * MS_PS  # that an end may go unanswered
_FIRST_LOOK_PS, _LAST_LOOK_PS = MS_PS // 50, 10 * MS_PS  # between calls of done
_BURST_BEATS = 32
_LEG_BEATS, _LEG_ACCESSES = 4, 40
_LEG_BYTES = 65535


class CopyPort(DevicePort):
    """Call the driver of one engine."""

    PROMISES: ClassVar[Mapping[str, str]] = COPY_PROMISES

    def set_up(self) -> None:
        """Watch the engine and take over the memory."""
        assert isinstance(self.device, Dma)
        board = self._bench.board
        window = next(
            (
                one
                for one in board.window(self.device.name).beside.values()
                if len(board.device(one.name).memory or b"") > DRIVERS_BYTES
            ),
            None,
        )
        memory = board.device(window.name).memory if window is not None else None
        if window is None or memory is None:
            raise AccessError(
                "no memory to move bytes in", where=f"device {self.device.name}",
                allowed=f"a ram of more than {DRIVERS_BYTES} bytes, named by beside",
                fix="give it such a key: beside: [log]",
            )  # fmt: skip
        self._base, self._size = window.base, len(memory)
        self._memory = CopyMemory(memory, self._bench.scenario.seed)
        self._watch = CopyWatch(self.device, board, lambda: bool(getattr(self, "calling", "")))
        self._blame = CopyBlame(self._watch)
        self._told: list[object] = []
        self._under_way: Piece | None = None  # what `start` began, as far as the driver told
        self._ender = "open"  # the call that ended what was under way last
        self._ended: Piece | None = None  # what `start` began and `done` called done
        self.players |= {
            "copy": self._copy,
            "start": self._start,
            "done": self._done,
            "abort": self._abort,
            "chain": self._chain,
        }

    # steps

    def opened(self) -> None:
        """Begin anew: nothing is under way."""
        self._under_way = self._ended = None
        self._check_release("open")

    def _copy(self, step: Step) -> str:
        piece = _piece(step.values["copy"])
        return self._transfer(step, "copy", [piece], self._addresses(piece))

    def _chain(self, step: Step) -> str:
        pieces = [_piece(one) for one in step.values["chain"]]
        return self._transfer(step, "chain", pieces, ([self._addresses(one) for one in pieces],))

    def _transfer(
        self, step: Step, name: str, pieces: Sequence[Piece], given: tuple[Any, ...]
    ) -> str:
        """Have pieces moved by one call, and judge what came of it."""
        self._end_background()
        needs_ps, grace_ps = self._needs_ps(pieces), self._grace_ps(pieces)
        timeout_ps = self.timeout_ps(step, needs_ps)
        self._ask(pieces, alone=True)
        stalled_ps = self._clock.stalled_ps
        moved = self.call(name, *given, timeout_ps=timeout_ps, grace_ps=grace_ps)
        stalled_ps = self._clock.stalled_ps - stalled_ps
        if moved is NO_ANSWER:
            return "a bus error"
        moved = self._judge(name, pieces, moved)
        size = _size(pieces)
        if not self._watch.busy:
            self._check_idle(name, needs_ps + stalled_ps)
        if moved < size and self._reachable(pieces) and timeout_ps > _ample(needs_ps + stalled_ps):
            text = f"{name} moved {moved} of {size} bytes, which take {show_duration(needs_ps)}"
            text += f", within {show_duration(timeout_ps)}"
            self._blamed("answer", text, self._blame.of_data(pieces, self._base, moved, moved))
        return f"{moved} of {size} bytes"

    def _start(self, step: Step) -> str:
        piece, old = _piece(step.values["start"]), self._under_way
        if old is not None and piece.meets([old]):
            return "a buffer is still in use"
        if old is None:
            self._ask([piece], alone=True)
        else:
            self._memory.lay([piece], alone=False)
        answer = self.call("start", *self._addresses(piece), grace_ps=self._grace_ps([piece]))
        if answer is NO_ANSWER:
            return "a bus error"
        answer = self.truth("start", answer)
        self._told.append(answer)
        if not answer and old is None:
            text = "start returned False while nothing was under way"
            self.breach("start", text, "flag-out-of-step", self._method_place(self._ender))
        if answer and old is not None:
            if not self._is_over(old):
                text = "start returned True while another transfer was under way"
                self._blamed("start", text, self._blame.of_early_end())
            self._check_bounds("start", [old, piece])
        if answer:
            self._under_way, self._ended = piece, None
        return f"{piece.size} bytes" if answer else "refused"

    def _done(self, step: Step) -> str:
        """Ask until the driver says so, or the time is over."""
        piece = self._under_way
        needs_ps = self._needs_ps([piece] if piece is not None else [])
        timeout_ps = self.timeout_ps(step, needs_ps)
        start_ps, stalled_ps = self._clock.now_ps, self._clock.stalled_ps
        pause_ps = _FIRST_LOOK_PS
        while True:
            answer = self.call("done")
            if answer is NO_ANSWER:
                return "a bus error"
            answer = self.truth("done", answer)
            took_ps = self._clock.now_ps - start_ps - (self._clock.stalled_ps - stalled_ps)
            if answer or took_ps >= timeout_ps:
                break
            self._board.cpu.sleep(pause_ps / PS_PER_S)
            pause_ps = min(2 * pause_ps, _LAST_LOOK_PS)
        self._told.append(answer)
        if not answer:
            if took_ps > _ample(needs_ps):
                text = f"done returned False for {show_duration(took_ps)}"
                self._blamed("answer", text, self._blame.of_silence())
            return "not yet"
        self._check_done(piece)
        return "done"

    def _check_done(self, piece: Piece | None) -> None:
        """Judge what is called done."""
        self._check_release("done")
        if piece is not None and not self._is_over(piece):
            moved = self._memory.right([piece])[0]
            text = f"done returned True after {moved} of {piece.size} bytes, without an error"
            self._blamed("answer", text, self._blame.of_early_end())
        self._check_bounds("done", [piece] if piece is not None else [])
        if piece is not None:
            self._under_way, self._ended = None, piece

    def _abort(self, _step: Step) -> str:
        piece = self._under_way if self._under_way is not None else self._ended
        moved = self.call("abort", grace_ps=self._grace_ps([]))
        self._under_way = self._ended = None
        if moved is NO_ANSWER:
            return "a bus error"
        if piece is None:
            self._check_release("abort")
            return f"{self.whole('abort', moved)} bytes before"
        return f"{self._judge('abort', [piece], moved)} of {piece.size} bytes"

    def _end_background(self) -> None:
        """Abort what was begun, since copy and chain are called only when nothing is under way."""
        if self._under_way is not None:
            self._abort(Step("abort"))

    def _ask(self, pieces: Sequence[Piece], *, alone: bool) -> None:
        """Prepare the memory and the books for something new."""
        self._watch.fresh()
        self._memory.lay(pieces, alone=alone)

    # judgement

    def _judge(self, name: str, pieces: Sequence[Piece], value: object) -> int:
        """Compare a count with what was moved, and see what else the engine did."""
        moved, size = self.whole(name, value), _size(pieces)
        self._told.append(moved)
        self._check_release(name)
        right, touched = self._memory.right(pieces)
        blame = self._blame.of_data(pieces, self._base, moved, right)
        if moved > right:
            text = f"{name} returned {moved} of {size} bytes; {right} are right"
            promise = "data" if touched and moved <= size else "count"
            self._blamed(promise, text, blame)
        elif moved < right == size:
            text = f"{name} returned {moved}; all {size} bytes were moved"
            self._blamed("count", text, blame)
        self._check_bounds(name, pieces, blame)
        return moved

    def _check_bounds(
        self, name: str, pieces: Sequence[Piece], blame: tuple[str, Place] = ("", ("", 0))
    ) -> None:
        at = self._memory.strayed(pieces)
        if at is not None:
            text = f"{name} changed {self._base + at:#x}, which is in no destination"
            self._blamed("bounds", text, blame)

    def _check_release(self, name: str) -> None:
        """See that the engine owns nothing after a call that ends a transfer."""
        self._ender = name
        for channel, (source, destination) in self._watch.owned.items():
            text = (
                f"{name} returned while channel {channel} moved {source.start:#x} to "
                f"{source.stop - 1:#x} to {destination.start:#x}"
            )
            self._blamed("release", text, self._blame.of_release(self._method_place(name)))

    def _check_idle(self, name: str, needs_ps: int) -> None:
        """See that a call did not go on for long after the engine had finished."""
        idle_ps = self._clock.now_ps - self._watch.ended_ps
        if self._watch.begun and idle_ps > needs_ps + _IDLE_PS:
            text = f"{name} returned {show_duration(idle_ps)} after the engine had stopped"
            self._blamed("answer", text, self._blame.of_silence())

    def _blamed(self, promise: str, text: str, blame: Blame) -> None:
        """Note that a promise was broken, and what led to it."""
        self.breach(promise, text + in_words(blame), *blame)

    # facts

    def _is_over(self, piece: Piece) -> bool:
        """Whether nothing is left to be moved, as far as it can be."""
        return self._watch.failed or self._memory.right([piece])[0] == piece.size

    def _reachable(self, pieces: Sequence[Piece]) -> bool:
        """Whether all buffers lie in the memory."""
        return all(span.stop <= self._size for piece in pieces for span in piece.spans)

    def _addresses(self, piece: Piece) -> tuple[int, int, int]:
        return self._base + piece.source, self._base + piece.destination, piece.size

    def _needs_ps(self, pieces: Sequence[Piece]) -> int:
        """Return the time that transfers take, a byte a beat."""
        beats = _size(pieces) + _LEG_BEATS * _legs(pieces) + _BURST_BEATS
        return beats * PS_PER_S // self.device.clock_hz + self._grace_ps(pieces)

    def _grace_ps(self, pieces: Sequence[Piece]) -> int:
        """Return the time that a call may take before and after it waits."""
        accesses = _LEG_ACCESSES * _legs(pieces)
        return accesses * self._access_ps + _BURST_BEATS * PS_PER_S // self.device.clock_hz

    def _watch_silence(self, settling_ps: int) -> None:
        """See that the engine has let go before anything else can happen."""
        self._check_release("close")
        self._check_bounds("close", [self._under_way] if self._under_way is not None else [])
        self._under_way = self._ended = None
        super()._watch_silence(settling_ps)

    def results(self) -> list[object]:
        """Return what the driver said."""
        return list(self._told)

    def stirring(self) -> list[str]:
        """Say what goes on after ``close``."""
        return ["a channel is at work"] if self._watch.busy else []


def _piece(given: Mapping[str, int]) -> Piece:
    return Piece(given["from"], given["to"], given["size"])


def _size(pieces: Sequence[Piece]) -> int:
    return sum(one.size for one in pieces)


def _legs(pieces: Sequence[Piece]) -> int:
    """Return how many times an engine may have to be programmed, for heads, bodies and tails."""
    return sum(one.size // _LEG_BYTES + 5 for one in pieces)


def _ample(needs_ps: int) -> int:
    return 2 * needs_ps + MS_PS
