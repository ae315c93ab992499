"""One serial port with its driver: every call noted for the contract and the rules.

The runner asks for traffic in terms of this class; nothing else calls a driver. How a call is
guarded is told in `emu.scenario.guarded`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from emu.devices.serial_driver import LineErrors, SerialDriver
from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.kernel.bus import BusError, Window
from emu.kernel.clock import NEVER_PS
from emu.kernel.cpu import Cpu
from emu.line.far_end import FarEnd
from emu.rules.finding import Findings
from emu.rules.serial_rules import SerialRules
from emu.scenario.contract import SerialContract, counter
from emu.scenario.guarded import MS_PS, OPEN_BOUND_PS, GuardedDriver, RunOver, seconds
from emu.scenario.serial_view import SerialView
from emu.units import LineSettings

__all__ = ["DrivenPort"]

_CLOSE_GRACE_PS = 500 * MS_PS
_OVERHEAD_ACCESSES = 400  # what a call may do besides waiting, however fast the line
_MOST_SURPLUS_BYTES = 4096


class DrivenPort(GuardedDriver):
    """Call the driver of one port.

    Args:
        board: the board, powered on.
        view: the serial controller.
        driver_class: constructed here, with the port's window and the processor.
        far_end: what hangs at the far end, None for another controller.
        findings: where findings go.
        rules: the rules of this port.
        excused: tells whether a bus error may come out of a call, because a fault made it.
        given: what the driver is given, its window and the processor of `board` when None.

    Attributes:
        contract: the books of this port.
        line_is_quiet: tells whether nothing more is on its way to the driver.
    """

    def __init__(
        self,
        board: Board,
        view: SerialView,
        driver_class: type,
        far_end: FarEnd | None,
        *,
        findings: Findings,
        rules: SerialRules,
        excused: Callable[[], bool],
        given: tuple[Window, Cpu] | None = None,
    ) -> None:
        self.view = view
        self.far_end = far_end
        self.contract = SerialContract(view, far_end)
        self.contract.errors = lambda: self.errors
        self._shut = False
        self.line_is_quiet: Callable[[], bool] = lambda: True
        self.line: LineSettings | None = None
        self._rules = rules
        super().__init__(
            board,
            view.device.name,
            driver_class,
            findings=findings,
            rules=rules,
            excused=excused,
            given=given,
        )
        self._driver: SerialDriver
        self._rules.counters(lambda: self.errors)
        self._rules.books(
            owed=lambda: self.contract.pending_bytes,
            calm=lambda: self.contract.calm(),  # noqa: PLW0108 - the runner still changes it
            idle_ps=lambda: self.contract.last_end_ps,
        )
        if far_end is not None:
            self._rules.far_end(far_end, self.contract, calm=lambda: self.contract.calm())  # noqa: PLW0108 - as above

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
            "open", lambda: self._driver.open(line), OPEN_BOUND_PS + 200 * line.character_ps
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
        tries = self._insisted("close", self._driver.close, bound_ps + 100 * MS_PS)
        if tries == 1:
            self._check_time("close", self._used_ps() - start_ps, bound_ps)
        self.is_open = False
        self.contract.released()
        self._watch_silence(self._settling_ps)
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
        limit_s = seconds(timeout_ps)
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
        limit_s = seconds(timeout_ps)
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
        taken_ps = self._taken_ps
        limit_s = seconds(timeout_ps)
        try:
            answer = self._timed("drain", lambda: self._driver.drain(limit_s), timeout_ps, 0)
        except BusError:
            return False
        if not isinstance(answer, bool):
            self._bad_value("drain", answer, "True or False")
        if self.entered:
            return bool(answer)
        self.contract.drained(answer=answer, stalled_ps=self._taken_ps - taken_ps)
        if not answer and timeout_ps == NEVER_PS and self.contract.calm():
            self.contract.breach("drain", "drain without a time-out gave up and returned False")
        return bool(answer)

    # another task

    def _come_back(self) -> None:
        """See that a port that another task closed in the middle of a call stays so; reopen it."""
        if self._shut and self.line is not None:
            self._shut = False
            self._watch_silence(self._settling_ps)
            self.contract.closed()
            self.open(self.line)

    # guarding

    def _breach(self, promise: str, detail: str) -> None:
        self.contract.breach(promise, detail)

    def _progress(self) -> object:
        return self.contract.progress

    def _nothing_comes(self) -> bool:
        return self.line_is_quiet()

    def _why(self, ended: RunEnded, name: str) -> str:
        return self.view.why(ended, name)

    def _timed(self, name: str, call: Callable[[], Any], timeout_ps: int, size: int) -> Any:  # noqa: ANN401 - a driver may return anything
        self.contract.excuses.call_begins()
        if timeout_ps == NEVER_PS:
            return self._patient(name, call, size)
        character_ps = self.contract.character_ps
        start_ps = self._used_ps()
        bound_ps = 2 * timeout_ps + 20 * character_ps + 100 * MS_PS
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

    def _check_counters(self) -> None:
        """End the run if the driver keeps no counters."""
        missing = [name for name in LineErrors.__slots__ if counter(self.errors, name) is None]
        if missing:
            text = f"self.errors has no count of {', '.join(missing)} after open"
            self._findings.report("driver-incomplete", text, place=self._place)
            raise RunOver(text)

    def stirring(self) -> list[str]:
        """Return what is not silent: what the controller lets through, or holds on the line."""
        stirring = self.view.stirring()
        if not self.view.sout.level and not self.view.busy:
            stirring.append("the output is held at space")
        return stirring

    @property
    def _settling_ps(self) -> int:
        return 4 * self.contract.character_ps + MS_PS
