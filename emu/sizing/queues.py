"""What a queue of so many places loses, by closed forms.

The one idea: a FIFO is a queue, and the queues of the textbooks say what it loses when it is fed
at random. Loads are offered: arrivals times service time, in ones. `places` count what is served.

Sources: L. Kleinrock, Queueing Systems, volume 1; D. Gross and C. M. Harris, Fundamentals of
Queueing Theory (both from memory).
"""

from __future__ import annotations

import math

__all__ = ["erlang_b", "md1_wait", "md1k_loss", "mm1_wait", "mm1k_loss"]

_HARDLY_EVER = 1e-200


def mm1k_loss(load: float, places: int) -> float:
    """Return the share lost of random arrivals with random service times, one server.

    Args:
        load: offered load, 0 or more.
        places: how many fit, the one in service included, 1 or more.
    """
    weights = [load**number for number in range(places + 1)]
    return weights[-1] / sum(weights)


def md1k_loss(load: float, places: int) -> float:
    """Return the share lost of random arrivals with equal service times, one server.

    Found from how full the queue is when a service ends: as often as it goes from at most n to
    more, it comes back from n + 1, and every term of that is positive, so nothing cancels.

    Args:
        load: offered load, 0 or more.
        places: how many fit, the one in service included, 1 or more.
    """
    none = math.exp(-load)
    if none < _HARDLY_EVER:
        return 1 - 1 / load
    more = _more_arrivals(load, places)
    found = [1.0]
    for level in range(places - 1):
        rising = found[0] * more[level] + sum(
            found[before] * more[level - before + 1] for before in range(1, level + 1)
        )
        found.append(rising / none)
        if found[-1] > 1 / _HARDLY_EVER:
            break  # it is never empty
    empty = found[0] / sum(found)
    return max(0.0, 1 - 1 / (empty + load))


def _more_arrivals(load: float, places: int) -> list[float]:
    """Return the probability of more than n arrivals in a service, n from 0 to `places`."""
    terms, term = [], math.exp(-load)
    for number in range(places + 60 + 4 * math.ceil(load)):
        terms.append(term)
        term *= load / (number + 1)
    tails, tail = [], 0.0
    for term in reversed(terms):
        tails.append(tail)
        tail += term
    return tails[::-1][: places + 1]


def mm1_wait(load: float) -> float:
    """Return the mean wait before service, random service times, in service times; load below 1."""
    return load / (1 - load)


def md1_wait(load: float) -> float:
    """Return the mean wait before service, equal service times, in service times; load below 1.

    Half of that with random service times. Source: Pollaczek-Khinchine formula (from memory).
    """
    return load / (2 * (1 - load))


def erlang_b(servers: int, load: float) -> float:
    """Return the share that finds all `servers` busy and is lost; offered `load` in erlangs.

    By the recursion over the number of servers, which needs no factorials.
    """
    blocked = 1.0
    for number in range(1, servers + 1):
        blocked = load * blocked / (number + load * blocked)
    return blocked
