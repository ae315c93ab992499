"""Judge a fault plan against a board, before anything runs: everything wrong with it at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from emu.errors import DeclarationError, EmuError, nearest
from emu.faults.kind import Complaint, FaultKind
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.faults.target import TARGETS, BoardLike, Inventory, Target, inventory, resolve
from emu.kernel.board import Board

__all__ = ["FaultFlaw", "check", "full_settings"]


class FaultFlaw(NamedTuple):
    """Hold one thing wrong with a plan: the fault, what, what is allowed, nearest fix."""

    fault: FaultSpec
    what: str
    allowed: str
    fix: str


def check(plan: FaultPlan, board: Board | BoardLike) -> list[FaultFlaw]:
    """Return everything that is wrong with `plan` on `board`, in the order of the plan.

    Args:
        plan: the faults, their settings in parsed form.
        board: a board with its devices attached, or a model of one.
    """
    devices = inventory(board)
    return [
        FaultFlaw(fault, *complaint) for fault in plan for complaint in _complaints(fault, devices)
    ]


def full_settings(fault: FaultSpec, kind: FaultKind) -> dict[str, Any]:
    """Return a value for every parameter of a fault's kind."""
    return {one.name: fault.settings.get(one.name, one.default) for one in kind.parameters}


def _complaints(fault: FaultSpec, devices: Inventory) -> Iterator[Complaint]:
    yield from _about_window(fault.when)
    kind = FAULT_KINDS.get(fault.kind)
    if kind is None:
        yield Complaint(
            f"no kind of fault {fault.kind!r}",
            "" if nearest(fault.kind, FAULT_KINDS) else ", ".join(FAULT_KINDS),
            nearest(fault.kind, FAULT_KINDS),
        )
        return
    settings_wrong = list(_about_settings(fault, kind))
    yield from settings_wrong
    try:
        target = resolve(fault.target, devices)
    except DeclarationError as error:
        yield Complaint(error.what, error.allowed or _forms(kind), error.fix)
        return
    if target.sort not in kind.targets:
        yield _wrong_sort(kind, target)
    elif not settings_wrong:
        yield from kind.needs(target, full_settings(fault, kind))


def _forms(kind: FaultKind) -> str:
    return " or ".join(TARGETS[sort] for sort in kind.targets)


def _wrong_sort(kind: FaultKind, target: Target) -> Complaint:
    """Complain about a target of the wrong sort, and name one near it that would do."""
    article = "an" if target.sort == "irq" else "a"
    return Complaint(
        f"{target.path} is {article} {target.sort}, which {kind.name} does not act on",
        _forms(kind),
        _near(kind, target),
    )


def _near(kind: FaultKind, target: Target) -> str:
    """Return an example of what would do on the same device, empty when there is none."""
    device, register = target.device, target.register
    for sort in kind.targets:
        if sort == "cpu":
            return "write cpu"
        if sort == "device" and device is not None:
            return f"write {device.name}"
        if sort == "irq" and device is not None and target.irq is not None:
            return f"write {device.name}.irq"
        if sort == "field" and target.sort == "register" and register is not None:
            return nearest("", (f"{target.path}.{one.name}" for one in register.fields))
        if sort == "register" and device is not None and register is not None:
            return f"write {device.name}.{register.name}"
    return ""


def _about_settings(fault: FaultSpec, kind: FaultKind) -> Iterator[Complaint]:
    known = {one.name: one for one in kind.parameters}
    for name, value in fault.settings.items():
        if name not in known:
            allowed = ", ".join(known) or "no settings"
            yield Complaint(f"unknown setting {name!r}", allowed, nearest(name, known))
            continue
        choices = known[name].choices
        if choices is not None and value not in choices:
            yield Complaint(f"{name}={value!r}", ", ".join(str(one) for one in choices))
        elif isinstance(value, str) and _reads_as_number(known[name].parse, value):
            yield Complaint(
                f"{name}={value!r} is text", "a value in parsed form",
                "emu.faults.spell.fault reads text",
            )  # fmt: skip


def _reads_as_number(parse: Callable[[Any], Any], value: str) -> bool:
    """Say whether a setting that is given as text is one that should have been parsed."""
    try:
        return not isinstance(parse(value), str)
    except EmuError:
        return True


def _about_window(when: When) -> Iterator[Complaint]:
    if when.from_ps < 0:
        yield Complaint(f"the window begins at {when.from_ps} ps", "0 or later")
    if when.until_ps is not None and when.until_ps <= when.from_ps:
        yield Complaint(
            f"the window ends at {when.until_ps} ps, before it begins", f"after {when.from_ps} ps"
        )
    if when.first < 1:
        yield Complaint(f"first={when.first}", "1 or more")
    if when.count is not None and when.count < 1:
        yield Complaint(f"count={when.count}", "1 or more")
    if not 0 < when.probability <= 1:
        yield Complaint(f"probability={when.probability}", "above 0, up to 1")
