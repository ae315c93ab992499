"""The stage of serial drivers: a port, what hangs on its line, and the contract between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from emu.devices.serial_basic import SerialBasic
from emu.devices.serial_driver import LineErrors
from emu.devices.uart16550 import Uart16550
from emu.line.far_end import FarEnd
from emu.record.characters import note_characters
from emu.scenario.contract import PROMISES, counter
from emu.scenario.model import Step
from emu.scenario.outcome import Outcome
from emu.scenario.port import DrivenPort
from emu.scenario.promise import Promise
from emu.scenario.serial_basic_view import SerialBasicView
from emu.scenario.serial_task import serial_task
from emu.scenario.serial_view import SerialView, Uart16550View
from emu.scenario.stage import Bench, Tasks
from emu.scenario.steps import StepPlayer
from emu.scenario.whole_steps import last_close, whole_steps

__all__ = ["SerialStage"]


class SerialStage:
    """Play traffic on a serial line.

    Args:
        bench: what it stands on.

    Attributes:
        ports: the driven ports by name, once the run has begun.
        tasks: the other task that may call the driver.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._scenario = bench.scenario
        self.ports: dict[str, DrivenPort] = {}
        self._traffic_end: tuple[int, int] | None = None
        self._player: StepPlayer | None = None
        self._far_end = self._connect()
        self.tasks: Tasks | None = serial_task(
            bench.board, bench.scenario, lambda: self.ports.get(bench.scenario.port)
        )

    @property
    def driven(self) -> tuple[str, ...]:
        """The port, and another one at the far end of a cable."""
        scenario = self._scenario
        other = (scenario.far_end.port,) if scenario.far_end.kind == "port" else ()
        own = self._bench.with_beside(scenario.port)
        return (*own, *(name for one in other for name in self._bench.with_beside(one)))

    @property
    def far_ends(self) -> Mapping[str, FarEnd]:
        """What hangs on the line, if it is no other port."""
        return {self._scenario.port: self._far_end} if self._far_end else {}

    # building

    def _view(self, name: str) -> SerialView:
        device = self._bench.board.device(name)
        if isinstance(device, SerialBasic):
            return SerialBasicView(device)
        return Uart16550View(self._uart(name))

    def _uart(self, name: str) -> Uart16550:
        device = self._bench.board.device(name)
        assert isinstance(device, Uart16550)
        return device

    def _connect(self) -> FarEnd | None:
        """Hang the far end on the line: a model, or another controller by a crossed cable."""
        scenario, board = self._scenario, self._bench.board
        if scenario.far_end.kind != "port":
            return FarEnd(
                scenario.far_end, board.clock, board.device(scenario.port).signals, scenario.line,
                seed=scenario.seed,
            )  # fmt: skip
        uart = self._uart(scenario.port)
        other = self._uart(scenario.far_end.port)
        for one, two in ((uart, other), (other, uart)):
            one.wire_input(two.sout)
            two.signals["rts"].watch(one.signals["cts"].set)
            two.signals["dtr"].watch(one.signals["dsr"].set)
            two.signals["dtr"].watch(one.signals["dcd"].set)
        return None

    def _other_driver(self, driver: type) -> type:
        """Return the driver at the far end of a cable: its own, or the same as the first."""
        named = self._scenario.far_end.driver
        return self._bench.load(named, self._bench.folder) if named else driver

    def _make_port(self, name: str, driver: type, far_end: FarEnd | None) -> DrivenPort:
        bench = self._bench
        port = DrivenPort(
            bench.board, self._view(name), driver, far_end, findings=bench.findings,
            rules=bench.rules.serial(name), excused=bench.bus_error_injected,
            given=bench.hand_out(name),
        )  # fmt: skip
        if bench.detailed:
            note_characters(bench.board, name)
        armed = bench.armed
        port.shares = bench.shared
        port.contract.calm = bench.calm
        port.contract.witness.sound = lambda: not armed.far_end_spoiled(name)
        if armed.faults or bench.shared:
            port.contract.excuses.find = lambda from_ps, opened_ps: self._with_trouble(
                armed.waivers(from_ps, opened_ps=opened_ps, device=name)
            )
        return port

    def _with_trouble(self, waivers: Mapping[str, list[str]]) -> Mapping[str, list[str]]:
        """Return what cannot be kept and why, which is all of it where others are the reason."""
        why = self._bench.troubled()
        return {promise: [why] for promise in PROMISES} if why else waivers

    # playing

    def begin(self, driver: type) -> None:
        """Construct the driver, and the one at the far end of a cable."""
        scenario, bench = self._scenario, self._bench
        self.ports[scenario.port] = self._make_port(scenario.port, driver, self._far_end)
        if scenario.far_end.kind == "port":
            other = self._other_driver(driver)
            self.ports[scenario.far_end.port] = self._make_port(scenario.far_end.port, other, None)
        self._player = StepPlayer(scenario, bench.board, self.ports, self._far_end, bench.notes)
        self._player.before_open = self._before_open
        if self._far_end is not None:
            self._player.after_open = self._far_end.opened

    def take(self, step: Step, *, last: bool) -> None:
        """Play a step; before the last ``close`` what is left is read."""
        player = self._player
        assert player is not None
        if last and step.how != "now":
            player.finish(faults_over=self._bench.faults_over(), reset=self._was_reset())
            self._traffic_end = player.traffic_end
        player.play(step)

    def play(self, driver: type) -> None:
        """Construct the drivers, and play all steps."""
        self.begin(driver)
        self._bench.armed.before_open()
        steps = whole_steps(self._scenario, tuple(self.ports))
        last = last_close(steps, self._scenario.port)
        for number, step in enumerate(steps):
            self.take(step, last=number == last)

    def _before_open(self) -> None:
        """Let faults begin, and the far end listen for RTS."""
        self._bench.armed.start(self._bench.board.clock.now_ps)
        if self._far_end is not None:
            self._far_end.attend()

    def _was_reset(self) -> bool:
        """Whether a fault set device and driver at odds, so that the port must be opened again.

        Or a call ended in a bus error, to which whoever called it would answer so.
        """
        name = self._scenario.port
        return self._bench.armed.estranged(name) or self.ports[name].failed

    # judging

    def judge(self, outcome: Outcome) -> None:
        """Enter how the contract of each port fared."""
        for name, port in self.ports.items():
            if outcome.ended:
                port.contract.cut()
            why = self._bench.troubled()
            waived = dict.fromkeys(PROMISES, why) if why else self._bench.waived(name)
            promises = port.contract.judge(port.errors, waived)
            if not why:
                self._blame(port, promises)
            if name == self._scenario.port:
                outcome.promises = promises
                outcome.errors = _counters(port.errors)
                outcome.flagged = port.contract.flagged
                outcome.unmet = [] if outcome.ended else self._unmet(port)
            else:
                outcome.promises = _worse(outcome.promises, promises, name)
        self._count(outcome)

    def _blame(self, port: DrivenPort, promises: list[Promise]) -> None:
        """Report the lines that broken promises lead to."""
        for one in promises:
            rule, place = ("", ("", 0)) if one.kept else port.view.blame(one.promise)
            if rule and place[1]:
                self._bench.findings.report(rule, one.detail, register=port.name, place=place)

    def _count(self, outcome: Outcome) -> None:
        """Enter what went over the line."""
        measures = outcome.measures
        contracts = [port.contract for port in self.ports.values()]
        measures.bytes_arrived = sum(one.arrived_count for one in contracts)
        measures.bytes_returned = sum(len(one.received) for one in contracts)
        measures.bytes_accepted = sum(len(one.accepted) for one in contracts)
        measures.bytes_sent = sum(len(one.shifted) for one in contracts)
        measures.bytes_lost = sum(one.lost for one in contracts)
        measures.overruns = sum(one.overruns for one in contracts)

    def results(self) -> list[object]:
        """Return what was received and sent."""
        found: list[object] = []
        for name, port in self.ports.items():
            contract = port.contract
            found += [name, bytes(contract.received), bytes(contract.shifted), contract.overruns]
        return found

    def _unmet(self, port: DrivenPort) -> list[str]:
        """Compare the run with what the scenario expects."""
        expect = self._scenario.expect
        unmet = []
        read_end, heard_end = self._traffic_end or (None, None)
        received = bytes(port.contract.received[:read_end])
        if expect.received is not None and received != expect.received:
            unmet.append(f"read returned {_short(received)}, expected {_short(expect.received)}")
        if expect.far_end_received is not None:
            heard = bytes(self._far_end.received[:heard_end]) if self._far_end else b""
            if heard != expect.far_end_received:
                unmet.append(
                    f"the far end heard {_short(heard)}, expected {_short(expect.far_end_received)}"
                )
        counters = _counters(port.errors)
        for name, (least, most) in expect.errors.items():
            count = counters.get(name, 0)
            if not least <= count <= most:
                wanted = str(least) if least == most else f"{least} to {most}"
                unmet.append(f"errors.{name} is {count}, expected {wanted}")
        return unmet


def _counters(errors: object) -> dict[str, int]:
    return {name: counter(errors, name) or 0 for name in LineErrors.__slots__}


def _worse(ours: list[Promise], theirs: list[Promise], name: str) -> list[Promise]:
    """Merge the promises of a second port: a broken one counts, with the port's name."""
    return [
        replace(other, detail=f"{name}: {other.detail}") if one.kept and not other.kept else one
        for one, other in zip(ours, theirs, strict=True)
    ]


def _short(data: bytes) -> str:
    """Return bytes as text of a bearable length."""
    return f"{data!r}" if len(data) <= 32 else f"{data[:24]!r}... ({len(data)} bytes)"
