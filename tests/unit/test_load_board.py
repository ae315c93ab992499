"""A board file says what is on a board; whatever cannot be built is told at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.errors import InputError
from emu.kernel.board import BusSettings, CpuSettings, LineRules
from emu.scenario.load import load_any_board, load_board, parse_board
from emu.scenario.model import BoardModel, DeviceModel

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEVICES = "devices:\n  telemetry: {kind: uart16550, at: 0x40001000, stride: 4, irq: 5}\n"


def flaws_of(text: str) -> list[str]:
    """Return the messages with which a board is refused."""
    with pytest.raises(InputError) as caught:
        parse_board(text, path="gauge.yaml")
    return [str(flaw) for flaw in caught.value.flaws]


def test_board_of_the_project() -> None:
    """The tide gauge has its two serial ports and its memory, each with its interrupt."""
    model = load_board(FIXTURES / "tide_gauge.yaml")

    assert model.name == "tide gauge"
    assert [(one.name, one.kind, one.irq) for one in model.devices] == [
        ("telemetry", "uart16550", 5),
        ("console", "uart16550", 6),
        ("memory", "ram", None),
    ]
    assert {number: rules.priority for number, rules in model.interrupts.items()} == {5: 2, 6: 1}


def test_every_key_arrives() -> None:
    """Each key of a board file sets what it says, in the unit that the bench counts in."""
    model = parse_board(
        """
name: everything
cpu: {clock: 25 MHz, entry: 1, exit: 2 cycles, time: 3, nesting: true}
bus: {width: 64, endian: big, access: 7, address: 40}
devices:
  telemetry:
    kind: uart16550
    at: 0x1000000000
    stride: 8
    access: [8, 64]
    wait: 4
    irq: 9
    size: 1 KiB
    clock: 14.7456 MHz
    fifo: 64
interrupts:
  9: {priority: 3, trigger: edge, shared: true, moderation: 100 us}
  10: {software: true}
"""
    )

    assert model == BoardModel(
        name="everything",
        cpu=CpuSettings(25_000_000, 1, 2, 3, nesting=True),
        bus=BusSettings(64, big_endian=True, access_cycles=7, address_bits=40),
        devices=(
            DeviceModel(
                "telemetry", "uart16550", 0x1000000000, {"clock": 14_745_600, "fifo": 64},
                stride=8, widths=(8, 64), wait_cycles=4, irq=9, size=1024,
            ),
        ),
        interrupts={
            9: LineRules(3, edge=True, shared=True, moderation_ps=100_000_000),
            10: LineRules(software=True),
        },
    )  # fmt: skip


def test_what_is_left_out_has_the_defaults_of_the_model() -> None:
    """A board file need not say more than which devices there are."""
    model = parse_board(DEVICES)

    assert model == BoardModel(
        devices=(DeviceModel("telemetry", "uart16550", 0x40001000, stride=4, irq=5),)
    )


def test_one_access_width_needs_no_list() -> None:
    """``access: 8`` is ``access: [8]``."""
    model = parse_board("devices:\n  telemetry: {kind: uart16550, at: 0, access: 8}\n")

    assert model.devices[0].widths == (8,)


def test_a_parameter_called_size_goes_to_the_device() -> None:
    """Memory takes its size as a parameter of its own, not as room on the bus."""
    model = parse_board("devices:\n  memory: {kind: ram, at: 0, size: 4 KiB}\n")

    assert (model.devices[0].settings, model.devices[0].size) == ({"size": 4096}, None)


def test_overlap_names_both_ranges_and_the_next_free_address() -> None:
    """Two devices at one address are told with both ranges, at the address of the second."""
    [flaw] = flaws_of(DEVICES + "  memory: {kind: ram, at: 0x40001000, size: 16 B}\n")

    assert flaw == (
        "gauge.yaml:3:27: device memory: 0x40001000-0x4000100f overlaps telemetry at "
        "0x40001000-0x4000101f; the next free address is 0x40001020"
    )


def test_every_flaw_of_a_board_is_told() -> None:
    """Flaws of different kinds in different devices come together."""
    found = flaws_of(
        DEVICES
        + "  console: {kind: uart16550, at: 0x40001000, irq: 5}\n"
        + "  memory: {kind: ram, at: -1}\n"
        + "cpu: {clock: fast}\n"
    )

    assert len(found) == 4
    assert [line.split(": ")[0] for line in found] == [
        "gauge.yaml:3:34",
        "gauge.yaml:3:51",
        "gauge.yaml:4:27",
        "gauge.yaml:5:14",
    ]


def test_shared_line_may_be_claimed_twice() -> None:
    """A line that is declared shared may have two devices."""
    text = DEVICES + "  console: {kind: uart16550, at: 0x40002000, irq: 5}\n"

    model = parse_board(text + "interrupts: {5: {shared: true}}\n")

    assert [one.irq for one in model.devices] == [5, 5]


def test_unknown_device_kind_names_the_nearest() -> None:
    """A slip in a kind of device is answered with the kind that was meant."""
    assert flaws_of("devices:\n  memory: {kind: rma, at: 0}\n") == [
        "gauge.yaml:2:18: no device kind 'rma'; did you mean 'ram'?"
    ]


@pytest.mark.parametrize("path", ["tide_gauge.yaml", "quiet.yaml"])
def test_any_board(path: str) -> None:
    """A board comes from a board file as well as from a scenario that names one, which is told."""
    board, of_scenario = load_any_board(FIXTURES / path)

    assert board.name == "tide gauge"
    assert of_scenario == (path == "quiet.yaml")
