"""Every rule finds its bug at the line to change, and lets the right code beside it pass.

The one idea: the snippets are data, a bad and a good one for each rule, found by their names; a
rule without both fails here.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from types import ModuleType

import pytest

from emu.rules.catalogue import RULES
from tests.quality.snippets import device, flow, generic, invitation, processor
from tests.quality.snippets.bench import Bench

Snippet = Callable[[Bench], None]

MODULES: dict[str, tuple[ModuleType, ...]] = {
    "generic": (generic,),
    "device": (device, flow, invitation),
    "processor": (processor,),
}
WATCHING = [rule.name for rule in RULES.values() if rule.family in MODULES]
MARK = "# <- here"


def snippet(quality: str, rule: str) -> Snippet:
    """Return the good or bad snippet of a rule."""
    name = f"{quality}_{rule.replace('-', '_')}"
    found: Snippet
    (found,) = (vars(one)[name] for one in MODULES[RULES[rule].family] if name in vars(one))
    return found


def marked_line(code: Snippet) -> int:
    """Return the line of a snippet that is to be changed."""
    lines, first = inspect.getsourcelines(code)
    (line,) = [first + index for index, text in enumerate(lines) if MARK in text]
    return line


@pytest.mark.parametrize("rule", WATCHING)
def test_bad_code_is_found_at_the_line_to_change(rule: str) -> None:
    """A bad snippet gives findings of its rule alone, all of them at the marked line."""
    code, bench = snippet("bad", rule), Bench()

    code(bench)

    found = {(one.rule, one.file, one.line) for one in bench.finish()}
    assert found == {(rule, inspect.getsourcefile(code), marked_line(code))}


@pytest.mark.parametrize("rule", WATCHING)
def test_good_code_is_let_pass(rule: str) -> None:
    """A good snippet gives no finding of any rule."""
    bench = Bench()

    snippet("good", rule)(bench)

    assert [(one.rule, one.line, one.message) for one in bench.finish()] == []


@pytest.mark.parametrize("family", MODULES)
def test_every_snippet_belongs_to_a_rule(family: str) -> None:
    """No snippet stands for a rule that is gone."""
    defined = [name for module in MODULES[family] for name in vars(module)]
    names = [name for name in defined if name.startswith(("bad_", "good_"))]
    rules = {name.partition("_")[2].replace("_", "-") for name in names}

    assert rules == {rule.name for rule in RULES.values() if rule.family == family}
