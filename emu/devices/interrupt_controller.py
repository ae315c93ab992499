"""An interrupt controller: many sources, priorities, thresholds, claim and complete.

The one idea: a gateway for each source lets one request at a time through, and opens again when
its handler completes it; a context, which is a processor that takes interrupts, claims the request
that matters most.

Source: RISC-V Platform-Level Interrupt Controller Specification, version 1.0.0, March 2023:
memory map, interrupt priorities, thresholds, claim process, completion. Where its sentences differ,
a claim takes the highest pending request that is enabled for the context, and the threshold only
decides whether the context is notified. Left open by it and decided here: 31 sources, two contexts,
priorities 0 to 7, and edges that come before completion are not counted.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from functools import partial
from typing import ClassVar

from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.kernel.signal import Signal

__all__ = ["CONTEXTS", "SOURCES", "InterruptController"]

SOURCES = 31
CONTEXTS = 2
_MOST_PRIORITY = 7
_PRIORITY, _PENDING, _ENABLE, _THRESHOLD, _CLAIM = 0x0, 0x1000, 0x2000, 0x20_0000, 0x20_0004
_ENABLE_STEP, _CONTEXT_STEP = 0x80, 0x1000
_MASK = (1 << SOURCES + 1) - 2  # source 0 does not exist


def _sources(name: str, offset: int, meaning: str, each: str, **more: str) -> Register:
    """Declare a word with a bit for each source."""
    one = Field("SOURCE", 1, SOURCES, each, **more)  # type: ignore[arg-type]
    return Register(name, offset, (one,), width=32, meaning=meaning)


def _registers() -> tuple[Register, ...]:
    level = "0 never interrupts, 7 matters most"
    words = [
        Register(f"PRIORITY{source}", _PRIORITY + 4 * source, (Field("LEVEL", 0, 3, level),),
                 width=32, meaning=f"priority of source {source}")
        for source in range(1, SOURCES + 1)
    ]  # fmt: skip
    words.append(_sources("PENDING", _PENDING, "requests", "1 where one is pending", sw="r"))
    for context in range(CONTEXTS):
        more = _CONTEXT_STEP * context
        words += [
            _sources(f"ENABLE{context}", _ENABLE + _ENABLE_STEP * context,
                     f"sources enabled for context {context}", "1 lets the source through"),
            Register(f"THRESHOLD{context}", _THRESHOLD + more,
                     (Field("LEVEL", 0, 3, "priorities up to this one do not notify"),),
                     width=32, meaning=f"threshold of context {context}"),
            Register(f"CLAIM{context}", _CLAIM + more,
                     (Field("SOURCE", 0, 10, "read to claim, 0 for none; write to complete",
                            onread="ruser", onwrite="wuser"),),
                     width=32, meaning=f"claim and complete of context {context}"),
        ]  # fmt: skip
    return tuple(words)


class InterruptController(Device):
    """Route 31 sources to two contexts.

    A source is a wire ``source1`` to ``source31``; a context is a wire ``context0`` or
    ``context1``, up while a request is pending that is enabled for it and above its threshold. The
    interrupt line of the device is that of context 0. A level source that is still up when it is
    completed requests again; a request that was let through stays pending though its wire falls.

    Attributes:
        on_claim: called with the source that was claimed, 0 for none.
    """

    KIND = "interrupt_controller"
    MEANING = "interrupt controller with priorities, claim and complete"
    REGISTERS: ClassVar[tuple[Register, ...]] = _registers()
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("edges", int, 0, "bit n set: source n requests at a rising edge", None,
                  ("integer",)),
    )  # fmt: skip
    NOTES: ClassVar[tuple[str, ...]] = (
        "Reading CLAIM takes the request away from PENDING: only who claims may look.",
        (
            "Write the number back to CLAIM when the device is served, not before: a level that is "
            "still up then interrupts again at once, and until then the source is silent."
        ),
        "Context 0 drives the interrupt line of the controller; context 1 is another processor's.",
        "A completion is ignored, without a word, while the source is disabled for the context.",
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self._edges: int = self.settings["edges"]
        self._pending = self.registers["PENDING"]
        self._priorities = [None, *(self.registers[f"PRIORITY{one}"] for one in _numbers())]
        self._enables = [self.registers[f"ENABLE{one}"] for one in range(CONTEXTS)]
        self._thresholds = [self.registers[f"THRESHOLD{one}"] for one in range(CONTEXTS)]
        self._closed = 0  # gateways that wait for a completion
        self._levels = 0
        self.on_claim: list[Callable[[int], None]] = []
        for source in _numbers():
            wire = self.signals[f"source{source}"] = Signal(clock, f"{name}.source{source}")
            wire.watch(partial(self._follow, source))
        for context in range(CONTEXTS):
            self.signals[f"context{context}"] = Signal(clock, f"{name}.context{context}")
        self.signals["irq"] = self.signals["context0"]
        for source in _numbers():
            setattr(self, f"after_write_PRIORITY{source}", self._changed)
        for context in range(CONTEXTS):
            self._bind(context)

    def _bind(self, context: int) -> None:
        """Bind the registers of a context."""
        for name in (f"after_write_ENABLE{context}", f"after_write_THRESHOLD{context}"):
            setattr(self, name, self._changed)
        setattr(self, f"read_CLAIM{context}", partial(self.claim, context))
        setattr(self, f"write_CLAIM{context}", partial(self.complete, context))
        setattr(self, f"peek_CLAIM{context}", partial(self._best, context))

    def on_reset(self) -> None:
        """Open every gateway; a level that is up requests at once."""
        self._closed = 0
        for source in _numbers():
            if self._levels >> source & 1 and not self._edges >> source & 1:
                self._request(source)
        self._notify()

    def scramble(self, generator: random.Random) -> None:
        """Leave some sources claimed as well, by somebody who never completed them."""
        super().scramble(generator)
        self._closed |= generator.randrange(_MASK + 1) & _MASK
        self._notify()

    def on_halt(self) -> None:
        """Notify nobody while it stands still."""
        self._notify()

    # gateways

    def _follow(self, source: int, level: int) -> None:
        """Take in a change of a source's wire."""
        bit = 1 << source
        self._levels = self._levels | bit if level else self._levels & ~bit
        if level and not self.halted:
            self._request(source)
            self._notify()

    def _request(self, source: int) -> None:
        """Let a request through unless one is on its way already."""
        bit = 1 << source
        if not self._closed & bit:
            self._closed |= bit
            self._pending.value |= bit

    # contexts

    def _changed(self, _old: int, _new: int) -> None:
        self._notify()

    def _notify(self) -> None:
        """Drive the contexts' wires."""
        for context in range(CONTEXTS):
            best = self._best(context)
            above = best and self._level(best) > self._thresholds[context].value
            self.signals[f"context{context}"].set(int(bool(above) and not self.halted))

    def _level(self, source: int) -> int:
        register = self._priorities[source]
        return register.value if register is not None else 0

    def _best(self, context: int) -> int:
        """Return the request that matters most to a context, 0 if there is none."""
        asking = self._pending.value & self._enables[context].value
        numbers = [one for one in _numbers() if asking >> one & 1 and self._level(one)]
        return max(numbers, key=lambda one: (self._level(one), -one), default=0)

    def claim(self, context: int) -> int:
        """Take the request that matters most away and return its source, 0 if there is none."""
        source = self._best(context)
        if source:
            self._pending.value &= ~(1 << source)
            self._notify()
        for told in self.on_claim:
            told(source)
        return source

    def complete(self, context: int, source: int) -> None:
        """Open the gateway of a source again, if it is enabled for the context."""
        bit = 1 << source
        if not bit & _MASK & self._enables[context].value:
            return
        self._closed &= ~bit
        if self._levels & bit and not self._edges & bit:
            self._request(source)
        self._notify()


def _numbers() -> range:
    return range(1, SOURCES + 1)
