"""The timeline of a short run, byte for byte, and what its options show.

The one idea: one run that has everything in it that a timeline can show, driven by a driver whose
text stands here, so that its lines are known; the page is compared with `timeline.txt` beside this
file. Characters are put into the receiver by hand, past the wire.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import cache, partial
from pathlib import Path
from typing import Any

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.bus import BusError
from emu.kernel.journal import AGAIN
from emu.record.characters import note_characters
from emu.record.events import Injection
from emu.record.tape import Recording, read_tape
from emu.record.timeline import timeline
from emu.rules.finding import Finding

GOLDEN = Path(__file__).with_name("timeline.txt")
US = 10**6

DRIVER = '''
class Gauge:
    """Send by polling, receive by interrupts."""

    def __init__(self, io, cpu):
        self.io, self.cpu, self.received = io, cpu, bytearray()

    def open(self):
        for register, value in ((3, 0x83), (0, 1), (1, 0), (3, 3), (2, 0x81)):
            self.io.write8(4 * register, value)
        self.cpu.connect(5, self.handle)
        self.io.write8(4, 5)

    def write(self, data):
        for byte in data:
            while not self.io.read8(20) & 0x20:
                pass
            self.io.write8(0, byte)

    def read(self):
        with self.cpu.interrupts_masked():
            self.cpu.wait_for_interrupt(0.001)
        self.cpu.sleep(0.0005)
        return bytes(self.received)

    def handle(self):
        self.io.read8(8)
        while self.io.read8(20) & 1:
            self.received.append(self.io.read8(0))

    def close(self):
        with self.cpu.interrupts_masked():
            pass
        self.io.write8(5, 0)
'''


def make_driver(board: Board) -> Any:
    """Return the driver, with `gauge.py` for its file."""
    names: dict[str, Any] = {}
    exec(compile(DRIVER, "gauge.py", "exec"), names)  # noqa: S102 - the text stands above
    return names["Gauge"](board.window("telemetry"), board.cpu)


def run(*, events: int | None = None, places: bool = True) -> Board:
    """Open, write, read what comes, close with a mistake; a fault strikes on the way."""
    board = Board("tide gauge", events=events, places=places)
    board.attach(Uart16550, "telemetry", 0x1000, stride=4, irq=5)
    board.power_on()
    note_characters(board, "telemetry")
    driver = make_driver(board)
    call = board.journal.source("call", "telemetry")

    def guarded(name: str, action: Callable[[], object]) -> None:
        board.journal.settle()
        board.journal.append((board.clock.now_ps, call, name, 1))
        with suppress(BusError):
            action()
        board.journal.settle()
        board.journal.append((board.clock.now_ps, call, name, 0))

    guarded("open", driver.open)
    guarded("write", lambda: driver.write(b"tide 3.21 m"))
    arrive(board)
    guarded("read", driver.read)
    guarded("close", driver.close)
    return board


def arrive(board: Board) -> None:
    """Let nine characters arrive, 90 us apart; the last has a framing error, a fault strikes."""
    device = board.device("telemetry")
    assert isinstance(device, Uart16550)
    clock, note = board.clock, board.journal.append
    for place, byte in enumerate(b"4.07 m ok"):
        flags = 0x08 if byte == ord("k") else 0
        at_ps = clock.now_ps + (place + 1) * 90 * US
        clock.schedule(at_ps, partial(device.receive, byte, flags))
    fault = board.journal.source("fault", "stuck-field telemetry.LSR.OE")
    at_ps = clock.now_ps + 700 * US
    for entry in (0, "LSR reads 0x63 instead of 0x61"), (AGAIN, 3):
        clock.schedule(at_ps, partial(note, (at_ps, fault, *entry)))


@cache
def recording() -> Recording:
    """Return the run as events."""
    return read_tape(run())


def findings() -> list[Finding]:
    """Return what a rule said of the run: the last call touches an offset without a register."""
    end_ps = recording().events[-1].time_ps
    text = "the access has no register to answer it; on this board registers are 4 bytes apart"
    return [Finding("no-such-register", "src/gauge.py", 34, end_ps, "telemetry", text, 2)]


def page(**options: Any) -> str:
    """Return the timeline of the run."""
    return timeline(recording().events, findings=findings(), **options)


def test_the_page_is_as_agreed() -> None:
    """The timeline of the run is byte for byte what was agreed to be readable."""
    assert page() == GOLDEN.read_text(encoding="utf-8")


def test_every_line_fits_and_is_plain() -> None:
    """No line is over 100 columns, none ends in blanks, none needs more than ASCII."""
    for text in (page(), page(folded=False)):
        assert text.isascii()
        assert all(len(line) <= 100 and line == line.rstrip() for line in text.splitlines())


def test_faults_findings_and_bus_errors_are_marked_by_words() -> None:
    """Nothing that went wrong needs a colour to be seen."""
    words = [word for word in ("FAULT", "FINDING", "BUS ERROR") if word in page()]

    assert words == ["FAULT", "FINDING", "BUS ERROR"]


def test_the_same_run_gives_the_same_page() -> None:
    """A second run of the same thing reads the same."""
    assert timeline(read_tape(run()).events, findings=findings()) == page()


def test_without_places_there_is_no_column_for_them() -> None:
    """Nothing of the driver's lines is left when they were not recorded."""
    text = timeline(read_tape(run(places=False)).events)

    assert "gauge.py" not in text
    assert "driver line" not in text


def test_unfolded_every_event_has_its_row() -> None:
    """Asked not to fold, the page shows each character in a row of its own."""
    rows = page(folded=False)

    assert rows.count(" write THR ") == 11
    assert page().count(" write THR ") == 2


def test_the_last_rows_come_with_a_count_of_those_left_out() -> None:
    """The end of a run can be shown alone, and says what is missing and where it begins."""
    lines = page(last=3).splitlines()
    everything = page().splitlines()

    assert lines[1].endswith("earlier rows left out)")
    assert lines[2].startswith("(in close of telemetry, begun at ")
    assert lines[3:] == everything[-len(lines[3:]) :]


def test_the_rows_around_a_moment_are_cut_out_and_the_moment_marked() -> None:
    """As many rows as asked for are shown, the nearest to the moment marked with an arrow."""
    moment_ps = next(one.time_ps for one in recording().events if isinstance(one, Injection))
    lines = page(around=(moment_ps, 4)).splitlines()
    marked = [line for line in lines if line.startswith(">")]

    assert len(marked) == 1
    assert "left out" in lines[1]
    assert "left out" in lines[-1]
    assert sum(line[1:10].strip().replace(".", "").isdigit() for line in lines) == 4


def test_a_tape_that_was_cut_says_so() -> None:
    """The reader is told that what came before is not there."""
    short = read_tape(run(events=20))

    assert short.cut
    assert "(earlier events are no longer in the record)" in timeline(short.events, cut=short.cut)


def test_an_empty_record_is_a_page_too() -> None:
    """Without events there is a heading and nothing else, whatever the options."""
    assert len(timeline([]).splitlines()) == 1
    assert len(timeline([], around=(0, 5)).splitlines()) == 1
    assert len(timeline([], last=5).splitlines()) == 1
