"""Play the steps of a scenario on its ports: the traffic that a driver is asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.line.far_end import FarEnd
from emu.scenario.contract import counter
from emu.scenario.model import NEVER_PS, Leftovers, Scenario, Step
from emu.scenario.outcome import StepNote
from emu.scenario.port import DrivenPort
from emu.units import LineSettings, show_duration

__all__ = ["StepPlayer"]

_MS = PS_PER_S // 1000
_GRACE_PS = 20 * _MS
_EMPTY_READS = 2  # in a row after which nothing more is expected
_MOST_READS = 2000  # of a collection; noise without end may bring characters without end
_FRUITLESS = 3  # calls in a row without progress after which a step gives up
_READ_BYTES = 256
_TRAFFIC = ("send", "receive", "exchange", "echo", "drain")
_WAIT_CHARACTERS = 16  # what a wait for traffic of unknown length is measured in
_PING = b"high water 4.07 m\r\n"


class StepPlayer:
    """Play steps.

    Args:
        scenario: what is asked for.
        ports: the driven ports by name.
        far_end: what hangs on the scenario's own port, None for another port.
        notes: where a line is added for each step.

    Attributes:
        before_open: called once, just before the first ``open``.
        after_open: called once, when the first ``open`` of the scenario's own port has returned.
        traffic_end: how much the driver had returned and the far end had heard before that check
            added messages of its own; None while it added none.
    """

    def __init__(
        self,
        scenario: Scenario,
        board: Board,
        ports: Mapping[str, DrivenPort],
        far_end: FarEnd | None,
        notes: list[StepNote],
    ) -> None:
        self._scenario = scenario
        self._board = board
        self._ports = ports
        self._far_end = far_end
        self._notes = notes
        self._players: dict[str, Callable[[DrivenPort, Step], str]] = {
            "open": self._open,
            "close": self._close,
            "send": self._send,
            "receive": self._receive,
            "exchange": self._exchange,
            "echo": self._echo,
            "drain": self._drain,
            "wait": self._wait,
            "work": self._work,
            "line": self._change_line,
            "reopen": self._reopen,
            "leftovers": self._leftovers,
        }
        for port in ports.values():
            port.line_is_quiet = self._line_is_quiet
        self.before_open: Callable[[], None] | None = None
        self.after_open: Callable[[], None] | None = None
        self.traffic_end: tuple[int, int] | None = None

    def play(self, step: Step) -> None:
        """Play one step and note how it went."""
        start_ps = self._board.clock.now_ps
        port = self._port(step)
        if step.action in _TRAFFIC and not port.is_open:
            self.play(Step("open", by=step.by, row=step.row))
            start_ps = self._board.clock.now_ps
        note = StepNote(step.action, start_ps, "did not finish", step.row)
        self._notes.append(note)
        note.text = self._players[step.action](port, step)

    def finish(self, *, faults_over: bool, reset: bool = False) -> None:
        """Read what is left, and once faults are over see that traffic flows again.

        Args:
            faults_over: whether there were faults, and none can act any more.
            reset: whether one of them took the device's settings away, by a reset or one by one,
                so that the port is opened again first.
        """
        port = self._ports[self._scenario.port]
        if not port.is_open:
            return
        self._collect(port)
        for other in self._ports.values():
            if other is not port and other.is_open:
                self._collect(other)
        far_end = self._far_end
        if not faults_over or far_end is None or far_end.disturbed:
            return
        if not port.contract.agrees:
            return
        port.contract.settle()
        if reset:
            self.play(Step("reopen"))
        note = StepNote("recovery", self._board.clock.now_ps, "did not finish")
        self._notes.append(note)
        self._check_recovery(port, far_end)
        note.text = f"{len(_PING)} bytes tried each way, now that the faults are over"

    def _port(self, step: Step) -> DrivenPort:
        return self._ports[step.by or self._scenario.port]

    def _timeout_ps(self, port: DrivenPort, step: Step, count: int) -> int:
        """Return the time-out of one call that moves `count` bytes, `NEVER_PS` for none."""
        if step.timeout_ps is not None:
            return step.timeout_ps
        return self._patience_ps(port, step, count)

    def _patience_ps(self, port: DrivenPort, step: Step, count: int) -> int:
        """Return how long a call that moved nothing is taken to have waited at least."""
        if step.timeout_ps not in (None, NEVER_PS):
            return step.timeout_ps
        if self._scenario.limits.call_ps is not None:
            return self._scenario.limits.call_ps
        return 2 * count * port.contract.character_ps + _GRACE_PS

    # steps

    def _open(self, port: DrivenPort, step: Step) -> str:
        before, self.before_open = self.before_open, None
        if before is not None:
            before()
        line = step.line or port.line or self._scenario.line
        if step.line is not None:
            self._far_end_follows(line)
        port.open(line)
        if port.name == self._scenario.port and self.after_open is not None:
            after, self.after_open = self.after_open, None
            after()
        return f"{port.name} at {line}"

    def _close(self, port: DrivenPort, step: Step) -> str:
        if not port.is_open and step.how != "again":
            return f"{port.name} was closed already"
        if port.is_open and step.how != "now":
            self._collect(port)
        again = "" if port.is_open else ", which was closed already"
        port.close()
        return port.name + again

    def _send(self, port: DrivenPort, step: Step) -> str:
        sent = self._write_all(port, step, step.data)
        return f"{sent} of {len(step.data)} bytes accepted"

    def _write_all(self, port: DrivenPort, step: Step, data: bytes) -> int:
        """Offer `data` until all is accepted or nothing moves any more."""
        sent = fruitless = 0
        while sent < len(data) and fruitless < _FRUITLESS:
            piece = data[sent : sent + (step.chunk or len(data))]
            until_ps = self._board.clock.now_ps + self._patience_ps(port, step, len(piece))
            count = port.write(piece, self._timeout_ps(port, step, len(piece)))
            sent += count
            fruitless = 0 if count else fruitless + 1
            if not count:
                self._sit_out(until_ps)
        return sent

    def _receive(self, port: DrivenPort, step: Step) -> str:
        wanted = step.count
        got = fruitless = 0
        while (wanted is None or got < wanted) and fruitless < _FRUITLESS:
            size = min(step.chunk or _READ_BYTES, _READ_BYTES if wanted is None else wanted - got)
            expected = _WAIT_CHARACTERS if wanted is None else size
            patience_ps = self._patience_ps(port, step, expected)
            data = self._read(port, size, self._timeout_ps(port, step, expected), patience_ps)
            got += len(data)
            more = data or not self._line_is_quiet()
            fruitless = 0 if more else fruitless + 1
        return f"{got} bytes" if wanted is None else f"{got} of {wanted} bytes"

    def _exchange(self, port: DrivenPort, step: Step) -> str:
        """Send and receive by turns, in small pieces, so that both directions are busy."""
        chunk = step.chunk or 32
        sent = got = fruitless = 0
        wanted = step.count or 0
        while (sent < len(step.data) or got < wanted) and fruitless < _FRUITLESS:
            moved = 0
            until_ps = self._board.clock.now_ps + port.contract.character_ps
            if sent < len(step.data):
                piece = step.data[sent : sent + chunk]
                moved = port.write(piece, self._timeout_ps(port, step, len(piece)))
                sent += moved
            if got < wanted:
                size = min(chunk, wanted - got)
                limit_ps = 0 if sent < len(step.data) else self._timeout_ps(port, step, size)
                data = port.read(size, limit_ps)
                got += len(data)
                moved += len(data)
            if not moved:
                self._sit_out(until_ps)
            fruitless = 0 if moved or not self._line_is_quiet() else fruitless + 1
        return f"{sent} of {len(step.data)} bytes accepted, {got} of {wanted} received"

    def _echo(self, port: DrivenPort, step: Step) -> str:
        wanted = step.count or 0
        got = back = fruitless = 0
        while got < wanted and fruitless < _FRUITLESS:
            size = min(step.chunk or 16, wanted - got)
            patience_ps = self._patience_ps(port, step, size)
            data = self._read(port, size, self._timeout_ps(port, step, size), patience_ps)
            got += len(data)
            back += self._write_all(port, step, data)
            fruitless = 0 if data or not self._line_is_quiet() else fruitless + 1
        return f"{got} of {wanted} bytes received, {back} given back"

    def _drain(self, port: DrivenPort, step: Step) -> str:
        pending = port.contract.pending_bytes + 80
        done = port.drain(self._timeout_ps(port, step, pending))
        return "the driver says: idle" if done else "the driver says: still busy"

    def _wait(self, _port: DrivenPort, step: Step) -> str:
        self._board.cpu.sleep(step.duration_ps / PS_PER_S)
        return f"away for {show_duration(step.duration_ps)}"

    def _work(self, _port: DrivenPort, step: Step) -> str:
        self._board.cpu.work(step.cycles)
        return f"{step.cycles} cycles"

    def _change_line(self, port: DrivenPort, step: Step) -> str:
        """Drain, close, let the far end follow, open with the new settings."""
        line = step.line or self._scenario.line
        if port.is_open:
            self._drain(port, step)
            self._close(port, step)
        self._far_end_follows(line)
        port.open(line)
        return str(line)

    def _reopen(self, port: DrivenPort, step: Step) -> str:
        line = step.line or port.line or self._scenario.line
        if port.is_open:
            self._close(port, step)
        self._far_end_follows(line)
        port.open(line)
        return f"{port.name} at {line}"

    def _far_end_follows(self, line: LineSettings) -> None:
        if self._far_end is not None and self._scenario.far_end.line is None:
            self._far_end.speak(line)

    def _leftovers(self, port: DrivenPort, step: Step) -> str:
        """Close the port if it is open, and let somebody else use the controller."""
        if port.is_open:
            self._close(port, step)
        left = step.leftovers or Leftovers()
        port.view.leave(left)
        registers = ", ".join(f"{name} {value:#04x}" for name, value in left.registers.items())
        return f"{registers or 'registers as they were'}, {len(left.received)} unread"

    # the end of the traffic

    def _line_is_quiet(self) -> bool:
        """Whether nothing more is on its way to any driver."""
        if self._far_end is not None:
            return self._far_end.quiet
        return not any(port.view.busy for port in self._ports.values())

    def _collect(self, port: DrivenPort) -> None:
        """Read until nothing more comes; a glance is enough where nothing can."""
        if port.is_open and port.contract.settled and self._line_is_quiet():
            port.read(_READ_BYTES, 0)
            return
        empty = 0
        reads = 0
        while port.is_open and empty < _EMPTY_READS and reads < _MOST_READS:
            reads += 1
            data = self._read(port, _READ_BYTES, 6 * port.contract.character_ps + _MS)
            empty = 0 if data else empty + 1

    def _read(
        self, port: DrivenPort, size: int, timeout_ps: int, patience_ps: int | None = None
    ) -> bytes:
        """Read, and let the rest of the time-out pass if nothing comes back before its end.

        A call without a time-out is taken to have waited for `patience_ps`.
        """
        until_ps = self._board.clock.now_ps + (timeout_ps if patience_ps is None else patience_ps)
        data = port.read(size, timeout_ps)
        if not data:
            self._sit_out(until_ps)
        return data

    def _sit_out(self, until_ps: int) -> None:
        """Let time pass, so that a driver that gives up at once cannot keep us here for ever."""
        left_ps = until_ps - self._board.clock.now_ps
        if left_ps > 0:
            self._board.cpu.sleep(left_ps / PS_PER_S)

    def _check_recovery(self, port: DrivenPort, far_end: FarEnd) -> None:
        """See that a message goes through each way now that nothing disturbs the line."""
        wire_ps = len(_PING) * (port.contract.character_ps + self._scenario.far_end.gap_ps)
        before = len(far_end.received)
        self.traffic_end = len(port.contract.received), before
        sent = self._write_all(port, Step("send"), _PING)
        port.drain(4 * wire_ps + _GRACE_PS)
        if sent < len(_PING) or len(far_end.received) < before + len(_PING):
            heard = len(far_end.received) - before
            port.contract.breach(
                "recovery",
                f"after the faults were over {sent} of {len(_PING)} bytes were accepted and "
                f"{heard} reached the far end",
            )
        self._collect(port)
        returned, lost = len(port.contract.received), _losses(port)
        far_end.say(_PING)
        port.read(len(_PING), 2 * wire_ps + _GRACE_PS)
        self._collect(port)
        returned, lost = len(port.contract.received) - returned, _losses(port) - lost
        if returned + lost < len(_PING):
            port.contract.breach(
                "recovery",
                f"after the faults were over the far end sent {len(_PING)} bytes and "
                f"{returned} were returned" + (f", {lost} lost on the way" if lost else ""),
            )


def _losses(port: DrivenPort) -> int:
    """Count characters that overran, and those with an error that the driver has counted."""
    flagged = (counter(port.errors, name) or 0 for name in ("parity", "framing", "breaks"))
    return port.contract.lost + sum(flagged)
