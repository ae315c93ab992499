"""The interrupt controller against the specification that it follows.

Source of every rule: RISC-V Platform-Level Interrupt Controller Specification, version 1.0.0, March
2023; the chapter stands in each test.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule

from emu.devices.interrupt_controller import CONTEXTS, SOURCES, InterruptController
from emu.kernel.board import Board
from emu.testing import DeviceRules

SAME = settings(derandomize=True, database=None, deadline=None)


class Bench:
    """A board with a controller, spoken to at the offsets of the specification."""

    def __init__(self, edges: int = 0) -> None:
        board = Board("harbour")
        self.io = board.attach(
            InterruptController, "router", 0x0C00_0000, irq=1, settings={"edges": edges}
        )
        board.power_on()
        self.device = board.devices["router"]

    def wire(self, source: int, level: int) -> None:
        """Drive a source."""
        self.device.signals[f"source{source}"].set(level)

    def notified(self, context: int = 0) -> int:
        """Return the level of a context's wire."""
        return self.device.signals[f"context{context}"].level

    def priority(self, source: int, level: int) -> None:
        """Write a priority: base 0, 4 bytes a source (Memory Map)."""
        self.io.write32(4 * source, level)

    def enable(self, *sources: int, context: int = 0) -> None:
        """Write the enable bits: base 0x2000, 0x80 bytes a context (Memory Map)."""
        self.io.write32(0x2000 + 0x80 * context, sum(1 << one for one in sources))

    def threshold(self, level: int, context: int = 0) -> None:
        """Write a threshold: base 0x200000, 0x1000 bytes a context (Memory Map)."""
        self.io.write32(0x20_0000 + 0x1000 * context, level)

    def claim(self, context: int = 0) -> int:
        """Claim: base 0x200004, 0x1000 bytes a context (Memory Map)."""
        return self.io.read32(0x20_0004 + 0x1000 * context)

    def complete(self, source: int, context: int = 0) -> None:
        """Complete, at the same address."""
        self.io.write32(0x20_0004 + 0x1000 * context, source)

    @property
    def pending(self) -> int:
        """The pending bits: base 0x1000, bit n for source n (Memory Map)."""
        return self.io.read32(0x1000)


@pytest.fixture
def bench() -> Bench:
    """Return a controller with source 5 at priority 3, enabled for context 0."""
    bench = Bench()
    bench.priority(5, 3)
    bench.enable(5)
    return bench


def test_the_register_map() -> None:
    """Each register stands at the offset that the formula gives (Memory Map)."""
    offsets = {one.name: one.offset for one in InterruptController.REGISTERS}
    assert offsets["PRIORITY1"] == 4
    assert offsets[f"PRIORITY{SOURCES}"] == 4 * SOURCES
    assert offsets["PENDING"] == 0x1000
    for context in range(CONTEXTS):
        assert offsets[f"ENABLE{context}"] == 0x2000 + 0x80 * context
        assert offsets[f"THRESHOLD{context}"] == 0x20_0000 + 0x1000 * context
        assert offsets[f"CLAIM{context}"] == 0x20_0004 + 0x1000 * context


def test_a_claim_takes_and_a_completion_opens(bench: Bench) -> None:
    """Silent after the claim, up again once it is completed (Interrupt Completion)."""
    bench.wire(5, 1)
    assert (bench.notified(), bench.pending) == (1, 1 << 5)
    assert bench.claim() == 5
    assert (bench.notified(), bench.pending) == (0, 0)
    assert bench.claim() == 0
    bench.complete(5)
    assert (bench.notified(), bench.pending) == (1, 1 << 5)  # the level is still up


def test_a_device_that_was_served_stays_silent(bench: Bench) -> None:
    """A level that has fallen before the completion requests nothing (Interrupt Gateways)."""
    bench.wire(5, 1)
    bench.claim()
    bench.wire(5, 0)
    bench.complete(5)
    assert bench.notified() == 0


def test_a_request_is_not_taken_back(bench: Bench) -> None:
    """Once let through, a request stays although its wire falls (Interrupt Gateways)."""
    bench.wire(5, 1)
    bench.wire(5, 0)
    assert bench.notified() == 1
    assert bench.claim() == 5


