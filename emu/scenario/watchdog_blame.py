"""Which lines of a driver set its watchdog up and feed it, so that what came of it leads back.

The one idea: it is looked at after each call what is in force, by the device's own word; who is to
blame for what is not, the last write of the register says that was to bring it about.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from emu.devices.watchdog import Watchdog
from emu.kernel.callers import asking_place
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place
from emu.scenario.watchdog_books import Window

__all__ = ["Lead", "WatchdogBlame"]

Lead = tuple[str, Place]
_NOBODY: Lead = ("", ("", 0))
_NOWHERE: Place = ("", 0)
_TOO_LATE, _OTHERWISE = "watchdog-set-too-late", "watchdog-set-otherwise"


class WatchdogBlame:
    """Note accesses to a watchdog.

    Args:
        dog: the device, before the driver is constructed.
        method: returns where the driver defines a call.

    Attributes:
        fed: the line of the last write to FEED.
    """

    def __init__(self, dog: Watchdog, method: Callable[[str], Place]) -> None:
        self._dog = dog
        self._method = method
        self.fed: Place = _NOWHERE
        self._look: Place = _NOWHERE  # where a feed looked last whether it could be
        self._written: dict[str, Place] = {}  # where each setting was written last
        self._refused: dict[str, Place] = {}  # where, if it was locked then
        self._looked: Place = _NOWHERE  # where CAUSE was read last
        self._shown = 0  # all that reads of CAUSE have shown since `forget_causes`
        self._cleared: Place = _NOWHERE  # where a cause was cleared that no read had shown
        for name in ("CONTROL", "TIMEOUT", "OPENS"):
            dog.ports[name].wrap_write(partial(self._noting_setting, name))
        dog.ports["FEED"].wrap_write(self._noting_feed)
        for name in ("STATUS", "COUNT"):
            dog.ports[name].wrap_read(self._noting_state)
        dog.ports["CAUSE"].wrap_read(self._noting_look)
        dog.ports["CAUSE"].wrap_write(self._noting_clear)

    # what the driver does

    def _noting_setting(self, name: str, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self._written[name] = place = asking_place()
            self._refused.pop(name, None)
            if self._dog.peek("CONTROL.LOCK"):
                self._refused[name] = place
            write(value)

        return writing

    def _noting_feed(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self.fed = asking_place()
            if not self._look[1]:
                self._look = self.fed
            write(value)

        return writing

    def _noting_state(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._look = asking_place()
            return read()

        return reading

    def _noting_look(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._looked = asking_place()
            self._shown |= (value := read())
            return value

        return reading

    def _noting_clear(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            if value & self._dog.peek("CAUSE") & ~self._shown:
                self._cleared = asking_place()
            write(value)

        return writing

    # who is to blame

    def forget_settings(self) -> None:
        """Begin anew: it is going to be asked for another window."""
        self._written.clear()
        self._refused.clear()

    def forget_look(self) -> None:
        """Begin anew: it is going to be fed."""
        self._look = _NOWHERE

    @property
    def look(self) -> Place:
        """The line of a feed that looked at the state last, or wrote a key without a look."""
        return self._look if self._look[1] else self._method("feed")

    def forget_causes(self) -> None:
        """Begin anew: ``open`` is going to take the causes."""
        self._shown, self._cleared, self._looked = 0, _NOWHERE, _NOWHERE

    def settings(self, window: Window) -> Lead:
        """Return what has gone wrong with a window that was asked for, if anything has."""
        dog = self._dog
        if not dog.running:
            return self._blamed("CONTROL", late=False)
        opens, timeout = dog.in_force
        for name, wanted, found in (
            ("TIMEOUT", window.timeout, timeout),
            ("OPENS", window.opens, opens),
        ):
            if wanted != found:
                return self._blamed(name, late=dog.peek(name) == wanted)
        if window.locked != bool(dog.peek("CONTROL.LOCK")):
            return self._blamed("CONTROL", late=False)
        return _NOBODY

    def _blamed(self, name: str, *, late: bool) -> Lead:
        place = self._written.get(name) or self._written.get("CONTROL") or self._method("guard")
        return _TOO_LATE if late or name in self._refused else _OTHERWISE, place

    def causes(self, *, again: bool, missing: bool) -> Lead:
        """Return what made ``causes`` tell something else than there was.

        Args:
            again: whether it told only what was told before.
            missing: whether something was not told.
        """
        if missing and self._cleared[1]:
            return "event-cleared-uncounted", self._cleared
        place = self._looked if self._looked[1] else self._method("open")
        return "cause-told-again" if again else "cause-mistaken", place
