"""The command `emu`: finds the sub-command, and turns whatever went wrong into an exit status.

The one idea: a table says which module holds which command, and a module is imported only when
its command is used, so that the help comes at once. Exit status: 0 clean, 1 the driver failed,
2 bad input with one clear message, 130 interrupted, 141 the reader of the output went away.
What the commands do is left to their own files.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module

import click

from emu.errors import EmuError, InputError, nearest

__all__ = ["COMMANDS", "LazyGroup", "cli", "main"]

COMMANDS = {
    "run": ("emu.cli.run:command", "Run a driver in a scenario and give a verdict."),
    "check": (
        "emu.cli.check:command",
        "Try a driver with everything; needs nothing but the driver.",
    ),
    "hunt": (
        "emu.cli.hunt:command",
        "Run a scenario at every timing, for the smallest that fails.",
    ),
    "replay": ("emu.cli.replay:command", "Run a failing case again, exactly."),
    "size": (
        "emu.cli.size:command",
        "Compare polling, interrupts, FIFO and DMA for a workload.",
    ),
    "lab": ("emu.cli.lab:command", "Mend broken drivers, and be graded honestly."),
    "map": ("emu.cli.map:command", "Print a board's memory map and registers."),
    "rules": (
        "emu.cli.rules:command",
        "List what a driver must not do, why, and what to do instead.",
    ),
    "faults": ("emu.cli.faults:command", "List what can be made to go wrong in a scenario."),
}

_PROGRAM = "emu"
_COMPLETION_VARIABLE = "_EMU_COMPLETE"
_BAD_INPUT = 2
_INTERRUPTED = 130
_PIPE_CLOSED = 141


class LazyGroup(click.Group):
    """Hold sub-commands by name and import one only when it is used.

    A command returns its exit status, or None for 0.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names of all commands in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """Import and return a command, or return None if there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command = getattr(import_module(module), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(f"{module}:{attribute} is a {type(command).__name__}, not a command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that `args` begin with; a usage error names the nearest one."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-") and not ctx.resilient_parsing:
            raise click.UsageError(f"no command {name!r}; {_hint(name)}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's signature
        """Write the table of commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_line) for name, (_, help_line) in COMMANDS.items()])


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="""\b
Begin with
  emu run fixtures/first_day.yaml          a driver, and what is wrong with it
  emu map fixtures/tide_gauge.yaml         the registers it has to do with
  emu run SCENARIO --driver FILE.py:CLASS  your driver in the same scenario

\b
emu COMMAND --help says what a command takes.
Exit status: 0 clean, 1 the driver failed, 2 bad input.""",
)
@click.version_option(package_name="emu-bench", prog_name=_PROGRAM)
def cli() -> None:
    """Run, measure and break driver code on a virtual bench before the hardware exists."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status; no error shows a traceback.

    Args:
        arguments: words after the program's name; those of the process by default.

    Side effects: writes to standard output and standard error.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        status = _run(words)
        sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_output()
        return _PIPE_CLOSED
    except OSError as error:
        if error.filename is not None:  # not the output
            raise
        _let_go_of_output()
        click.echo(f"error: the output cannot be written: {error.strerror}", err=True)
        return _BAD_INPUT
    except (KeyboardInterrupt, click.Abort):
        return _INTERRUPTED
    except click.ClickException as error:
        error.show()
        return _BAD_INPUT
    except EmuError as error:
        click.echo(_error_text(error), err=True)
        return _BAD_INPUT
    return status


def _run(words: list[str]) -> int:
    """Run the command named in `words` and return its exit status."""
    if sys.stdout is None:
        raise click.ClickException("standard output is closed")
    if _COMPLETION_VARIABLE in os.environ:
        return _complete(os.environ[_COMPLETION_VARIABLE])
    try:
        with cli.make_context(_PROGRAM, words) as context:
            result: object = cli.invoke(context)
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    return result if isinstance(result, int) else 0


def _complete(instruction: str) -> int:
    """Answer the shell's question for completions."""
    from click.shell_completion import shell_complete

    return shell_complete(cli, {}, _PROGRAM, _COMPLETION_VARIABLE, instruction)


def _hint(name: str) -> str:
    """Return the command nearest to `name`, or where all of them are listed."""
    return nearest(name, COMMANDS) or f"'{_PROGRAM} --help' lists them"


def _error_text(error: EmuError) -> str:
    """Return what to tell the user: one message, or each flaw on a line and their count."""
    if not isinstance(error, InputError):
        return f"error: {error}"
    count = len(error.flaws)
    return f"{error}\n{count} flaws found" if count > 1 else str(error)


def _let_go_of_output() -> None:
    """Give standard output somewhere to go, so that the exit flush has nothing to complain of."""
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, sys.stdout.fileno())
    os.close(sink)


if __name__ == "__main__":
    sys.exit(main())
