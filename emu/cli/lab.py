"""`emu lab`: the course of broken drivers, and what can be done with one of them."""

from __future__ import annotations

from importlib import import_module

import click

__all__ = ["COMMANDS", "command"]

COMMANDS = {
    "start": ("lab_learn:start", "Copy the exercise of a lab into a folder."),
    "show": ("lab_learn:show", "Show the moment at which the driver breaks."),
    "hint": ("lab_learn:hint", "Give a hint; the next time, one that says more."),
    "grade": ("lab_learn:grade", "Grade a repair."),
    "class": ("lab_teach:grade_all", "Grade a folder of many learners' files."),
    "new": ("lab_teach:new", "Begin a lab of your own."),
    "verify": ("lab_teach:verify", "See whether labs teach what they say."),
}


class _Labs(click.Group):
    """Hold the sub-commands by name and import one only when it is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names of all commands in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """Import and return a command, or return None if there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        found: click.Command = getattr(import_module(f"emu.cli.{module}"), name)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's signature
        """Write the table of commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_line) for name, (_, help_line) in COMMANDS.items()])


@click.group(
    cls=_Labs,
    invoke_without_command=True,
    epilog="""\b
Examples
  emu lab                                  the course, and how far you are
  emu lab start 1                          copies labs/01_first_look
  emu lab show 1                           the moment at which it breaks
  emu lab grade 1 labs/01_first_look/driver.py

Exit status: 0 passed, 1 failed, 2 bad input, 130 interrupted.""",
)
@click.option("--into", type=click.Path(file_okay=False), metavar="DIR", default="labs",
              show_default=True, help="Where your exercises are.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the course as JSON.")
@click.pass_context
def command(context: click.Context, into: str, *, as_json: bool) -> int:
    """List the labs: broken drivers with a story, to be mended and graded."""
    if context.invoked_subcommand is not None:
        return 0
    import json
    import sys
    from pathlib import Path

    from emu.cli.paint import painter
    from emu.labs.course import labs
    from emu.labs.progress import Diary
    from emu.report.lab_pages import course_as_json, render_course

    course, diary = labs(), Diary(Path(into))
    if as_json:
        click.echo(json.dumps(course_as_json(course, diary), indent=2))
    else:
        click.echo(render_course(course, diary, painter(sys.stdout)), nl=False)
    return 0
