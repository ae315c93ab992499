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

    found = board_map(load_any_board(board))
    writers: dict[str, Any] = {"text": text_map, "markdown": markdown_map, "c": c_header}
    text = json.dumps(found, indent=2) + "\n" if as_json else writers[style](found)
    click.echo(text, nl=False)
