"""Plain memory on the bus: any width at any aligned offset, and nothing beyond its end."""

from __future__ import annotations

import pytest

from emu.kernel.memory import memory_tables

WIDTHS = (8, 16, 32, 64)


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("width", WIDTHS)
def test_reads_are_bytes_in_the_order_of_the_bus(width: int, big_endian: bool) -> None:
    """Every aligned offset reads as `int.from_bytes` says."""
    memory = bytearray(range(1, 33))
    reads, _ = memory_tables(memory, WIDTHS, big_endian)
    step = width // 8

    seen = [reads[width][offset]() for offset in range(0, 32, step)]

    order = "big" if big_endian else "little"
    assert seen == [
        int.from_bytes(memory[offset : offset + step], order)  # type: ignore[arg-type]
        for offset in range(0, 32, step)
    ]


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("width", WIDTHS)
def test_writes_change_their_bytes_and_no_others(width: int, big_endian: bool) -> None:
    """A write lands as `int.to_bytes` lays it out; what stands beside it stays."""
    memory = bytearray(b"\xee" * 24)
    _, writes = memory_tables(memory, WIDTHS, big_endian)
    step = width // 8
    value = int.from_bytes(bytes(range(0x81, 0x81 + step)), "big")

    writes[width][8](value)

    laid = value.to_bytes(step, "big" if big_endian else "little")
    assert memory == b"\xee" * 8 + laid + b"\xee" * (16 - step)


@pytest.mark.parametrize(("width", "offset"), [(8, 16), (8, -1), (16, 15), (32, 2), (64, 12)])
@pytest.mark.parametrize("direction", [0, 1])
def test_no_handler_outside_or_between(width: int, offset: int, direction: int) -> None:
    """Beyond the end, before the start and at a misaligned offset the key is missing."""
    tables = memory_tables(bytearray(16), WIDTHS, big_endian=False)[direction]

    with pytest.raises(KeyError):
        tables[width][offset]


def test_only_the_widths_asked_for() -> None:
    """A width that the region does not take has no table."""
    reads, writes = memory_tables(bytearray(16), (32,), big_endian=False)

    assert (list(reads), list(writes)) == ([32], [32])


def test_handlers_are_made_when_asked_for_and_kept() -> None:
    """Untouched memory costs nothing, and the second access finds the handler of the first."""
    reads, writes = memory_tables(bytearray(1 << 20), (8,), big_endian=False)
    before = len(reads[8])

    first = reads[8][77]

    assert (before, len(reads[8]), len(writes[8])) == (0, 1, 0)
    assert reads[8][77] is first


def test_number_of_kept_handlers_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A walk over large memory goes on working when no more handlers are kept."""
    monkeypatch.setattr("emu.kernel.memory._KEPT", 4)
    reads, writes = memory_tables(bytearray(64), (8,), big_endian=False)

    for offset in range(64):
        writes[8][offset](offset)

    assert [reads[8][offset]() for offset in range(64)] == list(range(64))
    assert (len(reads[8]), len(writes[8])) == (4, 4)
