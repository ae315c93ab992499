"""What the driver of an interrupt controller is accused of, and at which line."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

from drivers_example.dispatcher import CLAIM, ENABLE, PRIORITY, Dispatcher
from emu.scenario.from_python import scenario_of
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario

BOARD = {"name": "tide gauge", "devices": {"router": {
    "kind": "interrupt_controller", "at": 0x0C00_0000, "irq": 11,
}}}  # fmt: skip
ATTACH = ({"attach": 5, "priority": 3}, {"attach": 7})


def run(driver: type, *steps: Any) -> Outcome:
    """Run a driver with two sources, 5 before 7."""
    asked = ["open", *ATTACH, *steps]
    return run_scenario(scenario_of({"scenario": "sources", "board": BOARD, "do": asked}), driver)


def asked(*sources: int, **more: Any) -> dict[str, Any]:
    """Return a step in which sources ask for attention."""
    return {"assert": list(sources), **more}


def broken(outcome: Outcome) -> dict[str, str]:
    """Return the promises that were broken, with what broke them."""
    return {one.promise: one.detail for one in outcome.promises if not one.kept}


def line_of(function: Callable[..., Any], text: str) -> int:
    """Return the number of the line of a function that contains a text."""
    lines, first = inspect.getsourcelines(function)
    (found,) = [first + at for at, line in enumerate(lines) if text in line]
    return found


class Eager(Dispatcher):
    """Completes first."""

    def _serve(self) -> None:
        source = self._io.read32(CLAIM)
        while source:
            self._io.write32(CLAIM, source)  # too early
            self._handlers[source]()
            source = self._io.read32(CLAIM)


def test_a_completion_before_the_handler_leads_to_it() -> None:
    """A handler that is called twice for one event accuses the completion that came first."""
    outcome = run(Eager, asked(5))
    assert list(broken(outcome)) == ["once"]
    (found,) = outcome.findings
    assert (found.rule, found.line) == ("completed-too-early", line_of(Eager._serve, "too early"))


class Vain(Dispatcher):
    """Completes whether the source is enabled or not."""

    def _complete(self, source: int) -> None:
        self._io.write32(CLAIM, source)  # in vain


def test_a_completion_in_vain_leads_to_it() -> None:
    """A source that never comes again accuses the completion that was ignored."""
    late = {"attach": 9, "deferred": True}
    outcome = run(Vain, late, asked(9), "serve", asked(9))
    assert list(broken(outcome)) == ["delivered"]
    (found,) = outcome.findings
    assert (found.rule, found.line) == ("completed-in-vain", line_of(Vain._complete, "in vain"))
    assert run(Vain, asked(5), asked(7), asked(5)).clean


class Flat(Dispatcher):
    """Gives all sources the same priority."""

    def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
        """Take no notice of the priority."""
        super().attach(source, handler, 1)


def test_the_higher_priority_comes_first() -> None:
    """Of two that come at once the lower number comes first unless priorities say otherwise."""
    assert run(Flat, {"attach": 3, "priority": 1}, asked(3, 5)).promises[2].kept is False
    assert run(Dispatcher, {"attach": 3, "priority": 1}, asked(3, 5)).clean


class Open(Dispatcher):
    """Lets everything through at all times."""

    def mask(self, source: int) -> None:
        """Do nothing."""


def test_masked_is_masked() -> None:
    """A handler that is called while its source is masked breaks a promise, once unmasked none."""
    assert list(broken(run(Open, {"mask": 5}, asked(5)))) == ["masked"]
    assert run(Dispatcher, {"mask": 5}, asked(5), {"unmask": 5}, {"wait": "1 ms"}).clean


class Forgetful(Dispatcher):
    """Enables a source without a priority."""

    def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
        """Leave the priority at 0, which never interrupts."""
        super().attach(source, handler, priority)
        self._io.write32(PRIORITY + 4 * source, 0)


def test_a_source_that_waits_is_told() -> None:
    """A source that is let through and not served within bounds is told with its time."""
    assert broken(run(Forgetful, asked(7)))["delivered"].startswith("source 7 has waited for ")


def test_what_a_predecessor_left_claimed() -> None:
    """A source that somebody claimed and never completed comes again after open."""

    class Fresh(Dispatcher):
        def open(self) -> None:
            self._handlers.clear()
            self._enabled = 0
            self._io.write32(ENABLE, 0)
            self._cpu.connect(self._io.irq, self._serve)

    class Leaving(Fresh):
        left = False

        def open(self) -> None:
            if not Leaving.left:
                Leaving.left = True
                self._io.write32(PRIORITY + 4 * 5, 1)
                self._io.write32(ENABLE, 1 << 5)
            super().open()

    assert run(Leaving, asked(5)).clean
    assert run(Dispatcher, asked(5), "reopen", *ATTACH, asked(5)).clean
