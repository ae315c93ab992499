"""The DMA controller: items and bytes, bursts and aborts, errors, descriptors, and its declaration.

The map is our own, so what is checked is what the map and the notes of the device say.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.devices.dma import Dma
from emu.devices.dma_monitor import Nobody, Span
from emu.devices.watchdog import RESET_KEY, Watchdog
from emu.kernel.board import Board
from emu.testing import DeviceRules
from tests.dma_bench import (
    ABORT,
    ABORTED,
    BUSY,
    CIRCULAR,
    CONFIG,
    CONFIG_ERROR,
    CONTROL,
    COUNT,
    DESCRIPTOR_ERROR,
    DESTINATION,
    DONE,
    DONE_IRQ,
    DOORBELL,
    ERROR,
    ERROR_IRQ,
    FAULT,
    HALF,
    HALF_IRQ,
    LEFT,
    LOG,
    NEXT,
    OWN,
    PENDING,
    READ_ERROR,
    SOURCE,
    STARVED,
    STATUS,
    STEP_BOTH,
    STEP_DESTINATION,
    STEP_SOURCE,
    WRITE_ERROR,
    Bench,
)

SAME = settings(derandomize=True, database=None, deadline=None)
NOWHERE = 0x9000_0000


@pytest.fixture
def bench() -> Bench:
    """Return a board with memory and an engine of 1 MHz: a beat is a microsecond."""
    return Bench()


# items


@pytest.mark.parametrize("width", [1, 2, 4])
def test_count_is_items_of_the_width(bench: Bench, width: int) -> None:
    """COUNT items of the width are moved, one a beat, and not a byte more."""
    bench.ram[0:64] = bytes(range(64))
    bench.start(LOG, LOG + 0x100, 5, STEP_BOTH | width // 2)
    bench.run(us=6)
    assert bench.ram[0x100:0x140] == bytes(range(5 * width)) + bytes(64 - 5 * width)
    assert bench.read(STATUS) == DONE | HALF


@SAME
@given(
    count=st.integers(1, 40), shift=st.integers(0, 2),
    steps=st.sampled_from([0, STEP_SOURCE, STEP_DESTINATION, STEP_BOTH]),
)  # fmt: skip
def test_moves_what_a_loop_over_the_items_would(count: int, shift: int, steps: int) -> None:
    """Memory afterwards is that of a plain loop, whatever the width, the count and the steps."""
    bench, width = Bench(), 1 << shift
    bench.ram[:] = bytes(one * 7 & 0xFF for one in range(len(bench.ram)))
    expected = bytearray(bench.ram)
    for item in range(count):
        source = item * width if steps & STEP_SOURCE else 0
        destination = 0x200 + (item * width if steps & STEP_DESTINATION else 0)
        expected[destination : destination + width] = expected[source : source + width]
    bench.start(LOG, LOG + 0x200, count, steps | shift)
    bench.run(us=count + 1)
    assert bench.ram == expected
    assert bench.read(STATUS) & (BUSY | DONE) == DONE


def test_the_engine_has_a_clock_of_its_own(bench: Bench) -> None:
    """The n-th item moves at the n-th beat after the start, though the processor does nothing."""
    bench.start(LOG, LOG + 0x100, 10, STEP_BOTH)
    assert [bench.left_after(us=1) for _ in range(10)] == [9, 8, 7, 6, 5, 4, 3, 2, 1, 0]


def test_it_costs_the_driver_neither_time_nor_rows(bench: Bench) -> None:
    """What the engine moves is on no tape of the driver, and is none of its accesses."""
    bench.start(LOG, LOG + 0x100, 10, STEP_BOTH)
    before = bench.board.bus.accesses(), len(bench.board.journal.entries)
    bench.run(us=20)
    assert bench.read(STATUS) & DONE
    assert (bench.board.bus.accesses(), len(bench.board.journal.entries)) == before


# flags and interrupts


def test_half_and_done_rise_in_their_beats(bench: Bench) -> None:
    """HALF rises when no more than half is left, DONE with the last item, and BUSY falls then."""
    bench.start(LOG, LOG + 0x100, 4, STEP_BOTH)
    seen = []
    for _ in range(4):
        bench.run(us=1)
        seen.append(bench.read(STATUS))
    assert seen == [BUSY, BUSY | HALF, BUSY | HALF, HALF | DONE]


@pytest.mark.parametrize(("count", "after"), [(1, 1), (2, 1), (5, 3), (6, 3)])
def test_half_is_no_more_than_half_left(bench: Bench, count: int, after: int) -> None:
    """Of an odd number of items the middle one counts to the first half."""
    bench.start(LOG, LOG + 0x100, count, STEP_BOTH)
    bench.run(us=after - 1)
    assert not bench.read(STATUS) & HALF
    bench.run(us=1)
    assert bench.read(STATUS) & HALF


@pytest.mark.parametrize(("enable", "rises_us"), [(0, None), (HALF_IRQ, 2), (DONE_IRQ, 4)])
def test_each_flag_interrupts_by_its_own_enable(
    bench: Bench, enable: int, rises_us: int | None
) -> None:
    """The line rises with the flag that is enabled, and falls when a 1 is written to that flag."""
    bench.write(CONTROL, enable)
    bench.start(LOG, LOG + 0x100, 4, STEP_BOTH, control=enable)
    rose = [bench.level_after(us=1) for _ in range(6)]
    assert rose == [int(rises_us is not None and us >= rises_us) for us in range(1, 7)]
    bench.write(STATUS, 0)
    assert bench.dma.irq.level == rose[-1]
    assert bench.io.read32(PENDING) == rose[-1]
    bench.write(STATUS, HALF | DONE)
    assert (bench.dma.irq.level, bench.io.read32(PENDING)) == (0, 0)


def test_status_keeps_what_is_not_written_as_one(bench: Bench) -> None:
    """Clearing DONE leaves HALF, and BUSY cannot be written."""
    bench.start(LOG, LOG + 0x100, 4, STEP_BOTH)
    bench.run(us=5)
    bench.write(STATUS, DONE | BUSY)
    assert bench.read(STATUS) == HALF


# while it is busy


def test_a_busy_channel_ignores_its_settings(bench: Bench) -> None:
    """While BUSY is up another start and writes to the settings change nothing."""
    bench.ram[0:16] = bytes(range(16))
    bench.start(LOG, LOG + 0x100, 8, STEP_BOTH)
    bench.run(us=2)
    bench.start(NOWHERE, NOWHERE, 1, 0)
    bench.run(us=10)
    assert (bench.read(COUNT), bench.read(SOURCE), bench.read(DESTINATION)) == (8, LOG, LOG + 0x100)
    assert bench.ram[0x100:0x108] == bytes(range(8))
    assert bench.read(STATUS) == DONE | HALF


def test_an_abort_takes_effect_after_the_burst(bench: Bench) -> None:
    """The engine goes on writing to the end of its burst of four, and BUSY stays up until then."""
    bench.ram[0:16] = b"harbour and tide"
    bench.start(LOG, LOG + 0x100, 16, STEP_BOTH)
    bench.run(us=1)
    bench.write(CONTROL, ABORT)
    assert bench.read(STATUS) & BUSY
    bench.run(us=3)
    assert (bench.read(STATUS), bench.read(LEFT)) == (BUSY, 12)
    bench.run(us=1)
    assert (bench.read(STATUS), bench.read(LEFT)) == (ABORTED, 12)
    bench.run(us=20)
    assert bench.ram[0x100:0x110] == b"harb" + bytes(12)


def test_an_abort_tells_nobody(bench: Bench) -> None:
    """With every interrupt enabled an abort raises none: whoever waits for DONE waits in vain."""
    enables = HALF_IRQ | DONE_IRQ | ERROR_IRQ
    bench.start(LOG, LOG + 0x100, 100, STEP_BOTH, control=enables)
    bench.write(CONTROL, enables | ABORT)
    bench.run(us=200)
    assert (bench.read(STATUS), bench.dma.irq.level) == (ABORTED, 0)


def test_an_abort_of_an_idle_channel_does_nothing(bench: Bench) -> None:
    """It is not kept for the next transfer."""
    bench.write(CONTROL, ABORT)
    bench.run(us=5)
    bench.start(LOG, LOG + 0x100, 8, STEP_BOTH)
    bench.run(us=10)
    assert bench.read(STATUS) == HALF | DONE


def test_an_abort_that_comes_too_late_is_not_kept(bench: Bench) -> None:
    """A transfer that ends within its burst is done, and the next one is not aborted."""
    bench.start(LOG, LOG + 0x100, 3, STEP_BOTH)
    bench.run(us=1)
    bench.write(CONTROL, ABORT)
    bench.run(us=3)
    assert bench.read(STATUS) == HALF | DONE
    bench.start(LOG, LOG + 0x100, 20, STEP_BOTH)
    bench.run(us=21)
    assert (bench.read(STATUS), bench.read(LEFT)) == (HALF | DONE, 0)


def test_channels_take_turns_by_bursts(bench: Bench) -> None:
    """Two channels that are ready move four items each in turn."""
    order: list[int] = []

    class Note(Nobody):
        def moved(self, channel: int, address: int, size_bytes: int) -> None:
            order.append(channel)

    bench.dma.monitor = Note()
    bench.start(LOG, LOG + 0x100, 6, STEP_BOTH, channel=2)
    bench.start(LOG, LOG + 0x200, 6, STEP_BOTH, channel=0)
    bench.run(us=13)
    assert order == [2, 2, 2, 2, 0, 0, 0, 0, 2, 2, 0, 0]


def test_a_circular_channel_goes_round(bench: Bench) -> None:
    """LEFT goes from 1 back to COUNT, HALF and DONE rise in each round, and BUSY stays up."""
    bench.start(LOG, LOG + 0x100, 4, STEP_BOTH | CIRCULAR)
    assert [bench.left_after(us=1) for _ in range(6)] == [3, 2, 1, 4, 3, 2]
    assert bench.read(STATUS) == BUSY | HALF | DONE
    bench.write(STATUS, HALF | DONE)
    bench.run(us=2)
    assert bench.read(STATUS) == BUSY | DONE
    bench.run(us=2)
    assert bench.read(STATUS) == BUSY | HALF | DONE


# errors


@pytest.mark.parametrize(
    ("spans", "cause", "left"),
    [
        ((LOG + 0x3FE, LOG), READ_ERROR, (LOG + 0x400, 2)),
        ((LOG, LOG + 0x3FD), WRITE_ERROR, (LOG + 0x400, 1)),
        ((NOWHERE, LOG), READ_ERROR, (NOWHERE, 4)),
    ],
)
def test_a_bus_error_stops_the_channel(
    bench: Bench, spans: tuple[int, int], cause: int, left: tuple[int, int]
) -> None:
    """Where nothing answers the channel stops at that item: ERROR, which side, and the address."""
    bench.start(*spans, 4, STEP_BOTH, control=ERROR_IRQ)
    bench.run(us=10)
    assert bench.read(STATUS) & ~HALF == ERROR | cause
    assert (bench.read(FAULT), bench.read(LEFT)) == left
    assert bench.dma.irq.level == 1


def test_an_error_that_is_not_enabled_is_silent(bench: Bench) -> None:
    """Who enables DONE alone is not told of an error."""
    bench.start(NOWHERE, LOG, 4, STEP_BOTH, control=DONE_IRQ)
    bench.run(us=10)
    assert (bench.read(STATUS) & ERROR, bench.dma.irq.level) == (ERROR, 0)


@pytest.mark.parametrize(
    ("count", "config", "source"),
    [(0, STEP_BOTH, LOG), (1, 3, LOG), (1, 2, LOG + 2), (1, 1, LOG + 1), (1, 0x10, LOG)],
    ids=["no items", "no such width", "4 misaligned", "2 misaligned", "no such request"],
)
def test_what_cannot_be_done_is_an_error_at_the_start(
    bench: Bench, count: int, config: int, source: int
) -> None:
    """A start that makes no sense ends at once with CONFIG_ERROR, and nothing is moved."""
    bench.ram[0:16] = b"harbour and tide"
    bench.start(source, LOG + 0x100, count, config)
    assert bench.read(STATUS) == ERROR | CONFIG_ERROR
    bench.run(us=10)
    assert not any(bench.ram[0x100:0x110])


# descriptors


def test_a_chain_is_followed_to_its_end(bench: Bench) -> None:
    """Each descriptor is read in a beat, done, given back without OWN, and the last one ends it."""
    bench.ram[0:8] = b"ebbflood"
    bench.descriptor(0x300, LOG, LOG + 0x100, 3, STEP_BOTH, following=LOG + 0x310)
    bench.descriptor(0x310, LOG + 3, LOG + 0x180, 5, STEP_BOTH, following=0)
    bench.ring(LOG + 0x300)
    bench.run(us=4)
    assert bench.ram[0x100:0x103] == b"ebb"
    assert (bench.word(0x300) & OWN, bench.read(STATUS)) == (0, BUSY | HALF | DONE)
    bench.run(us=6)
    assert bench.ram[0x180:0x185] == b"flood"
    assert (bench.word(0x310) & (OWN | 0xFFFF), bench.read(NEXT)) == (0, 0)
    assert bench.read(STATUS) == HALF | DONE


def test_a_doorbell_before_ownership_starves(bench: Bench) -> None:
    """The engine looks at once: a descriptor that is not its own stops it until the next ring."""
    bench.descriptor(0x300, LOG, LOG + 0x100, 3, STEP_BOTH, own=0)
    bench.ring(LOG + 0x300)
    bench.run(us=2)
    assert (bench.read(STATUS), bench.read(NEXT)) == (STARVED, LOG + 0x300)
    bench.ram[0x303] |= 0x80
    bench.run(us=10)
    assert bench.read(STATUS) == STARVED
    bench.write(DOORBELL, 1)
    bench.run(us=5)
    assert bench.read(STATUS) == STARVED | HALF | DONE


def test_a_descriptor_of_the_engine_is_taken_as_it_is(bench: Bench) -> None:
    """Who sets OWN before the address has the engine use the old address."""
    bench.ram[0:3] = b"ebb"
    bench.descriptor(0x310, LOG, LOG + 0x100, 3, STEP_BOTH)
    bench.descriptor(0x300, LOG, LOG + 0x180, 1, STEP_BOTH, following=LOG + 0x310)
    bench.ring(LOG + 0x300)
    bench.run(us=4)
    bench.ram[0x318:0x31C] = (LOG + 0x140).to_bytes(4, "little")
    bench.run(us=4)
    assert bench.ram[0x100:0x103] == b"ebb"
    assert not any(bench.ram[0x140:0x143])


def test_a_ring_while_busy_is_not_lost(bench: Bench) -> None:
    """What was handed over before the engine came to it is taken, and what it is at is finished."""
    bench.ram[0:3] = b"ebb"
    bench.descriptor(0x300, LOG, LOG + 0x100, 3, STEP_BOTH, following=LOG + 0x310)
    bench.ring(LOG + 0x300)
    bench.run(us=2)
    bench.descriptor(0x310, LOG, LOG + 0x180, 3, STEP_BOTH)
    bench.write(DOORBELL, 1)
    bench.run(us=10)
    assert bench.read(STATUS) == HALF | DONE
    assert (bytes(bench.ram[0x100:0x103]), bytes(bench.ram[0x180:0x183])) == (b"ebb", b"ebb")


def test_a_bell_without_a_descriptor_does_nothing(bench: Bench) -> None:
    """With NEXT at 0 the channel stays as it is."""
    bench.ring(0)
    bench.run(us=5)
    assert bench.read(STATUS) == 0


def test_a_descriptor_is_never_circular(bench: Bench) -> None:
    """CIRCULAR in a descriptor means nothing: it ends, and is given back."""
    bench.descriptor(0x300, LOG, LOG + 0x100, 3, STEP_BOTH | CIRCULAR)
    bench.ring(LOG + 0x300)
    bench.run(us=20)
    assert (bench.read(STATUS), bench.word(0x300) & OWN) == (HALF | DONE, 0)


def test_a_descriptor_nowhere_is_an_error(bench: Bench) -> None:
    """A bus error at the descriptor has its own cause, and its address in FAULT."""
    bench.ring(NOWHERE)
    bench.run(us=5)
    assert bench.read(STATUS) == ERROR | DESCRIPTOR_ERROR
    assert bench.read(FAULT) == NOWHERE


def test_an_aborted_descriptor_is_given_back(bench: Bench) -> None:
    """OWN is cleared and COUNT says what was left."""
    bench.descriptor(0x300, LOG, LOG + 0x100, 20, STEP_BOTH)
    bench.ring(LOG + 0x300)
    bench.run(us=2)
    bench.write(CONTROL, ABORT)
    bench.run(us=10)
    assert (bench.read(STATUS), bench.word(0x300) & (OWN | 0xFFFF)) == (ABORTED, 17)


# whoever watches


def test_the_monitor_knows_what_the_engine_owns(bench: Bench) -> None:
    """It is told both spans at the beginning, each item's place, and how it ended."""
    told: list[object] = []

    class Note(Nobody):
        def began(self, channel: int, spans: tuple[Span, Span]) -> None:
            told.append((channel, *spans))

        def moved(self, channel: int, address: int, size_bytes: int) -> None:
            told.append((address, size_bytes))

        def handed_back(self, channel: int, address: int) -> None:
            told.append(address)

        def ended(self, channel: int, how: str) -> None:
            told.append(how)

    bench.dma.monitor = Note()
    bench.descriptor(0x300, LOG, LOG + 0x100, 2, STEP_DESTINATION | 1)
    bench.ring(LOG + 0x300)
    bench.run(us=5)
    spans = (0, Span(LOG, LOG + 2, False), Span(LOG + 0x100, LOG + 0x104, True))
    assert told == [spans, (LOG + 0x100, 2), (LOG + 0x102, 2), LOG + 0x300, "done"]


