"""One port with its driver: every call guarded, timed, noted for the contract and the rules.

The runner asks for traffic in terms of this class; nothing else calls a driver. A call that raises,
that is still going when its time is long over, or that returns what the protocol does not allow
ends the run by `RunOver`, after a finding at the driver's own line was noted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from emu.devices.serial_driver import LineErrors, SerialDriver
from emu.devices.uart16550 import Uart16550
from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.kernel.bus import BusError, Window
from emu.kernel.clock import NEVER_PS, PS_PER_S
from emu.kernel.cpu import Cpu
from emu.kernel.where import Place
from emu.line.far_end import FarEnd
from emu.rules.attach import PortRules
from emu.rules.finding import Findings
from emu.scenario.contract import SerialContract, counter
from emu.scenario.driver_source import place_of_class, place_of_error, rule_of_error, text_of
from emu.scenario.silence import why_asking, why_silent
from emu.units import LineSettings, show_duration

__all__ = ["DrivenPort", "RunOver"]

_MS = PS_PER_S // 1000
_CLOSE_GRACE_PS = 500 * _MS
_OPEN_BOUND_PS = 500 * _MS
_OVERHEAD_ACCESSES = 400  # what a call may do besides waiting, however fast the line
_TRIES = 20  # of open and close while a fault makes them raise bus errors
_BETWEEN_TRIES_S = 0.01
_MOST_SURPLUS_BYTES = 4096


class RunOver(Exception):
    """End the run after a finding about the driver was noted."""


class DrivenPort:
    """Call the driver of one port.

    Args:
        board: the board, powered on.
        name: the serial device.
        driver_class: constructed here, with the port's window and the processor.
        far_end: what hangs at the far end, None for another controller.
        findings: where findings go.
        rules: the rules of this port.
        excused: tells whether a bus error may come out of a call, because a fault made it.
        given: what the driver is given, its window and the processor of `board` when None.

    Attributes:
        contract: the books of this port.
        is_open: whether ``open`` returned and ``close`` was not called since.
        failed: whether a call has ended in a bus error since, so that the port has to be reopened.
        calling: the driver's call that is under way, ``""`` for none.
        entered: whether another task has called in the middle of it.
        line_is_quiet: tells whether nothing more is on its way to the driver.
    """

    def __init__(
        self,
        board: Board,
        name: str,
        driver_class: type,
        far_end: FarEnd | None,
        *,
        findings: Findings,
        rules: PortRules,
        excused: Callable[[], bool],
        given: tuple[Window, Cpu] | None = None,
    ) -> None:
        device = board.device(name)
        assert isinstance(device, Uart16550)
        self.name = name
        self.uart = device
        self.far_end = far_end
        self.contract = SerialContract(device, far_end)
        self.contract.errors = lambda: self.errors
        self.is_open = self.failed = self.entered = self._shut = False
        self.calling = ""
        self.line_is_quiet: Callable[[], bool] = lambda: True
        self.line: LineSettings | None = None
        self._board = board
        self._findings = findings
        self._rules = rules
        self._excused = excused
        self._who = board.journal.source("call", name)
        region = next(one for one in board.bus.regions if one.device is device)
        self._access_ps = board.bus.access_ps + region.wait_ps
        self._place = place_of_class(driver_class)
        io, cpu = given or (board.window(name), board.cpu)
        self._driver: SerialDriver = self._guarded(
            "__init__", lambda: driver_class(io, cpu), _OPEN_BOUND_PS
        )
        self._rules.counters(lambda: self.errors)
        self._rules.books(
            owed=lambda: self.contract.pending_bytes,
            calm=lambda: self.contract.calm(),  # noqa: PLW0108 - the runner still changes it
            idle_ps=lambda: self.contract.last_end_ps,
        )
        if far_end is not None:
            self._rules.far_end(far_end, self.contract, calm=lambda: self.contract.calm())  # noqa: PLW0108 - as above
        self._rules.method = self._method_place

    @property
    def errors(self) -> object:
        """The driver's counters as they are now, None without any."""
        try:
            return getattr(self._driver, "errors", None)
        except Exception:  # noqa: BLE001 - it is the driver's code and may do anything
            return None

    def open(self, line: LineSettings) -> None:
        """Open the port with `line`; checks what ``open`` left behind."""
        self.line = line
        self.contract.excuses.call_begins()
        self.contract.opens(line)
        self._insisted(
            "open", lambda: self._driver.open(line), _OPEN_BOUND_PS + 200 * line.character_ps
        )
        self._check_counters()
        self.is_open, self.failed = True, False
        self.contract.opened()
        self._rules.line_opened(line)

    def close(self) -> None:
        """Close the port, let things settle and check that it is silent.

        In the middle of another call what it sent is not known before that has returned.
        """
        between = bool(self.calling)
        wire_ps = self.contract.character_ps * (self.contract.pending_bytes + 80)
        bound_ps = 2 * wire_ps + _CLOSE_GRACE_PS
        self.contract.excuses.call_begins()
        self.contract.closes()
        start_ps = self._used_ps()
        tries = self._insisted("close", self._driver.close, bound_ps + 100 * _MS)
        if tries == 1:
            self._check_time("close", self._used_ps() - start_ps, bound_ps)
        self.is_open = False
        self.contract.released()
        self._watch_silence()
        if between:
            self._shut = True
        else:
            self.contract.closed()

    def write(self, data: bytes, timeout_ps: int) -> int:
        """Offer `data` and return how many bytes were accepted; `NEVER_PS` gives no time-out."""
        count = self._offer(data, timeout_ps)
        self.contract.wrote(data[:count])
        self._come_back()
        return count

    def write_between(self, data: bytes, timeout_ps: int) -> None:
        """Offer `data`, of characters that nobody else sends, in the middle of another call."""
        self.contract.writes_between(data)
        self.contract.wrote_between(data[: self._offer(data, timeout_ps)])

    def _offer(self, data: bytes, timeout_ps: int) -> int:
        """Call ``write`` and return how many bytes it accepted."""
        limit_s = _seconds(timeout_ps)
        try:
            count = self._timed(
                "write", lambda: self._driver.write(data, limit_s), timeout_ps, len(data)
            )
        except BusError:
            self.contract.write_failed()
            return 0
        if isinstance(count, bool) or not isinstance(count, int) or not 0 <= count <= len(data):
            self._bad_value("write", count, f"an int from 0 to {len(data)}")
        return int(count)

    def read(self, size: int, timeout_ps: int) -> bytes:
        """Ask for `size` bytes and return what came; `NEVER_PS` gives no time-out."""
        data = self._fetch(size, timeout_ps)
        self._come_back()
        return data

    def _fetch(self, size: int, timeout_ps: int) -> bytes:
        """Call ``read`` and judge what it returned."""
        self.contract.reads()
        start_ps, stalled_ps = self._board.clock.now_ps, self._board.clock.stalled_ps
        limit_s = _seconds(timeout_ps)
        try:
            data = self._timed("read", lambda: self._driver.read(size, limit_s), timeout_ps, size)
        except BusError:
            self.contract.read_failed()
            return b""
        if not isinstance(data, bytes | bytearray):
            self._bad_value("read", data, f"bytes, at most {size}")
        if len(data) > size:
            self._bad_value("read", data, f"at most the {size} bytes asked for, not {len(data)}")
        self.contract.read(bytes(data))
        if len(data) == size and timeout_ps != NEVER_PS and not self.entered:
            self.contract.waited(start_ps=start_ps, timeout_ps=timeout_ps, stalled_ps=stalled_ps)
        if self.contract.surplus > _MOST_SURPLUS_BYTES:
            raise RunOver("read goes on returning bytes that never arrived")
        return bytes(data)

    def drain(self, timeout_ps: int) -> bool:
        """Wait for the line to fall idle and return what the driver says; see `write`."""
        answer = self._drain(timeout_ps)
        self._come_back()
        return answer

    def _drain(self, timeout_ps: int) -> bool:
        """Call ``drain`` and judge its answer, if nobody wrote or closed meanwhile."""
        stalled_ps = self._board.clock.stalled_ps
        limit_s = _seconds(timeout_ps)
        try:
            answer = self._timed("drain", lambda: self._driver.drain(limit_s), timeout_ps, 0)
        except BusError:
            return False
        if not isinstance(answer, bool):
            self._bad_value("drain", answer, "True or False")
        if self.entered:
            return bool(answer)
        stalled_ps = self._board.clock.stalled_ps - stalled_ps
        self.contract.drained(answer=answer, stalled_ps=stalled_ps)
        if not answer and timeout_ps == NEVER_PS and self.contract.calm():
            self.contract.breach("drain", "drain without a time-out gave up and returned False")
        return bool(answer)

    # another task

    @contextmanager
    def entering(self) -> Iterator[None]:
        """Let another task call in the middle of the call under way, which keeps its bounds."""
        cpu, calling = self._board.cpu, self.calling
        guard = cpu.overdue_ps, cpu.overdue
        self.entered = True
        try:
            yield
        finally:
            self.calling = calling
            cpu.guard(*guard)

    def _come_back(self) -> None:
        """See that a port that another task closed in the middle of a call stays so; reopen it."""
        if self._shut and self.line is not None:
            self._shut = False
            self._watch_silence()
            self.contract.closed()
            self.open(self.line)

    # guarding

    def _used_ps(self) -> int:
        """Simulated time in which nothing from outside took the processor away."""
        clock = self._board.clock
        return clock.now_ps - clock.stalled_ps - self._board.cpu.storms.taken_ps

    def _timed(self, name: str, call: Callable[[], Any], timeout_ps: int, size: int) -> Any:  # noqa: ANN401 - a driver may return anything
        self.contract.excuses.call_begins()
        if timeout_ps == NEVER_PS:
            return self._patient(name, call, size)
        character_ps = self.contract.character_ps
        start_ps = self._used_ps()
        bound_ps = 2 * timeout_ps + 20 * character_ps + 100 * _MS
        value = self._guarded(name, call, bound_ps, size=size)
        grace_ps = max(2 * character_ps, _OVERHEAD_ACCESSES * self._access_ps)
        self._check_time(name, self._used_ps() - start_ps, timeout_ps + grace_ps)
        return value

    def _patient(self, name: str, call: Callable[[], Any], size: int) -> Any:  # noqa: ANN401 - a driver may return anything
        """Call without a time-out, for as long as something moves or may still come.

        A driver that waits on for what never came, or while a fault is at work, is within its
        rights: the run ends without a finding.
        """
        contract = self.contract

        def entitled() -> bool:
            return not contract.calm() or (name == "read" and not contract.holds(size, self.errors))

        bound_ps = 2 * contract.character_ps * (size + contract.pending_bytes + 80)
        return self._guarded(name, call, bound_ps + _CLOSE_GRACE_PS, entitled, size)

    def _insisted(self, name: str, call: Callable[[], Any], bound_ps: int) -> int:
        """Call until no bus error comes out any more that a fault made; return how often."""
        for tries in range(1, _TRIES + 1):
            try:
                self._guarded(name, call, bound_ps)
            except BusError:
                self._board.cpu.sleep(_BETWEEN_TRIES_S)
            else:
                return tries
        raise RunOver(f"{name} met a bus error each time")

    def _check_counters(self) -> None:
        """End the run if the driver keeps no counters."""
        missing = [name for name in LineErrors.__slots__ if counter(self.errors, name) is None]
        if missing:
            text = f"self.errors has no count of {', '.join(missing)} after open"
            self._findings.report("driver-incomplete", text, place=self._place)
            raise RunOver(text)

    def _check_time(self, name: str, used_ps: int, bound_ps: int) -> None:
        if used_ps > bound_ps:
            self.contract.breach(
                "time",
                f"{name} took {show_duration(used_ps)}, at most {show_duration(bound_ps)} "
                "was allowed",
            )

    def _guarded(
        self,
        name: str,
        call: Callable[[], Any],
        bound_ps: int,
        entitled: Callable[[], bool] | None = None,
        size: int = 0,
    ) -> Any:  # noqa: ANN401 - a driver may return anything
        """Call the driver, end the run if it fails or does not come back.

        Args:
            name: the call.
            call: makes it.
            bound_ps: how long it may take; without a time-out, how long nothing may happen.
            entitled: given when the call has no time-out; whether it may wait for ever.
            size: how many bytes it is to move.
        """
        board, outer = self._board, self.calling
        start_ps = board.clock.now_ps
        self.calling = name
        self.entered = self.entered and bool(outer)
        board.journal.settle()
        board.journal.append((start_ps, self._who, name, 1))
        self._guard(name, start_ps, bound_ps, patient=entitled is not None)
        self._rules.call_begins(name, size)
        value: Any = None
        try:
            value = call()
        except RunEnded as ended:
            self._note_ended(name, ended, entitled)
            raise RunOver(ended.message) from None
        except BusError as error:
            if not self._excused():
                self._note_raised(name, error)
                raise RunOver(f"{name} raised BusError") from error
            self.failed = True
            raise
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            self._note_raised(name, error)
            raise RunOver(f"{name} raised {type(error).__name__}") from error
        finally:
            board.cpu.guard(0, None)
            board.journal.settle()
            board.journal.append((board.clock.now_ps, self._who, name, 0))
            self.calling = outer
            self._rules.call_ends(name, value, judged=bool(outer) or not self.entered)
        return value

    def _guard(self, name: str, start_ps: int, bound_ps: int, *, patient: bool) -> None:
        """End the run after `bound_ps`; or then look again, if there may still be an end.

        Time that storms took, or in which the processor stood still, does not count.
        """
        board, contract = self._board, self.contract
        before, end_ps = contract.progress, board.clock.now_ps + bound_ps - self._taken_ps

        def overdue() -> RunEnded | None:
            left_ps = end_ps + self._taken_ps - board.clock.now_ps
            if left_ps > 0:
                board.cpu.guard(board.clock.now_ps + left_ps, overdue)
                return None
            if patient and not (self.line_is_quiet() and contract.progress == before):
                self._guard(name, start_ps, bound_ps, patient=True)
                return None
            return _overdue(name, board.clock.now_ps - start_ps, board.cpu.last_read())

        board.cpu.guard(board.clock.now_ps + bound_ps, overdue)

    @property
    def _taken_ps(self) -> int:
        """How much time was taken from the driver so far."""
        return self._board.cpu.storms.taken_ps + self._board.clock.stalled_ps

    def _note_ended(self, name: str, ended: RunEnded, entitled: Callable[[], bool] | None) -> None:
        """Note how a call ended the run."""
        if ended.rule == "time-limit" or ended.cause:
            raise ended  # whoever set the limit judges it, and what made the rest is no driver
        waiting = ended.rule in ("call-overdue", "endless-poll", "asleep-for-ever")
        if waiting and entitled is not None and entitled():
            raise RunOver(f"{name} has no time-out and waits for what does not come")
        if ended.rule == "asleep-for-ever":
            ended.message += why_silent(self.uart, name)
        elif ended.rule == "interrupt-storm":
            ended.message += why_asking(self.uart)
        place = (ended.file, ended.line) if ended.file else self._place
        self._findings.report(ended.rule, ended.message, place=place)
        if waiting:
            self.contract.breach("time", ended.message)

    def _note_raised(self, name: str, error: BaseException) -> None:
        place = place_of_error(error, self._place[0])
        self._findings.report(
            rule_of_error(error),
            f"{name} raised {type(error).__name__}: {text_of(error)}",
            place=place if place[1] else self._place,
        )

    def _method_place(self, name: str) -> Place:
        """Return where the driver defines a call, the place of its class if that is not known."""
        code = getattr(getattr(type(self._driver), name, None), "__code__", None)
        return (code.co_filename, code.co_firstlineno) if code else self._place

    def _bad_value(self, name: str, value: object, allowed: str) -> None:
        place = self._method_place(name)
        self._findings.report(
            "bad-return-value",
            f"{name} returned {text_of(value, repr)} ({type(value).__name__}); allowed: {allowed}",
            place=place,
        )
        raise RunOver(f"{name} returned {text_of(value, repr)} ({type(value).__name__})")

    def _watch_silence(self) -> None:
        """Let a few character times pass after ``close`` and see that nothing stirs."""
        board, uart = self._board, self.uart
        board.journal.settle()
        before = board.bus.accesses()[self.name]
        board.cpu.sleep((4 * self.contract.character_ps + _MS) / PS_PER_S)
        board.journal.settle()
        stirring = []
        if uart.peek("IER"):
            stirring.append(f"IER is {uart.peek('IER'):#04x}")
        number = board.window(self.name).irq
        line = board.cpu.interrupts.lines.get(number)
        if line is not None and line.handlers and not line.shared:
            stirring.append(f"a handler is still connected to interrupt {number}")
        if uart.irq.level:
            stirring.append("its interrupt line is asserted")
        if not uart.sout.level and not uart.busy:
            stirring.append("the output is held at space")
        if board.bus.accesses()[self.name] != before:
            stirring.append("the driver touched the device afterwards")
        if stirring:
            self.contract.breach("quiet", "after close " + ", ".join(stirring))


def _seconds(timeout_ps: int) -> float | None:
    """Return a time-out as a driver is given it."""
    return None if timeout_ps == NEVER_PS else timeout_ps / PS_PER_S


def _overdue(name: str, after_ps: int, last_read: str) -> RunEnded:
    text = f"{name} was still running after {show_duration(after_ps)}"
    return RunEnded("call-overdue", f"{text}; it last read {last_read}" if last_read else text)
