"""``emu size`` answers on a screen, as JSON and as CSV, and refuses what it cannot read."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from emu.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
QUICK = ["--computed-only"]


@pytest.fixture(autouse=True)
def in_the_top_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Run every command where the fixtures are."""
    monkeypatch.chdir(ROOT)


def screen(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Return what a command prints; it must succeed and fit 100 columns."""
    assert main(["size", *words]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    assert max(map(len, captured.out.splitlines())) <= 100
    return captured.out


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """Return the JSON that a command prints."""
    assert main(["size", "--json", *words]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def refusal(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Return the message of a command that must end with status 2."""
    assert main(["size", *words]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    return captured.err


@pytest.mark.slow
def test_the_screen_shows_both_sides_and_an_advice(capsys: pytest.CaptureFixture[str]) -> None:
    """Every way is there with a simulated row below it, a plot, an advice and a next step."""
    text = screen(capsys)

    for name in (
        "A bit-banged",
        "B polled byte",
        "C polled, FIFO of 16",
        "D interrupt per byte",
        "H interrupt at 14 of 16",
        "I moderated interrupts",
        "J DMA, blocks of 64",
    ):
        assert f"\n{name} " in text
    assert text.count("\n  simulated ") == 10
    assert "\n 100 % |" in text
    assert "\nAdvice: Take interrupt at 14 of 16, since the FIFO is there" in text
    assert "\nNext: emu size --sweep" in text


@pytest.mark.slow
def test_the_answer_comes_within_three_seconds(capsys: pytest.CaptureFixture[str]) -> None:
    """With defaults, everything computed and simulated takes less than 3 s of the processor."""
    begin_s = time.process_time()
    text = screen(capsys)
    taken_s = time.process_time() - begin_s

    assert text.count("\n  simulated ") == 10
    assert taken_s < 3


@pytest.mark.slow
def test_json_has_everything(capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON has the workload, each way computed and simulated, the difference and the advice."""
    found = answer(capsys)

    assert found["workload"]["line"] == "115200 8N1"
    assert found["advice"]["way"] == "interrupt at 14 of 16"
    assert len(found["ways"]) == 10
    one = next(way for way in found["ways"] if way["way"] == "interrupt at 8 of 16")
    assert set(one["computed"]) == {
        "load", "interrupts_hz", "accesses_per_byte", "worst_latency_s", "mean_latency_s",
        "tolerable_s", "loss", "highest_baud", "livelock_baud", "byte_s", "speed_up",
        "program_speed_up", "break_even_bytes", "margin",
    }  # fmt: skip
    assert one["simulated"]["load"] == pytest.approx(one["computed"]["load"], rel=0.05)
    assert abs(one["load_differs_percent"]) <= 5


def test_csv_has_a_row_for_each_way_of_each_value(capsys: pytest.CaptureFixture[str]) -> None:
    """Comma-separated values have names in the first line and one row for each way and value."""
    assert main(["size", "--csv", "--sweep", "baud=9600,115200", "--workers", "1", *QUICK]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))

    assert len(rows) == 20
    assert {row["baud"] for row in rows} == {"9600", "115200"}
    assert float(rows[3]["computed_load"]) == pytest.approx(960 * 75 / 50e6)


def test_options_change_what_a_file_says(capsys: pytest.CaptureFixture[str]) -> None:
    """A file sets everything, an option goes before it, and what neither says has its default."""
    found = answer(capsys, "fixtures/sizing/tide_gauge.yaml", "--clock", "8 MHz", "--fifo", "64",
                   "--trigger", "32", "--other", "1ms:50:after", *QUICK)["workload"]  # fmt: skip

    assert found["cpu"]["clock_hz"] == 8_000_000
    assert found["access_cycles"] == 8
    assert (found["fifo"], found["triggers"]) == (64, [32])
    assert found["others"] == [
        {"period_ps": 10**9, "handler_cycles": 50, "above": False, "jitter_ps": 0}
    ]
    assert found["masked"] == {"length_ps": 30 * 10**6, "period_ps": 5 * 10**9}


def test_every_option_is_heard(capsys: pytest.CaptureFixture[str]) -> None:
    """Each option ends up in the workload."""
    found = answer(
        capsys, "--access", "7", "--entry", "1", "--exit", "2", "--nesting", "--line", "9600 8E1",
        "--traffic", "bursty", "--use", "30 %", "--burst", "9", "--other", "none", "--masked",
        "0s", "--masked-every", "3ms", "--moderation", "2ms", "--block", "8",
        "--compute", "77", *QUICK,
    )["workload"]  # fmt: skip

    assert found["access_cycles"] == 7
    assert found["cpu"]["entry_cycles"] == 1
    assert found["cpu"]["exit_cycles"] == 2
    assert found["cpu"]["nesting"] is True
    assert found["line"] == "9600 8E1"
    assert found["traffic"] == {"pattern": "bursty", "use": 0.3, "burst_bytes": 9}
    assert found["others"] == []
    assert found["masked"] == {"length_ps": 0, "period_ps": 3 * 10**9}
    assert found["moderation_ps"] == 2 * 10**9
    assert found["dma"]["block_bytes"] == 8
    assert found["compute_cycles"] == 77


@pytest.mark.slow
def test_a_drivers_handler_is_measured(capsys: pytest.CaptureFixture[str]) -> None:
    """With a driver the handler's cost is the measured one, and the driver has a row of its own."""
    text = screen(capsys, "--driver", "drivers_example/interrupt_driven.py:InterruptDriver")

    assert "\nK InterruptDriver at 14 " in text
    assert "simulated: computed from the handler that was measured" in text


@pytest.mark.parametrize("words", [("baud=1200..921600",), ("fifo=1,4,16,64,128",)])
def test_a_sweep_fits_the_screen(words: tuple[str], capsys: pytest.CaptureFixture[str]) -> None:
    """A sweep shows a row for each value, and what to take there."""
    text = screen(capsys, "--sweep", *words, "--workers", "1", *QUICK)
    values = [1200, 9600, 921_600] if words[0].startswith("baud") else [1, 4, 128]

    for value in values:
        assert text.count(f"\n{value:>8}") == 2
    assert "What to take, with the FIFO that is there" in text


@pytest.mark.slow
def test_a_simulated_sweep_marks_what_is_lost(capsys: pytest.CaptureFixture[str]) -> None:
    """Two values simulated by two workers: computed and simulated stand beside each other."""
    text = screen(capsys, "--sweep", "baud=9600,921600", "--workers", "2")

    assert "0.052/0.052 " in text
    assert "13.8/13.8!" in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--clock", "50 MHzz"), "did you mean 'MHz'?"),
        (("--line", "9600 8X1"), "unknown parity 'X'"),
        (("--use", "0"), "allowed: above 0, up to 1 or 100 %"),
        (("--other", "often"), "PERIOD:CYCLES"),
        (("--other", "0s:20"), "has a period of 0"),
        (("--other", "1ms:60000"), "take 120 % of the processor"),
        (("--trigger", "20"), "a trigger of 20 in a FIFO of 16"),
        (("--access", "0"), "an access that takes no time"),
        (("--masked", "1s"), "follow one another without a pause"),
        (("--sweep", "bud=3"), "did you mean 'baud'?"),
        (("--json", "--csv"), "exclude each other"),
        (("--traffic", "even"), "steady"),
        (("nowhere.yaml",), "there is no such file"),
        (("fixtures/quiet.yaml",), "this is a scenario, not a sizing"),
        (("--driver", "drivers_example/polled.py:PolledDriver"), "no handler to measure"),
        (("--driver", "drivers_example/polled.py:Poled"), "polled.py:PolledDriver"),
    ],
)
def test_bad_input_is_one_message(
    words: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What cannot be read ends with status 2 and says what is allowed or meant."""
    assert message in refusal(capsys, *words)


def test_flaws_of_a_file_have_their_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A faulty file is told with file, line and column, all flaws at once."""
    path = tmp_path / "tide.yaml"
    path.write_text("clock: fast\nfifi: 3\n", encoding="utf-8")
    text = refusal(capsys, str(path))

    assert f"{path}:1:8: " in text
    assert f"{path}:2:1: unknown key 'fifi'" in text
    assert "2 flaws found" in text


def run_apart(words: list[str], stdout: int | None) -> tuple[int, str]:
    """Run ``emu size`` in a process of its own; return its exit status and what it complains of."""
    code = f"import sys; from emu.cli.main import main; sys.exit(main({['size', *words]!r}))"
    command = [sys.executable, "-c", code]
    if stdout is None:
        command = ["sh", "-c", 'exec "$@" >&-', "sh", *command]
    done = subprocess.run(command, stdout=stdout, stderr=subprocess.PIPE, text=True, check=False)
    return done.returncode, done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("form", [[], ["--json"], ["--csv", "--sweep", "fifo=1,16"]])
def test_output_that_cannot_be_written_is_one_message(form: list[str]) -> None:
    """On a full disk the program ends with status 2 and says why."""
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        status, text = run_apart([*form, *QUICK], full.fileno())

    assert status == 2
    assert text == "error: the output cannot be written: No space left on device\n"


@pytest.mark.slow
def test_a_closed_output_is_one_message() -> None:
    """Without a standard output the program says so."""
    assert run_apart(QUICK, None) == (2, "Error: standard output is closed\n")


@pytest.mark.slow
@pytest.mark.parametrize("workers", ["1", "2"])
def test_an_interrupt_ends_a_sweep_without_a_word(workers: str) -> None:
    """Ctrl-C in the middle of a sweep ends it with status 130, and no traceback."""
    words = ["size", "--sweep", "baud=300..9600", "--workers", workers]
    code = (
        "import signal, sys; from emu.cli import progress; from emu.cli.main import main\n"
        "def tell(*_): signal.raise_signal(signal.SIGINT)\n"
        "progress.Progress.tell = tell\n"
        f"sys.exit(main({words!r}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [
        ("--line", "300"),
        ("--line", "4000000"),
        ("--clock", "1 MHz"),
        ("--masked", "200us"),
        ("--masked", "5ms", "--masked-every", "6ms"),
        ("--other", "1ms:49000"),
        ("--use", "0.0001 %"),
        ("--fifo", "1", "--block", "1"),
        ("--traffic", "random", "--use", "0.0000001 %"),
    ],
)
def test_extremes_are_answered(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """However slow, fast or busy, there is a table that fits, and an advice."""
    text = screen(capsys, *words)

    assert "\nAdvice: " in text
    for line in text.splitlines():
        if line.startswith(("A ", "B ", "C ", "D ")):
            assert len(line[24:].split()) == 10
