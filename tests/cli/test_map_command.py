"""`emu map` shows a board as text, Markdown, JSON and a C header that agrees with the kernel's."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from emu.cli.main import main
from emu.devices.uart16550_map import REGISTERS
from emu.scenario.c_header import c_header
from emu.scenario.load import load_board, parse_board
from emu.scenario.memory_map import board_map, markdown_map, text_map

ROOT = Path(__file__).resolve().parents[2]
BOARD = ROOT / "fixtures" / "tide_gauge.yaml"
GOLDEN = ROOT / "tests" / "golden"

SAME_IN_LINUX = {
    # name in our header: name in linux/serial_reg.h
    "LSR_DR": "UART_LSR_DR",
    "LSR_OE": "UART_LSR_OE",
    "LSR_PE": "UART_LSR_PE",
    "LSR_FE": "UART_LSR_FE",
    "LSR_BI": "UART_LSR_BI",
    "LSR_THRE": "UART_LSR_THRE",
    "LSR_TEMT": "UART_LSR_TEMT",
    "LSR_FIFOE": "UART_LSR_FIFOE",
    "IER_ERBFI": "UART_IER_RDI",
    "IER_ETBEI": "UART_IER_THRI",
    "IER_ELSI": "UART_IER_RLSI",
    "IER_EDSSI": "UART_IER_MSI",
    "IIR_NONE": "UART_IIR_NO_INT",
    "FCR_ENABLE": "UART_FCR_ENABLE_FIFO",
    "FCR_RESET_RX": "UART_FCR_CLEAR_RCVR",
    "FCR_RESET_TX": "UART_FCR_CLEAR_XMIT",
    "FCR_DMA_MODE": "UART_FCR_DMA_SELECT",
    "FCR_FIFO64": "UART_FCR7_64BYTE",
    "FCR_TRIGGER": "UART_FCR_TRIGGER_MASK",
    "LCR_STB": "UART_LCR_STOP",
    "LCR_PEN": "UART_LCR_PARITY",
    "LCR_EPS": "UART_LCR_EPAR",
    "LCR_STICK": "UART_LCR_SPAR",
    "LCR_BREAK": "UART_LCR_SBC",
    "LCR_DLAB": "UART_LCR_DLAB",
    "MCR_DTR": "UART_MCR_DTR",
    "MCR_RTS": "UART_MCR_RTS",
    "MCR_OUT1": "UART_MCR_OUT1",
    "MCR_OUT2": "UART_MCR_OUT2",
    "MCR_LOOP": "UART_MCR_LOOP",
    "MSR_DCTS": "UART_MSR_DCTS",
    "MSR_DDSR": "UART_MSR_DDSR",
    "MSR_TERI": "UART_MSR_TERI",
    "MSR_DDCD": "UART_MSR_DDCD",
    "MSR_CTS": "UART_MSR_CTS",
    "MSR_DSR": "UART_MSR_DSR",
    "MSR_RI": "UART_MSR_RI",
    "MSR_DCD": "UART_MSR_DCD",
}

SAME_OFFSETS = {
    "RBR": "UART_RX", "THR": "UART_TX", "IER": "UART_IER", "IIR": "UART_IIR", "FCR": "UART_FCR",
    "LCR": "UART_LCR", "MCR": "UART_MCR", "LSR": "UART_LSR", "MSR": "UART_MSR", "SCR": "UART_SCR",
    "DLL": "UART_DLL", "DLM": "UART_DLM",
}  # fmt: skip


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Return what the command prints, after checking that it succeeds and complains of nothing."""
    assert main(["map", *words]) == 0
    captured = capsys.readouterr()
    assert not captured.err
    return captured.out


def header_constants() -> dict[str, int]:
    """Return the numbers that the C header of the tide gauge defines, by name."""
    text = c_header(board_map(load_board(BOARD)))
    found = re.findall(r"^#define (\w+) +(0x[0-9a-f]+|[0-9]+)(?:UL|ULL)?$", text, re.MULTILINE)
    return {name: int(value, 0) for name, value in found}


