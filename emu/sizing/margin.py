"""How late is too late: overrun margin of a FIFO, and the onset of receive livelock.

Sources: PC16550D data sheet, National Semiconductor, June 1995, sections 8.4 and 8.11, for when a
character is lost; J. C. Mogul and K. K. Ramakrishnan, Eliminating Receive Livelock in an
Interrupt-driven Kernel, USENIX 1996, for what happens beyond the onset.
"""

from __future__ import annotations

__all__ = ["livelock_onset_hz", "lost_in_gap", "overload_loss", "tolerable_ps"]


def tolerable_ps(depth: int, trigger: int, character_ps: int) -> int:
    """Return how long after a request the first character must be read, or one is lost.

    The request comes with character number `trigger`. The places left fill one by one, and the
    character after them sits in the shift register until it is complete.

    Args:
        depth: characters that the FIFO holds, 1 for none.
        trigger: level at which the request comes, 1 to `depth`.
        character_ps: time of a character.
    """
    return (depth - trigger + 1) * character_ps


def livelock_onset_hz(cost_s: float, other_share: float = 0.0) -> float:
    """Return how many events a second leave the main program no time at all.

    Args:
        cost_s: handler time that each event costs.
        other_share: share of the processor that other handlers take, 0 to 1.
    """
    return max(0.0, 1 - other_share) / cost_s


def overload_loss(load: float) -> float:
    """Return the share lost of a steady stream that asks for `load` of what can be served."""
    return max(0.0, 1 - 1 / load) if load > 0 else 0.0


def lost_in_gap(depth: int, trigger: int, characters: float) -> float:
    """Return how many characters are lost on average while nobody reads for so many characters.

    The stream is steady. The gap begins at any level below `trigger`, and at any moment between two
    characters, each as likely as the others.

    Args:
        depth: characters that the FIFO holds.
        trigger: level at which it would have been emptied.
        characters: length of the gap in characters.
    """
    whole, rest = divmod(characters, 1)
    over = [int(whole) + level - depth for level in range(trigger)]
    lost = [(1 - rest) * max(one, 0) + rest * max(one + 1, 0) for one in over]
    return sum(lost) / trigger
