"""What another program leaves behind in a serial controller, put there before a driver opens it.

The one idea: everything goes the way that such a program would take, through the registers and
from the line, so the state is one that the controller can really be in. No driver is at work
meanwhile, so neither rules nor contract hold it against one.
"""

from __future__ import annotations

from emu.devices.uart16550 import Uart16550
from emu.scenario.model import Leftovers

__all__ = ["leave"]

_ORDER = ("DLL", "DLM", "LCR", "FCR", "MCR", "SCR", "IER")  # FCR bit 5 needs LCR.DLAB to be set


def leave(uart: Uart16550, left: Leftovers) -> None:
    """Bring `uart` into the state that `left` describes.

    Side effects: characters beyond what the FIFOs hold are lost, and those to be sent begin to
    leave if the divisor is not 0; the interrupt line follows IER.
    """
    for name in _ORDER:
        if name in left.registers:
            uart.ports[name].bare_write(left.registers[name])
    for byte in left.sending:
        uart.ports["THR"].bare_write(byte)
    for byte in left.received:
        uart.receive(byte, 0)
