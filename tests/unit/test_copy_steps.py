"""What a scenario file may ask of a copy driver."""

from __future__ import annotations

from typing import Any

import pytest

from drivers_example.log_mover import LogMover
from emu.errors import AccessError, InputError
from emu.scenario.from_python import scenario_of
from emu.scenario.written import scenario_as_plain
from tests.copy_bench import body, piece, run


def test_without_memory_nothing_can_be_moved() -> None:
    """A board that gives the driver no memory is refused, and what to add is said."""
    devices = {"mover": {"kind": "dma", "at": 0x4000_3000, "irq": 7}}
    with pytest.raises(AccessError, match="beside"):
        run(LogMover, board={"name": "b", "devices": devices})


@pytest.mark.parametrize(
    "step", [{"copy": piece(40, 0x800, 0x810)}, {"chain": [piece(), piece(8, 0x1100, 0x1020)]}]
)
def test_buffers_that_overlap_are_refused(step: dict[str, Any]) -> None:
    """What no driver could move is a flaw of the file."""
    with pytest.raises(InputError, match="overlap"):
        scenario_of(body(step))


def test_a_chain_has_an_end() -> None:
    """More pieces than the driver has room for are a flaw of the file."""
    pieces = [piece(4, 0x800 + 8 * one, 0x1000 + 8 * one) for one in range(17)]
    assert run(LogMover, {"chain": pieces[:16]}).clean
    with pytest.raises(InputError, match="at most 16"):
        scenario_of(body({"chain": pieces}))


def test_what_is_written_reads_back() -> None:
    """Steps of a copy driver survive the way to a file and back."""
    scenario = scenario_of(
        body({"copy": piece()}, {"chain": [piece(), piece(8, 0x1100, 0x1200)], "timeout": "1 ms"})
    )
    assert scenario_of(scenario_as_plain(scenario)).steps[1].values == scenario.steps[1].values
