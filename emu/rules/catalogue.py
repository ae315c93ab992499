"""The catalogue of rules: what each watches, why it bites on real hardware, what to do instead.

The one idea: the texts stand here and nowhere else, one file a family, so a finding needs no more
than a rule's name.
"""

from __future__ import annotations

from emu.rules.rule import FAMILIES, Rule
from emu.rules.texts_device import DEVICE
from emu.rules.texts_generic import GENERIC
from emu.rules.texts_processor import PROCESSOR
from emu.rules.texts_run import RUN
from emu.rules.texts_trade import TRADE

__all__ = ["FAMILIES", "RULES", "Rule"]

RULES: dict[str, Rule] = {one.name: one for one in (*GENERIC, *DEVICE, *PROCESSOR, *TRADE, *RUN)}
"""All rules by name."""
