"""Why nothing will wake a driver: what its controller would tell, if it were allowed to."""

from __future__ import annotations

import pytest

from emu.scenario.leftovers import leave
from emu.scenario.model import Leftovers
from emu.scenario.silence import why_silent
from tests.serial_port import SerialPort


@pytest.mark.parametrize(
    ("left", "call", "said"),
    [
        (Leftovers(received=b"x"), "read", "IER.ERBFI is 0, so that none is told of"),
        (Leftovers(), "write", "IER.ETBEI is 0, so that it never interrupts"),
        (Leftovers(), "drain", "IER.ETBEI is 0, so that it never interrupts"),
        (Leftovers({"IER": 0x01}, b"x"), "read", "asks for an interrupt that nobody serves"),
        (Leftovers(), "read", ""),
        (Leftovers({"DLL": 1}, sending=b"xy"), "write", ""),
    ],
)
def test_the_cause_is_named(left: Leftovers, call: str, said: str) -> None:
    """The sentence ends in the enable bit that is missing, or says nothing where none is."""
    port = SerialPort(fifo=16)
    leave(port.uart, left)
    found = why_silent(port.uart, call)
    assert found.endswith(said)
    assert bool(found) == bool(said)