@pytest.mark.parametrize(
    ("act", "how"),
    [("abort", "aborted"), ("reset", "reset"), ("nowhere", "error")],
)
def test_the_monitor_hears_of_every_end(bench: Bench, act: str, how: str) -> None:
    """Abort, reset and error let go of the spans too, once."""
    ends: list[str] = []

    class Note(Nobody):
        def ended(self, channel: int, how: str) -> None:
            ends.append(how)

    bench.dma.monitor = Note()
    bench.start(LOG, NOWHERE if act == "nowhere" else LOG + 0x100, 50, STEP_BOTH)
    if act == "abort":
        bench.write(CONTROL, ABORT)
    elif act == "reset":
        bench.dma.reset()
    bench.run(us=100)
    assert ends == [how]


@pytest.mark.parametrize("what", ["no items", "not its own"])
def test_the_monitor_hears_of_no_end_without_a_beginning(bench: Bench, what: str) -> None:
    """A start that is refused and a descriptor that is not taken own nothing."""
    told: list[str] = []

    class Note(Nobody):
        def began(self, channel: int, spans: tuple[Span, Span]) -> None:
            told.append("began")

        def ended(self, channel: int, how: str) -> None:
            told.append(how)

    bench.dma.monitor = Note()
    if what == "no items":
        bench.start(LOG, LOG + 0x100, 0, STEP_BOTH)
    else:
        bench.descriptor(0x300, LOG, LOG + 0x100, 3, STEP_BOTH, own=0)
        bench.ring(LOG + 0x300)
    bench.run(us=10)
    assert (told, bool(bench.read(STATUS))) == ([], True)


