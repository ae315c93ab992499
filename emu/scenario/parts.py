"""A scenario of several drivers, taken apart: one scenario for each, as if it ran alone.

The one idea: what is asked of a driver, how long that takes and how its device is reached is the
same whoever else runs on the board. Only the order of all steps is left to the whole.
"""

from __future__ import annotations

from dataclasses import replace

from emu.scenario.model import BoardModel, Scenario

__all__ = ["controllers_beyond", "opening_order", "parts_of"]


def parts_of(scenario: Scenario) -> tuple[Scenario, ...]:
    """Return a scenario for each driver, in the order of the file; the scenario if it has one."""
    if not scenario.drivers:
        return (scenario,)
    return tuple(
        replace(
            scenario, port=one.port, driver=one.driver, line=one.line, far_end=one.far_end,
            drivers=(), steps=tuple(
                replace(step, by="")
                for step in scenario.steps
                if (step.by or scenario.port) == one.port
            ),
        )
        for one in scenario.drivers
    )  # fmt: skip


def controllers_beyond(board: BoardModel, device: str) -> list[str]:
    """Return the interrupt controllers that a device goes through, the nearest first."""
    through = {one.name: one.through for one in board.devices}
    found: list[str] = []
    while through.get(device) and through[device] not in found:
        device = through[device]
        found.append(device)
    return found


def opening_order(scenario: Scenario) -> list[str]:
    """Return the devices that are driven, those first through which others interrupt."""
    ports = [one.port for one in scenario.drivers]
    needed = {name for port in ports for name in controllers_beyond(scenario.board, port)}

    def steps_away(port: str) -> tuple[bool, int]:
        beyond = len(controllers_beyond(scenario.board, port))
        return port not in needed, beyond if port in needed else 0

    return sorted(ports, key=steps_away)
