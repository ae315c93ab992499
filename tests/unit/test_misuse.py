"""Wrong arguments of accesses: what a driver developer reads, from the call to the verdict."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError
from emu.kernel.board import Board
from emu.kernel.bus import Window
from emu.kernel.misuse import nearest_register, why_refused
from tests.driver_trial import Trial

BASE = 0x4000_1000
SEVERAL = "write8_rep takes several"
WHOLE_NUMBERS = "; allowed: 0x0 to 0x1c in steps of 4"


@pytest.fixture
def io() -> Window:
    """Return the window of a serial controller whose registers are 4 bytes apart."""
    return Board("quay").attach(Uart16550, "telemetry", BASE, stride=4, widths=(8, 32), size=0x1000)


class Mute:
    """Cannot even say what it is."""

    def __repr__(self) -> str:
        """Fail."""
        raise OSError


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        ("RBR", "offset 'RBR' (str) is no whole number{}; RBR is at 0x0"),
        ("lsr ", "offset 'lsr ' (str) is no whole number{}; LSR is at 0x14"),
        ("LCRR", "offset 'LCRR' (str) is no whole number{}; did you mean LCR, at 0xc?"),
        ("0x14", "offset '0x14' (str) is no whole number{}; write a number without quotes"),
        ("tide gauge", "offset 'tide gauge' (str) is no whole number{}"),
        (0.5, "offset 0.5 (float) is no whole number{}; RBR/THR/DLL is at 0x0"),
        (19.9, "offset 19.9 (float) is no whole number{}; LSR is at 0x14"),
        (float("nan"), "offset nan (float) is no whole number{}"),
        (None, "offset None (NoneType) is no whole number{}"),
        ([0], "offset [0] (list) is no whole number{}"),
        ("x" * 99, "offset '" + "x" * 39 + "... (str) is no whole number{}"),
        (Mute(), "offset (its text cannot be had) (Mute) is no whole number{}"),
    ],
)
def test_an_offset_of_another_kind(io: Any, offset: object, said: str) -> None:
    """A name, a fraction or nothing for an offset is told with its type and what is meant."""
    accesses = (
        lambda: io.read8(offset), lambda: io.write8(offset, 1), lambda: io.read32(offset)
    )  # fmt: skip
    for access in accesses:
        with pytest.raises(AccessError) as refused:
            access()
        assert str(refused.value).partition("): ")[2] == said.format(WHOLE_NUMBERS)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (300, "value 300 (int) does not fit 8 bits; allowed: 0x0 to 0xff; value & 0xff is 0x2c"),
        (-1, "value -1 (int) is negative; allowed: 0x0 to 0xff; value & 0xff is 0xff"),
        (65.0, "value 65.0 (float) is no whole number; allowed: 0x0 to 0xff; write int(65.0)"),
        (0.5, "value 0.5 (float) is no whole number; allowed: 0x0 to 0xff"),
        ("A", "value 'A' (str) is no whole number; allowed: 0x0 to 0xff; ord('A') is 0x41"),
        (b"A", "value b'A' (bytes) is no whole number; allowed: 0x0 to 0xff; b'A'[0] is 0x41"),
        (b"A:", "value b'A:' (bytes) is no whole number; allowed: 0x0 to 0xff; " + SEVERAL),
        (None, "value None (NoneType) is no whole number; allowed: 0x0 to 0xff"),
    ],
)  # fmt: skip
def test_a_value_of_another_kind(io: Any, value: object, said: str) -> None:
    """A value that does not fit, or is no number, is told with its type and what would do."""
    with pytest.raises(AccessError) as refused:
        io.write8(4, value)
    assert str(refused.value) == f"telemetry: write8(0x4): {said}"


def test_a_value_has_the_width_of_its_access(io: Any) -> None:
    """What is too wide for 8 bits is not for 32; the bound is that of the access."""
    io.write32(4, 0x10F)
    with pytest.raises(AccessError, match="allowed: 0x0 to 0xffffffff"):
        io.write32(4, 1 << 32)


@pytest.mark.parametrize(
    ("offset", "width", "why", "near"),
    [
        (0x15, 8, "no register at offset 0x15 (stride 4)", "LSR is at 0x14"),
        (0x2000, 8, "offset 0x2000 lies outside 0x0 to 0xfff", "SCR is at 0x1c"),
        (-1, 8, "offset -0x1 lies outside 0x0 to 0xfff", "RBR/THR/DLL is at 0x0"),
        (BASE + 0x14, 8, "0x40001014 is an address, not an offset", "LSR is at 0x14"),
        (0x14, 16, "16-bit access, and telemetry takes 8 and 32 bits", ""),
        (0x16, 32, "offset 0x16 is not aligned to 4 bytes", "LSR is at 0x14"),
    ],
)
def test_why_nothing_answers(io: Window, offset: int, width: int, why: str, near: str) -> None:
    """An access that nothing answers is told why, and which register is nearest."""
    board = Board("quay")
    board.attach(Uart16550, io.name, BASE, stride=4, widths=(8, 32), size=0x1000)
    assert why_refused(board.bus.regions[0], offset, width) == (why, near)


def test_memory_has_no_registers_to_be_near() -> None:
    """In plain memory no register is named."""
    board = Board("quay")
    io = board.attach(Ram, "memory", 0, settings={"size": 64})
    assert nearest_register(board.bus.regions[0], 3) == ""
    with pytest.raises(AccessError, match=r"allowed: 0x0 to 0x3f$"):
        io.read8("level")  # type: ignore[arg-type]


def test_nothing_happens_and_no_time_passes() -> None:
    """A call with a wrong argument leaves clock, tape and counts as they were."""
    board = Board("quay")
    io: Any = board.attach(Uart16550, "telemetry", 0)
    for wrong in (lambda: io.read8("RBR"), lambda: io.write8(0, "A"), lambda: io.write8(None, 1)):
        with pytest.raises(AccessError):
            wrong()
    assert (board.clock.now_ps, len(board.journal.entries)) == (0, 0)
    assert board.bus.accesses() == {"telemetry": (0, 0, 0)}


@pytest.fixture
def trial(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Trial:
    """Return a folder with a scenario for driver files."""
    return Trial(tmp_path, capsys)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('self.io.read8("LSR")', "offset 'LSR' (str) is no whole number"),
        ("self.io.read8(0.5)", "offset 0.5 (float)"),
        ("self.io.write8(0, 300)", "value 300 (int) does not fit 8 bits"),
        ("self.io.write8(0)", "io.write8() missing 1 required positional argument: 'value'"),
        ("self.io.read8()", "io.read8() missing 1 required positional argument: 'offset'"),
        ("self.io.read8(0, 1)", "io.read8() takes 2 positional arguments but 3 were given"),
        ("self.io.readl(0)", "io has no 'readl'; did you mean 'read8'?"),
        ("self.io.peek(0)", "io has no 'peek'; it has read8, write8 and so on"),
        ("self.cpu.wait(1)", "cpu has no 'wait'; "),
        ("self.cpu.connekt(1)", "cpu has no 'connekt'; did you mean 'connect'?"),
        ('self.cpu.sleep("1")', "a time of '1' (str); allowed: 0 or more seconds"),
        ("self.cpu.sleep()", "Cpu.sleep() missing 1 required positional argument: 'seconds'"),
        ("self.cpu.work(1.5)", "cycles=1.5 (float)"),
        ("self.cpu.connect('telemetry', print)", "no interrupt line 'telemetry' (str); allowed: "),
    ],
)
def test_the_verdict(trial: Trial, line: str, said: str) -> None:
    """A refused call is one finding, at the driver's line, that says what was passed."""
    (found,) = trial.json(trial.with_method("drain", f"{line}\nreturn True"))["findings"]
    assert (found["rule"], found["line"]) == ("refused-call", trial.line_of(line))
    assert said in found["message"]
    assert "object at" not in found["message"]
