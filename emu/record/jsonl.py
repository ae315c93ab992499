"""Events as JSON Lines: one JSON object a line, UTF-8, for other programs.

Every object has these keys, and further ones by kind; an object of one kind always has the same:

==================  ===========================================================================
``kind``            the kind of event, see below
``time_ps``         simulated time in ps, exact
``time_s``          the same in seconds, for reading
``depth``           handlers running, 0 in main code
``file``, ``line``  the driver's place, ``""`` and 0 when places were not recorded
``access``          ``direction``, ``device``, ``offset``, ``width_bits``, ``value``, ``registers``,
                    ``fields``, ``stream``, ``repeats``, ``until_ps``
``handler_enter``   ``irq``, ``name``
``handler_exit``    ``irq``, ``name``, ``took_ps``
``masked``          none; neither has ``unmasked``
``sleep``           ``until_ps``
``connected``       ``irq``, ``name``, ``connected``
``call_begin``      ``port``, ``call``
``call_end``        ``port``, ``call``, ``took_ps``
``injection``       ``fault``, ``name``, ``detail``, ``repeats``, ``until_ps``
``bus_error``       ``device``, ``offset``
``bank_switch``     ``device``, ``old``, ``new``
``character``       ``device``, ``what``, ``value``, ``errors``
``cut``             ``device``, ``repeats``
``note``            ``source``, ``name``, ``what``, ``value``
==================  ===========================================================================

What each means stands in `emu.record.events`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TextIO

import msgspec

from emu.record.events import AnyEvent
from emu.units import PS_PER_S

__all__ = ["write_events"]


def write_events(events: Iterable[AnyEvent], stream: TextIO) -> int:
    """Write `events` to a text stream and return how many there were."""
    encoder = msgspec.json.Encoder()
    count = 0
    for event in events:
        plain = msgspec.to_builtins(event)
        first = {name: plain.pop(name) for name in ("kind", "time_ps")}
        line = {**first, "time_s": first["time_ps"] / PS_PER_S, **plain}
        stream.write(encoder.encode(line).decode() + "\n")
        count += 1
    return count
