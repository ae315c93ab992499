"""What happened, as one short hash: equal records have equal hashes, on any machine.

`record_hash` takes everything on the tape with its times, so that two runs can be shown to be the
same to the picosecond. `behaviour_hash` leaves the times out: two runs in which the same things
happened in the same order behave alike, however late they were.
"""

from __future__ import annotations

import hashlib
import marshal
from collections.abc import Iterable
from typing import Any

from emu.kernel.board import Board

__all__ = ["behaviour_hash", "record_hash"]

_SIMPLE = 2  # a version of marshal without references, so equal data gives equal bytes
_DIGEST_BYTES = 12


def record_hash(board: Board) -> str:
    """Return the hash of the whole record of a board, times included."""
    board.journal.settle()
    journal = board.journal
    names = [(one.kind, one.name, one.width_bits) for one in journal.sources]
    entries = [tuple(entry[:4]) for entry in journal.entries]
    return _hash(names, entries, sorted(board.bus.accesses().items()), board.clock.now_ps)


def behaviour_hash(board: Board, *more: object) -> str:
    """Return the hash of what happened on a board in its order, times left out.

    Args:
        board: the board.
        more: whatever else tells two behaviours apart: plain strings, bytes, numbers, tuples.
    """
    board.journal.settle()
    return _hash([entry[1:4] for entry in board.journal.entries], *more)


def _hash(*parts: object) -> str:
    digest = hashlib.blake2b(digest_size=_DIGEST_BYTES)
    for part in map(_plain, parts):
        try:
            data = marshal.dumps(part, _SIMPLE)
        except ValueError:
            data = marshal.dumps(_exact(part), _SIMPLE)
        digest.update(data)
    return digest.hexdigest()


def _exact(part: object) -> Any:  # noqa: ANN401 - whatever marshal takes
    """Return plain values for those of kinds that a driver derived from them, such as enums."""
    match part:
        case tuple():
            return tuple(map(_exact, part))
        case list():
            return list(map(_exact, part))
        case int() if not isinstance(part, bool):
            return int.__int__(part)
        case str():
            return str.__str__(part)
        case float():
            return float.__float__(part)
    return part


def _plain(part: object) -> Any:  # noqa: ANN401 - whatever marshal takes
    """Return lists and tuples of plain values as they are; anything else as its text."""
    if isinstance(part, (int, str, bytes, float, type(None))):
        return part
    if isinstance(part, Iterable):
        return [_plain(one) if not isinstance(one, tuple) else one for one in part]
    return repr(part)
