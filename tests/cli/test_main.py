"""The command line finds its sub-commands late and ends every error with one clear message."""

from __future__ import annotations

import subprocess
import sys
from types import ModuleType

import click
import pytest

from emu.cli import main as main_module
from emu.cli.main import COMMANDS, main
from emu.errors import EmuError, Flaw, InputError


class GaugeModule(ModuleType):
    """Stand for a command's file; its command is set by each test."""

    command: object


@pytest.fixture
def gauge(monkeypatch: pytest.MonkeyPatch) -> GaugeModule:
    """Put one command ``gauge`` in place of all commands; a test sets what it does."""
    module = GaugeModule("gauge_command")
    monkeypatch.setitem(sys.modules, "gauge_command", module)
    table = {"gauge": ("gauge_command:command", "Read the float.")}
    monkeypatch.setattr(main_module, "COMMANDS", table)
    return module


def command_raising(error: BaseException) -> click.Command:
    """Make a command that does nothing but raise `error`."""

    @click.command()
    def command() -> None:
        raise error

    return command


@pytest.mark.parametrize("option", ["--help", "-h"])
def test_help_shows_every_command(option: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The help names all commands with what they do, in the order of the table, and succeeds."""
    assert main([option]) == 0

    text = capsys.readouterr().out
    places = [text.index(f"  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert all(help_line in text for _, help_line in COMMANDS.values())


def test_help_fits_100_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """No line of the help is wider than the output may be."""
    main(["--help"])

    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 100


def test_help_imports_no_command(gauge: GaugeModule, capsys: pytest.CaptureFixture[str]) -> None:
    """The help is printed from the table alone, even where the module holds no command."""
    assert main(["--help"]) == 0
    assert "Read the float." in capsys.readouterr().out
    assert not hasattr(gauge, "command")


def test_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """The version is that of the installed distribution."""
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == "emu, version 0.1.0\n"


def test_no_command_shows_the_help_as_an_error(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing asked is bad input, answered with the help on standard error."""
    assert main([]) == 2
    assert "Usage: emu" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        ("rn", "no command 'rn'; did you mean 'run'?"),
        ("RULES", "no command 'RULES'; did you mean 'rules'?"),
        ("zzz", f"no command 'zzz'; known: {', '.join(sorted(COMMANDS))}"),
    ],
)
def test_unknown_command_names_the_nearest(
    word: str, hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt command is bad input, and the message has the nearest one."""
    assert main([word]) == 2
    assert hint in capsys.readouterr().err


def test_unknown_option_is_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong option ends with status 2 and a message, not with a traceback."""
    assert main(["--colour"]) == 2
    assert "--colour" in capsys.readouterr().err


@pytest.mark.parametrize(("result", "status"), [(None, 0), (0, 0), (1, 1)])
def test_a_command_returns_the_exit_status(
    gauge: GaugeModule, result: int | None, status: int
) -> None:
    """What a command returns is the exit status; nothing returned means clean."""
    gauge.command = click.Command("gauge", callback=lambda: result)

    assert main(["gauge"]) == status


def test_a_command_may_leave_with_a_status(gauge: GaugeModule) -> None:
    """Leaving by way of click's context gives the status named there."""
    gauge.command = command_raising(click.exceptions.Exit(1))

    assert main(["gauge"]) == 1


def test_an_error_is_one_message(gauge: GaugeModule, capsys: pytest.CaptureFixture[str]) -> None:
    """An error of the bench ends with status 2 and its text on standard error alone."""
    error = EmuError("no such board", where="tide.yaml:2:8", fix="did you mean 'harbour'?")
    gauge.command = command_raising(error)

    assert main(["gauge"]) == 2

    out, err = capsys.readouterr()
    assert out == ""
    assert err == "error: tide.yaml:2:8: no such board; did you mean 'harbour'?\n"


@pytest.mark.parametrize(("lines", "count"), [([3], []), ([3, 9], ["2 flaws found"])])
def test_all_flaws_are_listed_and_counted(
    gauge: GaugeModule, lines: list[int], count: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Bad input lists each flaw on a line of its own, and several end with their number."""
    flaws = [Flaw("tide.yaml", line, 1, "unknown key 'bord'") for line in lines]
    gauge.command = command_raising(InputError(flaws))

    assert main(["gauge"]) == 2

    listed = [f"tide.yaml:{line}:1: unknown key 'bord'" for line in lines]
    assert capsys.readouterr().err.splitlines() == [*listed, *count]


@pytest.mark.parametrize("kind", [KeyboardInterrupt, click.Abort])
def test_an_interrupt_is_quiet(
    gauge: GaugeModule, kind: type[BaseException], capsys: pytest.CaptureFixture[str]
) -> None:
    """Control-C ends with the status that shells give to it, and prints nothing."""
    gauge.command = command_raising(kind())

    assert main(["gauge"]) == 130
    assert capsys.readouterr() == ("", "")


def test_a_failure_of_a_command_itself_is_bad_input(gauge: GaugeModule) -> None:
    """Click's general error never looks like a failed driver, which is status 1."""
    gauge.command = command_raising(click.ClickException("no such file"))

    assert main(["gauge"]) == 2


def test_a_table_entry_must_hold_a_command(gauge: GaugeModule) -> None:
    """A table that leads to something else is a fault of ours, and says where."""
    gauge.command = "not a command"

    with pytest.raises(TypeError, match="gauge_command:command is a str"):
        main(["gauge"])


@pytest.mark.parametrize("words", [["--help"], ["--version"]])
def test_a_closed_pipe_is_quiet(words: list[str]) -> None:
    """When the reader of the output has gone, the program ends without a word."""
    code = f"import sys; from emu.cli.main import main; sys.exit(main({words!r}))"
    command = [sys.executable, "-c", code]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None

    with process.stderr as errors:
        text = errors.read()

    assert process.wait(timeout=60) == 141
    assert text == b""


def test_the_shell_gets_its_completions(
    monkeypatch: pytest.MonkeyPatch, gauge: GaugeModule, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pressing tab after the program's name offers the commands."""
    gauge.command = click.Command("gauge", help="Read the float.")
    monkeypatch.setenv("_EMU_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", "emu ga")
    monkeypatch.setenv("COMP_CWORD", "1")

    assert main([]) == 0
    assert capsys.readouterr().out == "plain,gauge\n"