# reset and standing still


def test_an_item_that_resets_the_board_is_the_last() -> None:
    """What the engine writes may reset the engine itself: it stops there, with nothing left."""
    board = Board("harbour")
    board.attach(Watchdog, "guard", 0x3000)
    board.on_reset = lambda _why: True
    bench = Bench(board)
    bench.ram[0:4] = RESET_KEY.to_bytes(4, "little")
    bench.start(LOG, 0x301C, 8, 2)
    bench.run(us=20)
    assert (bench.read(STATUS), bench.read(LEFT)) == (0, 0)
    assert board.devices["guard"].peek("CAUSE.SOFTWARE")


def test_a_reset_stops_in_the_middle(bench: Bench) -> None:
    """Nothing is moved after a reset, and the registers show their reset values."""
    bench.ram[0:16] = b"harbour and tide"
    bench.start(LOG, LOG + 0x100, 16, STEP_BOTH, control=DONE_IRQ)
    bench.run(us=3)
    bench.dma.reset()
    bench.run(us=50)
    assert bench.ram[0x100:0x110] == b"har" + bytes(13)
    assert (bench.read(STATUS), bench.read(LEFT), bench.read(CONFIG)) == (0, 0, 0)


def test_an_engine_that_stands_still_never_stops(bench: Bench) -> None:
    """Halted, it moves nothing and does not take an abort; afterwards it goes on from there."""
    bench.start(LOG, LOG + 0x100, 16, STEP_BOTH)
    bench.run(us=3)
    bench.dma.halt(True)
    bench.write(CONTROL, ABORT)
    bench.run(us=50)
    assert (bench.read(STATUS), bench.read(LEFT)) == (BUSY, 13)
    bench.dma.halt(False)
    bench.run(us=5)
    assert (bench.read(STATUS), bench.read(LEFT)) == (ABORTED, 12)


def test_an_engine_that_stands_still_interrupts_nobody(bench: Bench) -> None:
    """Its line is down meanwhile, and up again afterwards."""
    bench.start(LOG, LOG + 0x100, 4, STEP_BOTH, control=DONE_IRQ)
    bench.run(us=5)
    levels = [bench.dma.irq.level]
    for halted in (True, False):
        bench.dma.halt(halted)
        levels.append(bench.dma.irq.level)
    assert levels == [1, 0, 1]


class DmaRules(DeviceRules):
    """Whatever software does and however long it waits, the engine keeps to its declaration."""

    DEVICE = Dma
    BY_DEVICE = frozenset(
        f"{one.name}.{field.name}"
        for one in Dma.REGISTERS
        for field in one.fields
        if not one.name.startswith("CONTROL")
    )


TestDma = DmaRules.TestCase
TestDma.settings = settings(SAME, max_examples=50, stateful_step_count=30)
