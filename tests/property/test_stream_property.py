"""What was returned against what arrived: compared with a slow search that tries everything.

The one idea: the reference leaves characters out one by one and counts, with no cleverness at all,
so it is plainly what the promise says.
"""

from __future__ import annotations

from functools import cache

from hypothesis import example, given
from hypothesis import strategies as st

from emu.scenario.stream import ReceivedStream, align

FEW = st.binary(max_size=9).map(lambda data: bytes(byte % 3 for byte in data))
FREE = st.sets(st.integers(0, 8))
NEVER = 1 << 30


def fewest_gaps(arrived: bytes, free: frozenset[int], returned: bytes) -> tuple[int, int, int]:
    """Return the fewest gaps, and with them the fewest and most missing; `NEVER` if impossible."""

    @cache
    def best(at: int, given: int, in_gap: bool) -> tuple[int, frozenset[int]]:
        if at == len(arrived):
            return (0, frozenset({0})) if given == len(returned) else (NEVER, frozenset())
        ways = []
        if given < len(returned) and arrived[at] == returned[given]:
            ways.append(best(at + 1, given + 1, False))
        if at in free:
            ways.append(best(at + 1, given, in_gap))
        else:
            gaps, missing = best(at + 1, given, True)
            ways.append((gaps + (not in_gap), frozenset(one + 1 for one in missing)))
        fewest = min(gaps for gaps, _ in ways)
        counts = frozenset().union(*(missing for gaps, missing in ways if gaps == fewest))
        return fewest, counts

    gaps, missing = best(0, 0, False)
    if gaps >= NEVER:
        return NEVER, 0, 0
    return gaps, min(missing), max(missing)


def longest_fitting(arrived: bytes, returned: bytes) -> int:
    """Return how many of the returned bytes can have arrived in this order."""
    return max(
        count
        for count in range(len(returned) + 1)
        if fewest_gaps(arrived, frozenset(), returned[:count])[0] < NEVER
    )


@given(arrived=FEW, free=FREE, returned=FEW)
@example(arrived=b"\0\0\1", free={0}, returned=b"\0\1")
@example(arrived=b"\0\1\0\1\0", free=set(), returned=b"\0\1\0")
@example(arrived=b"\0\1\2\0", free={1}, returned=b"\2")
def test_any_pair_of_streams(arrived: bytes, free: set[int], returned: bytes) -> None:
    """The fewest gaps are found, or the first byte that cannot have arrived there."""
    free = {index for index in free if index < len(arrived)}
    found = align(arrived, free, returned)
    gaps, least, most = fewest_gaps(arrived, frozenset(free), returned)
    if gaps >= NEVER:
        assert found.invented_at == longest_fitting(arrived, returned)
    else:
        assert (found.gaps, found.invented_at) == (gaps, None)
        assert found.missing <= most
        assert found.missing == most or free
        assert found.missing >= min(1, least)


@given(data=st.data(), arrived=st.binary(max_size=40), free=st.sets(st.integers(0, 39)))
def test_leaving_out_free_characters_is_no_gap(
    data: st.DataObject, arrived: bytes, free: set[int]
) -> None:
    """Whatever free characters are missing, and however the rest is cut, nothing is a gap."""
    dropped = data.draw(st.sets(st.sampled_from(sorted(free)))) if free else set()
    stream = ReceivedStream()
    pending = bytearray()
    for index, byte in enumerate(arrived):
        stream.arrive(byte, free=index in free)
        if index not in dropped:
            pending.append(byte)
        if data.draw(st.booleans()):
            stream.give(bytes(pending))
            pending.clear()
    stream.give(bytes(pending))
    found = stream.result()
    assert (found.gaps, found.missing, found.invented_at) == (0, 0, None)


@given(data=st.data(), size=st.integers(1, 60))
def test_gaps_among_distinct_characters(data: st.DataObject, size: int) -> None:
    """Among characters that all differ every gap is seen and every missing one counted."""
    arrived = bytes(range(size))
    missing = data.draw(st.sets(st.integers(0, size - 1)))
    stream = ReceivedStream()
    for byte in arrived:
        stream.arrive(byte)
        if byte not in missing:
            stream.give(bytes((byte,)))
    found = stream.result()
    assert found.invented_at is None
    assert found.missing == len(missing) == stream.unread
    assert found.gaps == sum(1 for one in missing if one - 1 not in missing)


@given(st.binary(min_size=1, max_size=60), st.integers(1, 5))
def test_a_byte_too_many_is_invented(arrived: bytes, more: int) -> None:
    """Returning more than arrived is invention, at the first byte too many at the latest."""
    found = align(arrived, (), arrived + bytes(more))
    assert found.invented_at is not None
    assert found.invented_at <= len(arrived)
