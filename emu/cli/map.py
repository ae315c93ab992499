"""The command `emu map`: print a board's memory map and registers."""

from __future__ import annotations

import json
from typing import Any

import click

__all__ = ["command"]


@click.command("map")
@click.argument("board", type=click.Path())
@click.option(
    "--format",
    "style",
    type=click.Choice(["text", "markdown", "c"]),
    default="text",
    show_default=True,
    help="Write text, Markdown with tables, or a C header.",
)
@click.option("--json", "as_json", is_flag=True, help="Write the map as JSON.")
def command(board: str, style: str, as_json: bool) -> None:
    """Print the memory map and all registers of BOARD.

    BOARD is a board file, or a scenario file, of which the board is shown.
    """
    from emu.scenario.c_header import c_header
    from emu.scenario.load import load_any_board
    from emu.scenario.memory_map import board_map, markdown_map, text_map

    model, of_scenario = load_any_board(board)
    found = board_map(model)
    writers: dict[str, Any] = {"text": text_map, "markdown": markdown_map, "c": c_header}
    text = json.dumps(found, indent=2) + "\n" if as_json else writers[style](found)
    click.echo(text, nl=False)
    if style == "text" and not as_json:
        click.echo(f"\nNext: {_next_step(board, of_scenario=of_scenario)}")


def _next_step(path: str, *, of_scenario: bool) -> str:
    """Return what whoever looked at the board of a file may want to do now."""
    if of_scenario:
        return f"emu run {path} runs the scenario that this board belongs to"
    return f"emu map {path} --format c writes a header for a driver in C"