def test_text_is_the_one_kept(capsys: pytest.CaptureFixture[str]) -> None:
    """The text of a small board is the same to the byte, whatever the terminal."""
    text = shown(capsys, str(ROOT / "fixtures" / "no_fifo.yaml"))

    assert text.replace(str(ROOT), "{root}") == (GOLDEN / "no_fifo_map.txt").read_text("utf-8")


@pytest.mark.parametrize("words", [(), ("--format", "c")], ids=["text", "c"])
def test_output_fits_100_columns(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    """No line is wider than 100 columns, or ends in blanks."""
    lines = shown(capsys, str(BOARD), *words).splitlines()

    assert max(len(line) for line in lines) <= 100
    assert all(line == line.rstrip() for line in lines)


@pytest.mark.parametrize("style", ["text", "markdown", "c"])
def test_every_device_and_field_is_there(capsys: pytest.CaptureFixture[str], style: str) -> None:
    """Each device, each register and each field is in the map, in every format."""
    text = shown(capsys, str(BOARD), "--format", style)

    for name in ("telemetry", "console", "memory"):
        assert name in text
    for register in REGISTERS:
        assert register.name in text
        for one in register.fields:
            assert one.name in text
            assert one.meaning.split(";")[0][:40] in text


def test_registers_stand_at_their_addresses(capsys: pytest.CaptureFixture[str]) -> None:
    """A register's address is that of its device plus its number times the stride."""
    found = json.loads(shown(capsys, str(BOARD), "--json"))
    telemetry = found["devices"][1]
    registers = {one["name"]: one for one in telemetry["registers"]}

    assert (telemetry["name"], telemetry["base"], telemetry["irq"]) == ("telemetry", 0x40001000, 5)
    assert registers["LSR"]["address"] == 0x40001014
    assert registers["LSR"]["reset"] == 0x60
    assert registers["DLM"] | {"fields": []} == {
        "name": "DLM", "address": 0x40001004, "offset": 4, "width": 8, "access": "rw", "bank": 1,
        "shown_while": "LCR.DLAB = 1",
        "reset": None, "meaning": "divisor latch, high byte", "fields": [],
    }  # fmt: skip


def test_json_is_what_the_map_holds(capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON is the map itself."""
    assert json.loads(shown(capsys, str(BOARD), "--json")) == board_map(load_board(BOARD))


def test_markdown_tables_are_regular() -> None:
    """All rows of a Markdown table have as many cells as its head."""
    lines = markdown_map(board_map(load_board(BOARD))).splitlines()
    tables = [block for block in "\n".join(lines).split("\n\n") if block.startswith("|")]

    assert len(tables) == 1 + len(REGISTERS)
    for table in tables:
        assert len({row.count("|") for row in table.splitlines()}) == 1


def test_a_scenario_shows_its_board(capsys: pytest.CaptureFixture[str]) -> None:
    """A scenario may be given in the place of a board; the next step is that of a scenario."""
    scenario = str(ROOT / "fixtures" / "quiet.yaml")
    map_of_scenario, _, run_it = shown(capsys, scenario).rpartition("\nNext: ")
    map_of_board, _, write_header = shown(capsys, str(BOARD)).rpartition("\nNext: ")

    assert map_of_scenario == map_of_board
    assert run_it == f"emu run {scenario} runs the scenario that this board belongs to\n"
    assert write_header == f"emu map {BOARD} --format c writes a header for a driver in C\n"


@pytest.mark.parametrize("style", ["markdown", "c"])
def test_a_page_or_header_is_nothing_else(capsys: pytest.CaptureFixture[str], style: str) -> None:
    """What goes into a file has no hint at its end."""
    assert "Next:" not in shown(capsys, str(BOARD), "--format", style)


@pytest.mark.parametrize("style", ["text", "markdown"])
def test_alike_devices_share_one_table(capsys: pytest.CaptureFixture[str], style: str) -> None:
    """Registers of two controllers that differ only in address are printed once, under both."""
    text = shown(capsys, str(BOARD), "--format", style)

    assert text.count("telemetry, console: serial controller with FIFOs, 16550 family") == 1
    assert text.count("LSR: line status") == 1


@pytest.mark.parametrize("style", [text_map, markdown_map])
@pytest.mark.parametrize("change", ["stride: 1", "stride: 8"])
def test_devices_with_other_offsets_do_not(style: Callable[..., str], change: str) -> None:
    """Controllers of one kind whose registers lie otherwise have a table each."""
    text = style(board_map(parse_board(
        "devices:\n  near: {kind: uart16550, at: 0x1000, stride: 4}\n"
        f"  far: {{kind: uart16550, at: 0x2000, {change}}}\n"
        "  beside: {kind: uart16550, at: 0x3000, stride: 4, clock: 14.7456 MHz}\n"
    )))  # fmt: skip

    assert text.count("LSR: line status") == 2
    assert "near, beside: serial controller with FIFOs, 16550 family, clocks 1.8432 MHz, 1" in text


@pytest.mark.parametrize("style", ["text", "markdown"])
def test_clock_and_notes_are_told(capsys: pytest.CaptureFixture[str], style: str) -> None:
    """The input clock of devices stands in their heading, and what there is to know below."""
    text = shown(capsys, str(BOARD), "--format", style)

    assert "16550 family, clock 1.8432 MHz\n" in text
    assert "- Baud rate = clock / (16 x divisor)." in text


def test_no_line_of_the_markdown_stands_twice() -> None:
    """A register is told once: no text line repeats its heading, and no heading another."""
    lines = markdown_map(board_map(load_board(BOARD))).splitlines()
    texts = [line for line in lines if line.startswith("#")]

    assert len(texts) == len(set(texts))
    assert not [line for line in lines if "RBR: receiver buffer" in line and line[0] != "#"]


def test_long_names_do_not_widen_the_page() -> None:
    """A long title is broken, and a big address shown whole."""
    text = text_map(
        board_map(
            parse_board(
                f"name: {'tide gauge ' * 20}\nbus: {{address: 64}}\n"
                f"devices:\n  {'m' * 32}: {{kind: ram, at: 0xffff000000000000}}\n"
            )
        )
    )

    assert max(len(line) for line in text.splitlines()) <= 100
    assert "ffff000000000000-ffff00000000ffff" in text


@pytest.mark.parametrize("path", ["tide_gauge.yaml", "word_access.yaml", "deep_fifo.yaml"])
def test_header_compiles(path: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The C header is C99 without a warning, and may be included twice."""
    compiler = shutil.which("gcc")
    if compiler is None:
        message = "gcc is missing, so the header cannot be compiled"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    header = shown(capsys, str(ROOT / "fixtures" / path), "--format", "c")
    (tmp_path / "map.h").write_text(header, encoding="utf-8")
    names = re.findall(r"^#define (\w+) +[0-9]", header, re.MULTILINE)
    uses = "".join(f"    sum += {name};\n" for name in names)
    program = (
        f'#include "map.h"\n#include "map.h"\nint main(void)\n{{\n'
        f"    unsigned long long sum = 0;\n{uses}    return sum == 0;\n}}\n"
    )
    (tmp_path / "use.c").write_text(program, encoding="utf-8")

    done = subprocess.run(
        [compiler, "-fsyntax-only", "-Wall", "-Werror", "-std=c99", "-pedantic", "use.c"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert names
    assert done.returncode == 0, done.stderr


def test_header_holds_the_addresses() -> None:
    """Bases, interrupts, clocks and strides of the board are constants of the header."""
    found = header_constants()

    assert found["TELEMETRY_BASE"] == 0x40001000
    assert found["TELEMETRY_SIZE"] == 4096
    assert found["TELEMETRY_IRQ"] == 5
    assert found["TELEMETRY_CLOCK_HZ"] == 1_843_200
    assert found["TELEMETRY_STRIDE"] == 4
    assert found["MEMORY_SIZE"] == 65536
    assert found["UART16550_LSR_RESET"] == 0x60


def test_masks_agree_with_the_kernel_header(serial_reg: dict[str, int]) -> None:
    """Every bit is where ``linux/serial_reg.h`` (Debian: linux-libc-dev) has it."""
    found = header_constants()

    for ours, theirs in SAME_IN_LINUX.items():
        assert found[f"UART16550_{ours}_MASK"] == serial_reg[theirs], ours


def test_offsets_agree_with_the_kernel_header(serial_reg: dict[str, int]) -> None:
    """Every register has the number that ``linux/serial_reg.h`` gives it, times the stride."""
    found = header_constants()

    for ours, theirs in SAME_OFFSETS.items():
        assert found[f"TELEMETRY_{ours}_OFFSET"] == 4 * serial_reg[theirs], ours


def test_shifts_belong_to_their_masks() -> None:
    """A shift is the position of the lowest bit of its mask."""
    found = header_constants()
    masks = {name.removesuffix("_MASK"): value for name, value in found.items() if "_MASK" in name}

    assert masks
    for name, mask in masks.items():
        assert mask & -mask == 1 << found[f"{name}_SHIFT"]


@pytest.mark.parametrize("name", ["12 */ hours", "\\", "gauge of the quay"])
def test_any_board_name_makes_a_header(name: str) -> None:
    """A board's name cannot end a comment, join lines or make a guard that C does not take."""
    board = parse_board(f"name: '{name}'\ndevices:\n  memory: {{kind: ram, at: 0}}\n")
    lines = c_header(board_map(board)).splitlines()

    assert re.fullmatch(r"#ifndef [A-Z][A-Z0-9_]*_MAP_H", lines[1])
    assert lines[0].count("*/") == 1
    assert not any(line.endswith("\\") for line in lines)


def test_names_that_differ_in_case_stay_apart() -> None:
    """Two devices whose names differ in nothing but case get constants of their own."""
    board = parse_board(
        "devices:\n  gauge: {kind: ram, at: 0}\n  Gauge: {kind: ram, at: 0x100000}\n"
    )
    text = c_header(board_map(board))

    names = re.findall(r"^#define (\w+) +0x", text, re.MULTILINE)
    assert len(names) == len(set(names)) == 4


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["map"], "Missing argument"),
        (["map", str(BOARD), "--format", "pdf"], "'pdf' is not one of"),
        (["map", "nowhere.yaml"], "nowhere.yaml: there is no such file"),
    ],
)
def test_bad_use(words: list[str], what: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Bad use ends with exit status 2 and one message."""
    assert main(words) == 2
    captured = capsys.readouterr()
    assert what in captured.err
    assert not captured.out


def test_map_of_an_unknown_scenario_key_points_at_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is more of a scenario than of a board is judged as a scenario."""
    path = tmp_path / "night.yaml"
    path.write_text("scenario: a night\nbord: gauge.yaml\n", encoding="utf-8")

    assert main(["map", str(path)]) == 2
    assert "unknown key 'bord' in a scenario" in capsys.readouterr().err


def test_map_as_data_is_plain(capsys: pytest.CaptureFixture[str]) -> None:
    """The map holds nothing but text, numbers, lists and None, so any tool can take it."""

    def check(value: Any) -> None:
        if isinstance(value, dict):
            for key, one in value.items():
                assert isinstance(key, str)
                check(one)
        elif isinstance(value, list):
            for one in value:
                check(one)
        else:
            assert value is None or isinstance(value, (str, int))

    check(board_map(load_board(BOARD)))
    assert not capsys.readouterr().out
