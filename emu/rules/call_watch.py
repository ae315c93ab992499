"""Follow the driver of a device that has no rules of its own, call by call."""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.where import Place
from emu.rules.context import Context
from emu.rules.masking import MaskWatch

__all__ = ["CallWatch"]


class CallWatch:
    """Follow the driver of a device that has no rules of its own.

    Args:
        name: the device.
        context: who is running.
        masks: follows whether interrupts are masked.

    Attributes:
        method: returns where the driver defines a call.
    """

    def __init__(self, name: str, context: Context, masks: MaskWatch) -> None:
        self._name = name
        self._context = context
        self._masks = masks
        self.method: Callable[[str], Place] = lambda _name: ("", 0)

    def call_begins(self, name: str, size: int = 0) -> None:  # noqa: ARG002 - as all rules are told
        """Note that the driver is constructed (``"__init__"``) or called."""
        self._context.call_begins(name, self._name)
        self._masks.begins()

    def call_ends(
        self,
        name: str,
        result: object = None,  # noqa: ARG002 - as all rules are told
        *,
        judged: bool = True,
    ) -> None:
        """Note that a call has returned or raised, and judge what it leaves behind."""
        if self._context.call_ends(name, self._name) is not None and judged:
            self._masks.ends(name)
