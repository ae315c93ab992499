"""A driver file in a folder of its own: a good polled driver with one thing put in its place.

The one idea: since everything but one place is known to be good, the line that a verdict must name
is known too.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from emu.cli.main import main

__all__ = ["GOOD", "METHODS", "ROOT", "SCENARIO", "Trial", "replaced"]

ROOT = Path(__file__).resolve().parents[1]
GOOD = """
from emu import LineErrors

class Gauge:
    def __init__(self, io, cpu):
        self.errors = LineErrors()
        self.io = io
        self.cpu = cpu
        self.step = io.stride

    def open(self, line):
        io, step = self.io, self.step
        divisor = round(io.clock_hz / (16 * line.baud))
        io.write8(1 * step, 0)
        io.write8(3 * step, 0x83)
        io.write8(0, divisor & 255)
        io.write8(1 * step, divisor >> 8)
        io.write8(3 * step, 0x03)
        io.write8(2 * step, 0x07)
        io.write8(4 * step, 0x0B)

    def close(self):
        self.drain(1.0)
        self.io.write8(1 * self.step, 0)
        self.io.write8(4 * self.step, 0)

    def status(self):
        found = self.io.read8(5 * self.step)
        self.errors.overrun += found >> 1 & 1
        return found

    def write(self, data, timeout=None):
        for byte in data:
            while not self.status() & 0x20:
                self.cpu.sleep(20e-6)
            self.io.write8(0, byte)
        return len(data)

    def read(self, size, timeout=None):
        end = self.cpu.time() + timeout
        found = b""
        while True:
            while len(found) < size and self.status() & 1:
                found += bytes((self.io.read8(0),))
            if len(found) == size or self.cpu.time() >= end:
                return found
            self.cpu.sleep(50e-6)

    def drain(self, timeout=None):
        end = self.cpu.time() + timeout
        while not self.status() & 0x40:
            if self.cpu.time() >= end:
                return False
            self.cpu.sleep(20e-6)
        return True
"""
METHODS = {
    "__init__": "(self, io, cpu)",
    "open": "(self, line)",
    "close": "(self)",
    "write": "(self, data, timeout=None)",
    "read": "(self, size, timeout=None)",
    "drain": "(self, timeout=None)",
}
SCENARIO = """
scenario: one reading, there and back
board: {board}/fixtures/tide_gauge.yaml
port: telemetry
line: 115200 8N1
far_end: echo
do:
  - exchange: {{send: "tide", receive: 4}}
  - drain
limits: {{time: 2 s, wall: 200 ms}}
"""


class Trial:
    """Run a driver file in a folder of its own."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.file = folder / "gauge.py"
        self.scenario = folder / "run.yaml"
        self.scenario.write_text(SCENARIO.format(board=ROOT), encoding="utf-8")
        self._capsys = capsys

    def with_code(self, code: str) -> str:
        """Write the driver file and return the driver's name."""
        self.file.write_text(code, encoding="utf-8")
        return f"{self.file}:Gauge"

    def with_method(self, method: str, body: str) -> str:
        """Write a good driver with another body of `method`; see `line_of` for its lines."""
        return self.with_code(replaced(method, body))

    def line_of(self, text: str) -> int:
        """Return the number of the only line that contains `text`."""
        lines = self.file.read_text(encoding="utf-8").splitlines()
        (number,) = (index for index, line in enumerate(lines, 1) if text in line)
        return number

    def json(self, driver: str, status: int = 1) -> dict[str, Any]:
        """Run with ``--json`` in this process and return what it printed."""
        assert main(["run", str(self.scenario), "--driver", driver, "--json"]) == status
        out, err = self._capsys.readouterr()
        assert "Traceback" not in err
        found = json.loads(out)
        assert isinstance(found, dict)
        assert found["verdict"] == ("clean" if status == 0 else "failed")
        return found

    def text(self, driver: str, status: int) -> tuple[str, str]:
        """Run in this process and return what it printed on both streams."""
        assert main(["run", str(self.scenario), "--driver", driver]) == status
        out, err = self._capsys.readouterr()
        assert "Traceback" not in out + err
        return out, err

    def apart(self, driver: str, *options: str) -> subprocess.CompletedProcess[str]:
        """Run in a process of its own."""
        return subprocess.run(
            [sys.executable, "-m", "emu.cli.main", "run", str(self.scenario),
             "--driver", driver, *options],
            capture_output=True, text=True, timeout=60, check=False, cwd=ROOT,
        )  # fmt: skip


def replaced(method: str, body: str) -> str:
    """Return the good driver's code with another body of one method."""
    before, rest = GOOD.split(f"    def {method}(", 1)
    head, _, rest = rest.partition("\n")
    after = rest.partition("\n    def ")
    lines = "".join(f"        {line}\n" for line in body.splitlines())
    return f"{before}    def {method}({head}\n{lines}\n    def {after[2]}" if after[2] else (
        f"{before}    def {method}({head}\n{lines}"
    )  # fmt: skip
