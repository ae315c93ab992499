"""`emu rules`: what a driver must not do, why it bites, and what to do instead."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from dataclasses import asdict

import click

from emu.errors import Flaw, InputError, nearest
from emu.rules.catalogue import FAMILIES, RULES, Rule

__all__ = ["command"]

_WIDTH = 100


@click.command()
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the rules as JSON.")
def command(name: str | None, *, as_json: bool) -> int:
    """List all rules, or explain the one called NAME."""
    if name is not None and name not in RULES:
        raise InputError([
            Flaw("emu rules", 0, 0, f"no rule {name!r}",
                 fix=nearest(name, RULES) or "emu rules lists them"),
        ])  # fmt: skip
    chosen = list(RULES.values()) if name is None else [RULES[name]]
    if as_json:
        click.echo(json.dumps([asdict(one) for one in chosen], indent=2))
    elif name is None:
        click.echo("\n".join(_list(chosen)))
    else:
        click.echo("\n".join(_explain(chosen[0])))
    return 0


def _list(rules: list[Rule]) -> Iterator[str]:
    width = max(len(one.name) for one in rules)
    for number, (family, meaning) in enumerate(FAMILIES.items()):
        if number:
            yield ""
        yield f"{family} rules {meaning}"
        for one in rules:
            if one.family == family:
                yield from textwrap.wrap(
                    one.watches,
                    _WIDTH,
                    initial_indent=f"  {one.name:<{width}}  ",
                    subsequent_indent=" " * (width + 4),
                )
    yield ""
    yield "Next: emu rules NAME says why a rule bites and what to do instead"


def _explain(one: Rule) -> Iterator[str]:
    yield f"{one.name} ({one.family})"
    for label, text in (("sees", one.watches), ("why", one.why), ("do", one.instead)):
        yield from textwrap.wrap(
            text, _WIDTH, initial_indent=f"  {label:<5} ", subsequent_indent=" " * 8
        )
    yield ""
    yield "Next: emu run SCENARIO --timeline shows the accesses around a finding"
