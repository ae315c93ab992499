"""A checksum engine with its driver: each result compared with one worked out here.

The one idea: a wrong result has few reasons, and the engine knows them all: it was read while bytes
were still being taken, something was refused meanwhile, the register was not loaded, or the check
is set up as another. The first that applies leads to the line.
"""

from __future__ import annotations

from functools import partial

from emu.devices.checksum_driver import CheckSettings
from emu.devices.checksum_engine import ChecksumEngine, checksum
from emu.kernel.callers import asking_place
from emu.kernel.clock import PS_PER_S
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place, driver_place
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort
from emu.scenario.guarded import MS_PS
from emu.scenario.model import Step
from emu.units import show_duration

__all__ = ["CHECKSUM_PROMISES", "ChecksumPort"]

CHECKSUM_PROMISES = {
    "value": "compute returns the check of the data, or None",
    "answer": "compute gives up only if the time was too short for the engine",
    **COMMON_PROMISES,
}
_BUSY, _REFUSED = 0x01, 0x04
_START, _LOAD = 0x01, 0x02
_SETTINGS = ("CONFIG", "POLY", "INIT", "XOROUT")
_REFUSABLE = (*_SETTINGS, "SOURCE", "LENGTH", "DATA", "WORD", "CONTROL")
_IDLE_PS = 20 * MS_PS  # that a result may lie about
_NOWHERE: Place = ("", 0)


class ChecksumPort(DevicePort):
    """Call the driver of one checksum engine."""

    PROMISES = CHECKSUM_PROMISES

    def set_up(self) -> None:
        """Watch what decides the result."""
        assert isinstance(self.device, ChecksumEngine)
        self._engine = self.device
        self._check = CheckSettings()
        self._told: list[object] = []
        self._places: dict[str, Place] = {}  # of the last write to a setting
        self._early = self._refused = self._unloaded = _NOWHERE
        self._loaded = False
        self._finished_ps = 0
        self._interrupted = _NOWHERE  # where main code was when the handler came last
        self.on_handler(self._note_handler)
        self._engine.on_finished.append(self._note_finished)
        self.players |= {"check": self._change, "compute": self._compute}
        for name in _REFUSABLE:
            self._engine.ports[name].wrap_write(partial(self._noting_write, name))
        self._engine.ports["RESULT"].wrap_read(self._noting_result)

    # what the driver does

    def _noting_write(self, name: str, write: WritePort) -> WritePort:
        engine = self._engine

        def writing(value: int) -> None:
            if name in _SETTINGS:
                self._places[name] = asking_place()
            before = engine.peek("STATUS") & _REFUSED
            write(value)
            if engine.peek("STATUS") & _REFUSED > before and not self._refused[1]:
                self._refused = asking_place()
            elif name == "CONTROL" and value & _LOAD:
                self._loaded = True
            if (name == "DATA" or (name == "CONTROL" and value & _START)) and not self._loaded:
                self._unloaded = asking_place()

        return writing

    def _noting_result(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            if self._engine.peek("STATUS") & _BUSY:
                self._early = asking_place()
            return read()

        return reading

    def _note_finished(self) -> None:
        self._finished_ps = self._clock.now_ps

    def _note_handler(self) -> None:
        self._interrupted = driver_place()

    # steps

    def open_call(self) -> None:
        """Open for the check that was asked for."""
        self._driver.open(self._check)

    def _change(self, step: Step) -> str:
        given = step.values["check"] or {}
        self._check = CheckSettings(**given)
        self._reopen(step)
        return f"{self._check.width} bits, polynomial {self._check.poly:#x}"

    def _compute(self, step: Step) -> str:
        data: bytes = step.values["compute"]
        needs_ps = self._needs_ps(len(data))
        timeout_ps = self.timeout_ps(step, needs_ps)
        self._early = self._refused = self._unloaded = self._interrupted = _NOWHERE
        self._loaded, self._finished_ps = False, self._clock.now_ps
        stalled_ps = self._clock.stalled_ps
        grace_ps = self._overhead_ps(len(data))
        value = self.call("compute", data, timeout_ps=timeout_ps, grace_ps=grace_ps)
        stalled_ps = self._clock.stalled_ps - stalled_ps
        if value is NO_ANSWER:
            return "a bus error"
        self._told.append(value)
        if value is None:
            if timeout_ps > 2 * (needs_ps + stalled_ps) + MS_PS and not self.failed:
                text = f"compute gave up on {len(data)} bytes, which take {show_duration(needs_ps)}"
                self.breach("answer", f"{text}, after {show_duration(timeout_ps)}")
            return f"nothing for {len(data)} bytes"
        if isinstance(value, bool) or not isinstance(value, int):
            self._bad_value("compute", value, "an int, or None")
        idle_ps = self._clock.now_ps - self._finished_ps - stalled_ps
        if idle_ps > needs_ps + _IDLE_PS and not self._excusing():
            text = f"compute returned {show_duration(idle_ps)} after the engine had finished"
            self.breach("answer", text, "end-unnoticed", self._interrupted)
        self._judge(data, value)
        return f"{value:#x} for {len(data)} bytes"

    def _judge(self, data: bytes, value: int) -> None:
        """Compare a result with the right one."""
        one = self._check
        right = checksum(
            data, width=one.width, poly=one.poly, init=one.init, refin=one.refin,
            refout=one.refout, xorout=one.xorout,
        )  # fmt: skip
        if value != right:
            detail = f"compute returned {value:#x} for {len(data)} bytes; their check is {right:#x}"
            rule, place, why = self._reason()
            self.breach("value", detail + why, rule, place)

    def _reason(self) -> tuple[str, Place, str]:
        """Return rule, place and words of what made a result wrong."""
        if self._early[1]:
            return "result-read-early", self._early, "; RESULT was read while BUSY was up"
        if self._refused[1]:
            return "refused-while-busy", self._refused, "; a write was refused while BUSY was up"
        if self._unloaded[1]:
            return "register-not-loaded", self._unloaded, "; the register was not loaded before"
        for name, wanted in self._wanted().items():
            found = self._engine.peek(name)
            if found != wanted:
                text = f"; {name} is {found:#x}, the check needs {wanted:#x}"
                return "set-up-otherwise", self._places.get(name, self._method_place("open")), text
        return "", _NOWHERE, ""

    def _wanted(self) -> dict[str, int]:
        one = self._check
        config = (one.width - 1) | one.refin << 8 | one.refout << 9
        return {"CONFIG": config, "POLY": one.poly, "INIT": one.init, "XOROUT": one.xorout}

    def _needs_ps(self, size: int) -> int:
        """Return the time that the engine and the way to it take for so many bytes."""
        cycles: int = self._engine.settings["cycles"]
        return size * cycles * PS_PER_S // self._engine.clock_hz + self._overhead_ps(size)

    def _overhead_ps(self, size: int) -> int:
        """Return the time of the accesses, one a byte."""
        return (size + 64) * self._access_ps

    def results(self) -> list[object]:
        """Return what the driver said."""
        return list(self._told)

    def stirring(self) -> list[str]:
        """Say what goes on after ``close``."""
        busy = self._engine.peek("STATUS") & _BUSY
        return ["a block is still being taken"] if busy else []
