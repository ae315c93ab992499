"""A small lab for tests of the labs, and ways to write submissions for it.

The one idea: the course may change, so what the grader does is tried on a lab that belongs to the
tests: a driver of the console that sends and asks for nothing in return.
"""

from __future__ import annotations

from pathlib import Path

from emu.labs.keeper import Hold
from emu.labs.trials import Setting

__all__ = ["ANSWERS", "DRIVER", "LAB", "QUICK", "submission", "with_line", "write_lab"]

QUICK = Hold(seconds=8.0, memory_bytes=1 << 29, setting=Setting(pairs=20, seconds=6.0))

DRIVER = '''"""Drive the console by polling."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

DATA, STATUS, CONTROL, DIVISOR = 0x00, 0x04, 0x08, 0x0C
READY, ROOM, IDLE, LOST, BAD = 0x01, 0x02, 0x04, 0x08, 0x10


class Console:
    """Serial driver that polls."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu

    def open(self, line: LineSettings) -> None:
        """Set the rate and forget what is left over."""
        self._io.write32(DIVISOR, 0)
        self._io.write32(DIVISOR, round(self._io.clock_hz / (16 * line.baud)))
        self._io.write32(STATUS, LOST | BAD)
        self._io.write32(CONTROL, 1)

    def close(self) -> None:
        """Let the last character out."""
        self.drain(0.01)
        self._io.write32(CONTROL, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Send, one byte whenever there is room."""
        for done, byte in enumerate(data):
            if not self._wait_for(ROOM, timeout):
                return done
            self._io.write32(DATA, byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Receive nothing."""
        self._cpu.sleep(timeout or 0.0)
        return b""

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left."""
        return self._wait_for(ROOM, timeout)

    def _wait_for(self, bit: int, timeout: float | None) -> bool:
        until = self._cpu.time() + (1.0 if timeout is None else timeout)
        while True:
            late = self._cpu.time() >= until
            if self._io.read32(STATUS) & bit:
                return True
            if late:
                return False
            self._cpu.sleep(5e-6)
'''

LAB = """\
lab: The letter that stays behind
class: polling
bug: waits for room, not for idle
difficulty: 1
after: []
driver: Console
story: A story.
symptom: A symptom.
forbidden: [The interface.]
hints: [One., Two., Three.]
lesson: A lesson.
bench:
  board: {name: gauge, devices: {console: {kind: serial_basic, at: 0x40002000, irq: 6}}}
  line: 115200 8N1
  far_end: sink
runs:
  - scenario: a word
    do: [open, send: "ab", drain, close]
    expect: {far_end_received: "ab"}
  - scenario: a letter at every timing
    hunt: true
    do: [open, send: "a", drain, close]
fails: {run: a word, rule: idle-mistaken, line: ROOM}
load: 2
"""

ANSWERS = """\
solution:
  - replace: |
      return self._wait_for(ROOM, timeout)
    by: |
      return self._wait_for(IDLE, timeout)
wrong:
  - repair: no waiting at all
    edits:
      - replace: |
          return self._wait_for(ROOM, timeout)
        by: |
          return True
    when: {rule: idle-mistaken, lacks: "return self._wait_for(ROOM, timeout)"}
    tells: Whoever does not wait knows nothing.
  - repair: spins
    edits:
      - replace: |
          self._cpu.sleep(5e-6)
        by: |
          self._io.read32(STATUS)
      - replace: |
          return self._wait_for(ROOM, timeout)
        by: |
          return self._wait_for(IDLE, timeout)
    when: {rule: load}
    tells: A processor that asks without rest does nothing else.
"""


def write_lab(
    folder: Path, *, lab: str = LAB, answers: str = ANSWERS, driver: str = DRIVER
) -> Path:
    """Write a lab into a new folder of `folder` and return that."""
    made = folder / "07_the_letter"
    made.mkdir()
    (made / "lab.yaml").write_text(lab, encoding="utf-8")
    (made / "answers.yaml").write_text(answers, encoding="utf-8")
    (made / "driver.py").write_text(driver, encoding="utf-8")
    return made


def submission(*, top: str = "", opening: str = "") -> str:
    """Return a right repair with lines put in at the top, or at the beginning of ``open``."""
    text = DRIVER.replace("return self._wait_for(ROOM", "return self._wait_for(IDLE")
    text = with_line(text, "DATA, STATUS", top)
    return with_line(text, "self._io.write32(DIVISOR, 0)", opening)


def with_line(text: str, before: str, code: str) -> str:
    """Return a text with code put in before the first line that contains `before`."""
    if not code:
        return text
    lines = text.splitlines()
    at = next(number for number, line in enumerate(lines) if before in line)
    indent = " " * (len(lines[at]) - len(lines[at].lstrip()))
    lines[at:at] = [indent + one for one in code.splitlines()]
    return "\n".join(lines) + "\n"