def test_an_edge_during_service_waits_for_the_completion() -> None:
    """An edge source requests once; here edges before the completion are not counted."""
    bench = Bench(edges=1 << 7)
    bench.priority(7, 1)
    bench.enable(7)
    bench.wire(7, 1)
    assert bench.claim() == 7
    bench.wire(7, 0)
    bench.wire(7, 1)
    assert bench.notified() == 0
    bench.complete(7)
    assert bench.notified() == 0
    bench.wire(7, 0)
    bench.wire(7, 1)
    assert bench.claim() == 7


def test_a_completion_of_a_disabled_source_is_ignored(bench: Bench) -> None:
    """The gateway stays closed, and the source silent, until it is completed while enabled."""
    bench.wire(5, 1)
    bench.claim()
    bench.enable()
    bench.complete(5)
    bench.enable(5)
    assert bench.notified() == 0
    bench.complete(5)
    assert bench.notified() == 1


def test_a_completion_need_not_be_of_the_last_claim(bench: Bench) -> None:
    """The number is not compared with that of the last claim (Interrupt Completion)."""
    bench.priority(6, 4)
    bench.enable(5, 6)
    bench.wire(5, 1)
    bench.wire(6, 1)
    assert [bench.claim(), bench.claim()] == [6, 5]
    bench.complete(6)
    assert bench.claim() == 6


def test_the_threshold_decides_who_is_told(bench: Bench) -> None:
    """Priorities up to the threshold do not notify; a claim takes them all the same."""
    bench.threshold(3)
    bench.wire(5, 1)
    assert bench.notified() == 0
    bench.threshold(2)
    assert bench.notified() == 1
    bench.threshold(7)
    assert bench.claim() == 5


def test_priority_zero_never_interrupts(bench: Bench) -> None:
    """A source of priority 0 is pending and neither notifies nor is claimed (Priorities)."""
    bench.priority(5, 0)
    bench.wire(5, 1)
    assert (bench.pending, bench.notified(), bench.claim()) == (1 << 5, 0, 0)
    bench.priority(5, 1)
    assert bench.claim() == 5


def test_the_first_who_claims_wins(bench: Bench) -> None:
    """Every context that has the source enabled is told, the second claim finds nothing."""
    bench.enable(5, context=1)
    bench.wire(5, 1)
    assert (bench.notified(0), bench.notified(1)) == (1, 1)
    assert bench.claim(1) == 5
    assert (bench.notified(0), bench.notified(1)) == (0, 0)
    assert bench.claim(0) == 0


@given(
    priorities=st.lists(st.integers(0, 7), min_size=SOURCES, max_size=SOURCES),
    up=st.sets(st.integers(1, SOURCES)),
    enabled=st.sets(st.integers(1, SOURCES)),
    threshold=st.integers(0, 7),
)
@SAME
def test_claims_come_in_the_order_of_priority(
    priorities: list[int], up: set[int], enabled: set[int], threshold: int
) -> None:
    """The highest priority first, among equals the lowest number (Interrupt Priorities)."""
    bench = Bench()
    for source, level in enumerate(priorities, 1):
        bench.priority(source, level)
    bench.enable(*enabled)
    bench.threshold(threshold)
    for source in sorted(up):
        bench.wire(source, 1)
    expected = [one for one in up & enabled if priorities[one - 1]]
    expected.sort(key=lambda one: (-priorities[one - 1], one))
    assert bench.notified() == any(priorities[one - 1] > threshold for one in expected)
    assert [bench.claim() for _ in range(len(expected) + 1)] == [*expected, 0]


def test_a_reset_opens_every_gateway(bench: Bench) -> None:
    """A level that is up requests afresh; nothing is enabled, so nobody is told."""
    bench.wire(5, 1)
    bench.claim()
    bench.device.reset()
    assert (bench.pending, bench.notified()) == (1 << 5, 0)


class ControllerRules(DeviceRules):
    """Whatever software and sources do, the controller keeps to its declaration."""

    DEVICE = InterruptController
    BY_DEVICE = frozenset({"PENDING.SOURCE", *(f"CLAIM{one}.SOURCE" for one in range(CONTEXTS))})

    @rule(source=st.integers(1, SOURCES), level=st.integers(0, 1))
    def outside(self, source: int, level: int) -> None:
        """Drive a source of all three alike."""
        for device in self.devices:
            device.signals[f"source{source}"].set(level)


TestController = ControllerRules.TestCase
TestController.settings = settings(SAME, max_examples=40, stateful_step_count=25)
