"""What a scenario says, as plain data: the one thing a run needs besides the code of a driver.

A scenario comes from YAML (`emu.scenario.load`) or from Python. Times are in ps, since they left
the reader's units behind when they were read.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from emu.faults.plan import FaultPlan
from emu.kernel.board import BusSettings, CpuSettings, LineRules
from emu.kernel.clock import NEVER_PS
from emu.line.plan import FarEndPlan
from emu.units import LineSettings

__all__ = [
    "ACTIONS",
    "NEVER_PS",
    "BoardModel",
    "DeviceModel",
    "DriverModel",
    "Expectation",
    "Leftovers",
    "Limits",
    "Scenario",
    "Step",
]

ACTIONS = ("open", "send", "receive", "exchange", "echo", "drain", "wait", "work", "line",
           "reopen", "close", "leftovers")  # fmt: skip


@dataclass(frozen=True, slots=True)
class DeviceModel:
    """Say what a device is and how it lies on the bus; see `emu.kernel.board.Board.attach`.

    `irq` is a source of the interrupt controller `through`, where one is named; `beside` names the
    devices that its driver is given as well.
    """

    name: str
    kind: str
    at: int
    settings: dict[str, Any] = field(default_factory=dict)
    stride: int | None = None
    widths: tuple[int, ...] | None = None
    wait_cycles: int = 0
    irq: int | None = None
    through: str = ""
    size: int | None = None
    beside: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BoardModel:
    """Say what is on a board."""

    name: str = "board"
    cpu: CpuSettings = field(default_factory=CpuSettings)
    bus: BusSettings = field(default_factory=BusSettings)
    devices: tuple[DeviceModel, ...] = ()
    interrupts: dict[int, LineRules] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Leftovers:
    """Say how somebody else, such as a bootloader, left a serial controller.

    Args:
        registers: what was written to registers, by name; the others stay as they are.
        received: characters that wait unread in the receiver.
        sending: characters that are still on their way out.
    """

    registers: dict[str, int] = field(default_factory=dict)
    received: bytes = b""
    sending: bytes = b""


@dataclass(frozen=True, slots=True)
class Step:
    """Say one thing the driver is asked to do.

    Args:
        action: one of `ACTIONS`, or of those of another trade than serial.
        data: bytes to send (``send``, ``exchange``).
        count: bytes to receive (``receive``, ``exchange``) or to give back (``echo``); None means
            until the far end has fallen silent.
        line: the new settings (``line``; optional for ``open`` and ``reopen``).
        duration_ps: how long the program is away (``wait``).
        cycles: how long it computes (``work``).
        timeout_ps: time-out of each call, None for the scenario's; `NEVER_PS` passes the driver
            None, so that it waits as long as it takes.
        chunk: most bytes handed to one call, 0 for all.
        by: name of the port whose driver does it, empty for the scenario's own.
        how: of a ``close``: ``"now"`` leaves unread what has come so far, ``"again"`` calls the
            driver even if the port is closed, ``""`` reads first and asks no closed port.
        leftovers: the state that a closed port is left in (``leftovers``).
        values: what a trade that is not serial asks for, by key.
        row: line in the scenario file, 0 when it has none.
    """

    action: str
    data: bytes = b""
    count: int | None = None
    line: LineSettings | None = None
    duration_ps: int = 0
    cycles: int = 0
    timeout_ps: int | None = None
    chunk: int = 0
    by: str = ""
    how: str = ""
    leftovers: Leftovers | None = None
    values: dict[str, Any] = field(default_factory=dict)
    row: int = 0


@dataclass(frozen=True, slots=True)
class DriverModel:
    """Say who drives a device, where a scenario runs several drivers.

    Args:
        port: the device.
        driver: ``path/to/file.py:Class`` or ``package.module:Class``.
        line: what its ``open`` is called with, if it is a serial controller.
        far_end: what hangs on that line.
    """

    port: str
    driver: str
    line: LineSettings = field(default_factory=lambda: LineSettings(115_200))
    far_end: FarEndPlan = field(default_factory=FarEndPlan)


@dataclass(frozen=True, slots=True)
class Expectation:
    """Say what must have come out, beyond the contract, which is always checked.

    Args:
        received: exactly these bytes returned by the driver's ``read`` calls, in total.
        far_end_received: exactly these bytes seen by the far end.
        errors: for a counter of ``errors`` the least and most it may show.
    """

    received: bytes | None = None
    far_end_received: bytes | None = None
    errors: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Limits:
    """Bound a run.

    Args:
        time_ps: simulated time after which the run ends, None to derive it from what is asked.
        call_ps: time-out given to each call, None to derive it from the time the wire needs.
        wall_s: real seconds without a bench call after which the driver counts as spinning.
    """

    time_ps: int | None = None
    call_ps: int | None = None
    wall_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """Say everything about one run but the driver's code.

    Args:
        title: one line that says what happens.
        board: the board.
        port: name of the serial device that is driven.
        driver: ``path/to/file.py:Class`` or ``package.module:Class``, empty when given elsewhere.
        drivers: who drives what, where several drivers run on the board; `port` is then the first
            of them, and `driver`, `line`, `far_end`, `callers` and `expect` say nothing.
        line: what ``open`` is called with, and what the far end speaks unless it says otherwise.
        far_end: what hangs on the line.
        steps: what the driver is asked to do; ``open`` and ``close`` are added where missing.
        callers: the calls that another task of a higher priority may make in the middle of one,
            of those that the trade of the driver allows.
        faults: what goes wrong.
        expect: what must have come out.
        limits: bounds.
        seed: seed of everything random.
        path: file it came from, for messages.
    """

    title: str
    board: BoardModel
    port: str
    line: LineSettings
    far_end: FarEndPlan
    steps: tuple[Step, ...]
    driver: str = ""
    drivers: tuple[DriverModel, ...] = ()
    callers: tuple[str, ...] = ()
    faults: FaultPlan = field(default_factory=FaultPlan)
    expect: Expectation = field(default_factory=Expectation)
    limits: Limits = field(default_factory=Limits)
    seed: int = 1
    path: str = ""
