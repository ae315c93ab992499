"""What of a device a driver used: which registers, which fields, which values of them.

The one idea: a driver is tried only as far as it goes, so a report says what it never touched and
which conditions never came. Counts of many runs add up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from emu.kernel.board import Board
from emu.kernel.register import Register
from emu.record.counters import count_registers

__all__ = ["Coverage", "Covering"]


@dataclass(slots=True)
class Coverage:
    """What was used of one device.

    Args:
        reads, writes: accesses by register.
        read_values: values that fields showed, by ``REGISTER.FIELD``.
        written_values: values that were written to fields, likewise.
        registers: what the device has.
    """

    reads: dict[str, int] = field(default_factory=dict)
    writes: dict[str, int] = field(default_factory=dict)
    read_values: dict[str, set[int]] = field(default_factory=dict)
    written_values: dict[str, set[int]] = field(default_factory=dict)
    registers: tuple[Register, ...] = ()

    def add(self, other: Coverage) -> None:
        """Add what another run used."""
        for mine, theirs in ((self.reads, other.reads), (self.writes, other.writes)):
            for name, count in theirs.items():
                mine[name] = mine.get(name, 0) + count
        for own, their in (
            (self.read_values, other.read_values),
            (self.written_values, other.written_values),
        ):
            for name, values in their.items():
                own.setdefault(name, set()).update(values)
        self.registers = self.registers or other.registers

    def untouched(self) -> list[str]:
        """Return the registers that were neither read nor written."""
        return [
            one.name
            for one in self.registers
            if not self.reads.get(one.name) and not self.writes.get(one.name)
        ]

    def never_seen(self) -> list[str]:
        """Return the status fields of registers that were read and that never showed a 1."""
        return [
            f"{register.name}.{one.name}"
            for register in self.registers
            if self.reads.get(register.name)
            for one in register.fields
            if one.readable and not one.writable
            and not any(self.read_values.get(f"{register.name}.{one.name}", ()))
        ]  # fmt: skip

    def never_set(self) -> list[str]:
        """Return the control fields of registers that were written that never got a 1."""
        return [
            f"{register.name}.{one.name}"
            for register in self.registers
            if self.writes.get(register.name)
            for one in register.fields
            if one.writable and not any(self.written_values.get(f"{register.name}.{one.name}", ()))
        ]


class Covering:
    """Count what a run uses of one device, from now on.

    Args:
        board: the board, with rules and faults in place.
        device: the device's name.
    """

    def __init__(self, board: Board, device: str) -> None:
        self._device = device
        self._registers = board.device(device).REGISTERS
        self._counts = count_registers(board)

    def coverage(self) -> Coverage:
        """Return what was used so far."""
        found = Coverage(registers=self._registers)
        for one in self._registers:
            count = self._counts.by_path[f"{self._device}.{one.name}"]
            found.reads[one.name] = count.reads
            found.writes[one.name] = count.writes
            _enter(found.read_values, one.name, count.fields_read())
            _enter(found.written_values, one.name, count.fields_written())
        return found


def _enter(into: dict[str, set[int]], register: str, fields: dict[str, dict[int, int]]) -> None:
    for name, values in fields.items():
        into[f"{register}.{name}"] = set(_values(values))


def _values(counts: dict[int, int]) -> Iterable[int]:
    return (value for value, count in counts.items() if count)
