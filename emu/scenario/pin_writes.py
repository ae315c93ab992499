"""Which lines of a driver write to its pins, so that what came of a write leads back to it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import partial

from emu.devices.gpio import PINS, Gpio
from emu.kernel.callers import asking_place
from emu.kernel.device import WritePort
from emu.kernel.where import Place

__all__ = ["PinWrites", "bits_of"]

_LEVELS = ("OUT", "DIR", "DRAIN", "SET", "CLEAR", "TOGGLE")


class PinWrites:
    """Note writes to the registers of pins.

    Args:
        gpio: the device, before the driver is constructed.

    Attributes:
        register: the register of the last write that can change a level, ``""`` before the first.
        place: the line of that write.
    """

    def __init__(self, gpio: Gpio) -> None:
        self._gpio = gpio
        self.register = ""
        self.place: Place = ("", 0)
        self._clears: dict[int, list[Place]] = {}
        self._stale: dict[int, Place] = {}
        for name in _LEVELS:
            gpio.ports[name].wrap_write(partial(self._noting_level, name))
        gpio.ports["PENDING"].wrap_write(self._noting_clear)
        gpio.ports["ENABLE"].wrap_write(self._noting_enable)

    def forget(self, pin: int) -> None:
        """Begin anew for a pin that is watched from now on."""
        self._clears.pop(pin, None)
        self._stale.pop(pin, None)

    def cleared(self, pin: int) -> Place:
        """Return the line that cleared an edge of a pin most seldom, which is no line of habit."""
        counts = Counter(self._clears.get(pin, ()))
        return min(counts, key=lambda one: (counts[one], -one[1]), default=("", 0))

    def let_in(self, pin: int) -> Place:
        """Return the line that enabled the interrupt of a pin while an old edge was latched."""
        return self._stale.get(pin, ("", 0))

    def _noting_level(self, name: str, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self.register, self.place = name, asking_place()
            write(value)

        return writing

    def _noting_clear(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            place = asking_place()
            for pin in bits_of(value & self._gpio.peek("PENDING")):
                self._clears.setdefault(pin, []).append(place)
            write(value)

        return writing

    def _noting_enable(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            place = asking_place()
            for pin in bits_of(value & self._gpio.peek("PENDING")):
                self._stale[pin] = place
            write(value)

        return writing


def bits_of(value: int) -> Iterator[int]:
    """Yield the numbers of the pins whose bits are 1."""
    return (pin for pin in range(PINS) if value >> pin & 1)
