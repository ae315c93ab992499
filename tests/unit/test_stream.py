"""What was returned against what arrived, case by case."""

from __future__ import annotations

import random
import time

import pytest

from emu.scenario.stream import Alignment, ReceivedStream, align


def stream_of(arrived: bytes, free: set[int] | None = None) -> ReceivedStream:
    """Return a stream in which `arrived` came."""
    stream = ReceivedStream()
    for index, byte in enumerate(arrived):
        stream.arrive(byte, free=index in (free or set()))
    return stream


@pytest.mark.parametrize(
    ("arrived", "free", "returned", "gaps", "missing"),
    [
        (b"", (), b"", 0, 0),
        (b"tide", (), b"tide", 0, 0),
        (b"tide", (), b"", 1, 4),
        (b"tide", (), b"ide", 1, 1),
        (b"tide", (), b"tid", 1, 1),
        (b"tide", (), b"te", 1, 2),
        (b"tide", (), b"td", 2, 2),
        (b"aaaa", (), b"aa", 1, 2),
        (b"abab", (), b"ab", 1, 2),
        (b"tide", {0, 1, 2, 3}, b"", 0, 0),
        (b"tide", {0, 1, 2, 3}, b"tide", 0, 0),
        (b"tide", {1, 2}, b"te", 0, 0),
        (b"tide", {2}, b"te", 1, 1),
        (b"tide", {1}, b"", 1, 3),
        (b"xxy", {0}, b"xy", 0, 0),
        (b"xxy", {1}, b"xy", 0, 0),
    ],
)
def test_fewest_gaps(
    arrived: bytes, free: set[int], returned: bytes, gaps: int, missing: int
) -> None:
    """Streams are aligned with as few gaps as possible; free characters cost nothing."""
    assert align(arrived, free, returned) == Alignment(gaps, missing)


@pytest.mark.parametrize(
    ("arrived", "returned", "at"),
    [
        (b"", b"x", 0),
        (b"tide", b"tidex", 4),
        (b"tide", b"ttide", 1),
        (b"tide", b"tied", 3),
        (b"tide", b"xtide", 0),
        (b"tide", b"tiide", 2),
    ],
)
def test_invented_bytes(arrived: bytes, returned: bytes, at: int) -> None:
    """A byte that did not arrive there is named by its index, doubled and swapped ones too."""
    assert align(arrived, (), returned).invented_at == at


def test_streams_that_fit_are_not_kept() -> None:
    """What was returned as it arrived takes no memory, however long the traffic goes on."""
    stream = ReceivedStream()
    block = bytes(range(256)) * 16
    for _ in range(64):
        stream.arrive_row(block)
        stream.give(block)
    assert (stream.arrived, stream.returned, stream.unread) == (1 << 18, 1 << 18, 0)
    assert stream.result() == Alignment(0, 0)
    assert len(stream._data) < 1 << 17


def test_index_of_an_invented_byte_counts_from_the_start() -> None:
    """The index is that in all that was returned, also after much that was right."""
    stream = ReceivedStream()
    for _ in range(40):
        stream.arrive_row(bytes(4096))
        stream.give(bytes(4096))
    stream.arrive_row(b"tide")
    stream.give(b"tidal")
    assert stream.result().invented_at == 40 * 4096 + 3


def test_a_lost_byte_is_a_gap_at_any_time() -> None:
    """A byte lost early is still a gap at the end, when much was returned after it."""
    stream = stream_of(b"tide 3.21 m")
    stream.give(b"tide .21 m")
    stream.arrive_row(b"tide 3.22 m")
    stream.give(b"tide 3.22 m")
    assert stream.result() == Alignment(1, 1)


def test_forgiving_what_came_last_leaves_earlier_losses() -> None:
    """Forgiving what came after some moment does not forgive what was lost before it."""
    stream = stream_of(b"tide 3.21 m")
    stream.give(b"tide .21 m")
    stream.arrive_row(b"\r\n")
    stream.forgive_from(11)
    assert stream.result() == Alignment(1, 1)
    stream.forgive_from(0)
    assert stream.result() == Alignment(0, 0)


