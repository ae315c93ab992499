"""What a checksum driver is accused of, and at which line: small wrong drivers in one scenario.

The check value of CRC-32 over "123456789", 0xCBF43926, is that of the Catalogue of parametrised CRC
algorithms (G. Cook), and what Python's `zlib` gives.
"""

from __future__ import annotations

import inspect
import zlib
from typing import Any

import pytest

from drivers_example.message_seal import ABORT, CONTROL, DATA, LOAD, RESULT, MessageSeal
from emu import CheckSettings
from emu.scenario.from_python import scenario_of
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario

TEXT = "123456789"
BOARD = {"name": "tide gauge", "devices": {"seal": {
    "kind": "checksum_engine", "at": 0x4000_3000, "irq": 9, "cycles": 100,
}}}  # fmt: skip


def run(driver: type, *steps: Any, **more: Any) -> Outcome:
    """Run a driver, asked for the check of a text unless something else is given."""
    asked = steps or ({"compute": TEXT},)
    return run_scenario(
        scenario_of({"scenario": "a message", "board": BOARD, "do": list(asked), **more}), driver
    )


def accused(outcome: Outcome) -> dict[str, int]:
    """Return rules and lines of what a run holds against a driver."""
    return {one.rule: one.line for one in outcome.findings}


def line_of(function: Any, text: str) -> int:
    """Return the number of the line of a function that contains a text."""
    lines, first = inspect.getsourcelines(function)
    (found,) = [first + at for at, line in enumerate(lines) if text in line]
    return found


def broken(outcome: Outcome) -> list[str]:
    """Return the promises that were broken."""
    return [one.promise for one in outcome.promises if not one.kept]


def test_a_right_result_is_the_published_one() -> None:
    """A good driver returns the check value that catalogue and zlib give."""
    outcome = run(MessageSeal)
    assert outcome.clean
    assert outcome.steps[1].text == f"{zlib.crc32(TEXT.encode()):#x} for 9 bytes"
    assert zlib.crc32(TEXT.encode()) == 0xCBF4_3926


class Hasty(MessageSeal):
    """Does not wait."""

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Read the result at once."""
        self._io.write32(CONTROL, LOAD)
        self._start(data)
        return self._io.read32(RESULT)  # too early


def test_a_result_read_early_leads_to_the_read() -> None:
    """RESULT read while BUSY is up is named where the value was wrong for it."""
    outcome = run(Hasty)
    assert broken(outcome) == ["value"]
    assert accused(outcome) == {"result-read-early": line_of(Hasty, "too early")}


class Pushy(MessageSeal):
    """Writes bytes one after the other, as fast as it can."""

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Give the engine no time."""
        self._io.write32(CONTROL, LOAD)
        for byte in data:
            self._io.write32(DATA, byte)  # pushed
        self._cpu.work(5000)
        return self._io.read32(RESULT)


def test_a_refused_write_leads_to_it() -> None:
    """A byte that the engine refused is named where it was written."""
    outcome = run(Pushy)
    assert broken(outcome) == ["value"]
    assert accused(outcome) == {"refused-while-busy": line_of(Pushy, "pushed")}


class Patient(Pushy):
    """Writes bytes one after the other, and waits for each."""

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Give the engine two microseconds a byte, and one look in vain."""
        self._io.read32(RESULT)
        self._io.write32(CONTROL, LOAD)
        for byte in data:
            self._io.write32(DATA, byte)
            self._cpu.work(150)
        return self._io.read32(RESULT)


def test_another_way_to_a_right_result_is_let_pass() -> None:
    """Whoever comes to the right value is right, by bytes as well as by blocks."""
    assert run(Patient, {"compute": TEXT}, {"compute": "tide"}).clean


class Idle(MessageSeal):
    """Gives up at once."""

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Say that the time was too short."""
        return None


def test_giving_up_needs_a_reason() -> None:
    """None is an answer where the time was short, and a broken promise where it was not."""
    assert broken(run(Idle)) == ["answer"]
    assert run(Idle, {"compute": TEXT, "timeout": "10 us"}).clean


class Loud(MessageSeal):
    """Leaves its handler connected."""

    def close(self) -> None:
        """Stop the engine, and no more."""
        self._io.write32(CONTROL, ABORT)


def test_silence_after_close() -> None:
    """A handler that stays connected breaks the promise to be quiet."""
    (quiet,) = [one for one in run(Loud).promises if not one.kept]
    assert quiet.promise == "quiet"
    assert "a handler is still connected to interrupt 9" in quiet.detail


@pytest.mark.parametrize("value", [True, "0xcbf43926", 1.5], ids=repr)
def test_what_is_no_number_ends_the_run(value: object) -> None:
    """An answer that the protocol does not allow is a finding at the method."""

    class Odd(MessageSeal):
        def compute(self, data: bytes, timeout: float | None = None) -> Any:
            return value

    outcome = run(Odd)
    assert set(accused(outcome)) == {"bad-return-value"}
    assert accused(outcome)["bad-return-value"] == line_of(Odd, "def compute")


def test_a_fault_excuses_until_the_next_open() -> None:
    """What breaks while a fault acts is waived, and what breaks after a reopen is not."""
    fault = {"kind": "stuck-field", "target": "seal.RESULT.VALUE", "value": 0, "until": "2 ms"}
    steps = ({"compute": TEXT}, {"wait": "3 ms"}, "reopen", {"compute": TEXT})
    outcome = run(MessageSeal, *steps, faults=[fault])
    assert [one.promise for one in outcome.promises if one.waived] != []
    assert outcome.clean
    assert broken(run(Hasty, *steps, faults=[fault])) == ["value"]


def test_defaults_are_crc_32() -> None:
    """Settings without arguments are those of Ethernet's check (IEEE 802.3, clause 3.2.9)."""
    assert CheckSettings() == CheckSettings(32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF)