def test_forgiving_counts_from_the_first_character() -> None:
    """The number given to `forgive_from` stays right after old characters are let go of."""
    stream = ReceivedStream()
    for _ in range(20):
        stream.arrive_row(bytes(4096))
        stream.give(bytes(4096))
    stream.arrive_row(b"lost kept")
    stream.forgive_from(20 * 4096 + 4)
    assert stream.result() == Alignment(1, 4)


def test_forgiving_the_last_ones() -> None:
    """`forgive_last` reaches back only over what was not returned yet."""
    stream = stream_of(b"tide")
    stream.give(b"ti")
    stream.forgive_last(4)
    assert stream.result() == Alignment(0, 0)
    stream.give(b"de")
    assert stream.result() == Alignment(0, 0)


def test_a_free_character_like_its_neighbour() -> None:
    """A damaged x was dropped and a sound x returned: nothing is missing, whichever comes first."""
    stream = stream_of(b"xxy", {0})
    stream.give(b"x")
    stream.give(b"y")
    assert stream.result() == Alignment(0, 0)


def test_unread_counts_what_is_still_owed() -> None:
    """`unread` counts characters that must still be returned, free ones left out."""
    stream = stream_of(b"tide", {3})
    assert stream.unread == 3
    stream.give(b"t")
    assert stream.unread == 2
    stream.give(b"id")
    assert stream.unread == 0


@pytest.mark.parametrize(
    ("arrived", "free", "returned", "first"),
    [
        (b"", (), b"", None),
        (b"tide", (), b"tide", None),
        (b"tide", (), b"ti", 2),
        (b"tide", (), b"tie", 2),
        (b"tide", (), b"ide", 0),
        (b"tide", {0, 1}, b"de", None),
        (b"tide", {0, 1}, b"te", 2),
        (b"tide", {0, 3}, b"id", None),
        (b"tide", {0}, b"", 1),
        (b"tide", {0}, b"xx", 1),
        (b"tide", (), b"tidex", None),
    ],
)
def test_the_first_that_is_missing(
    arrived: bytes, free: set[int], returned: bytes, first: int | None
) -> None:
    """`first_unread` is the number of the first character that was due and was left out."""
    stream = stream_of(arrived, set(free))
    stream.give(returned)
    assert stream.first_unread == first


def test_the_first_that_is_missing_counts_from_the_start() -> None:
    """However much came before and is no longer kept, the number counts from the beginning."""
    stream = ReceivedStream()
    for _ in range(3):
        stream.arrive_row(bytes(1 << 16))
        stream.give(bytes(1 << 16))
    stream.arrive_row(b"tide")
    stream.give(b"te")
    assert stream.first_unread == (3 << 16) + 1


def test_tangled_streams_are_compared_in_good_time() -> None:
    """Thousands of equal or periodic characters with losses all over do not take for ever."""
    begun = time.process_time()
    text = b"tide 3.21 m\r\n" * 400
    generator = random.Random(1)
    kept = bytes(byte for byte in text if generator.random() > 0.1)
    found = align(text, set(), kept)
    assert found.missing == len(text) - len(kept)
    assert found.gaps > 100
    assert align(bytes(5000), set(range(0, 5000, 7)), bytes(2500)).gaps == 1
    assert time.process_time() - begun < 2


def test_settling_forgets_what_was_returned_amiss() -> None:
    """After it, what came before may yet be returned or not, and places count on."""
    stream = stream_of(b"tide")
    stream.give(b"tXd")
    assert stream.result().invented_at == 1
    stream.settle()
    assert (stream.result(), stream.behind) == (Alignment(0, 0), 1)

    for byte in b"ebb":
        stream.arrive(byte)
    stream.give(b"eb")
    assert stream.result() == Alignment(1, 1)
    stream.give(b"!")
    assert stream.result().invented_at == 5


def test_settling_evens_out_a_surplus() -> None:
    """Bytes that were made up under a fault do not count against later ones."""
    stream = stream_of(b"t")
    stream.give(b"tide")
    assert stream.behind == -3
    stream.settle()
    assert stream.behind == 0
    stream.arrive(ord("e"))
    assert stream.behind == 1
