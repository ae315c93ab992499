"""Exact counts of a run, whatever the tape dropped.

The one idea: counts that the machine keeps anyway are only collected (`counters`); counts for each
register cost something on every access, so they exist only where `count_registers` put them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from emu.kernel.board import Board
from emu.kernel.device import Port, ReadPort, WritePort
from emu.kernel.register import Field, Register

__all__ = ["MOST_VALUES", "RegisterCount", "RegisterCounts", "count_registers", "counters"]

MOST_VALUES = 4096  # different values kept for each register and direction


def counters(board: Board, *, faults: Mapping[str, int] | None = None) -> dict[str, Any]:
    """Return what happened on `board` in numbers, as plain data for reports.

    Args:
        board: the board.
        faults: how often each fault did something, by its name; the board does not know.

    Returns:
        ``windows``: for each window ``fresh_reads`` (reads that gave something else than the read
        before), ``repeated_reads`` and ``writes``; ``interrupts``: for each line ``irq``, ``name``
        and ``deliveries``; ``faults``.
    """
    windows = {
        name: {"fresh_reads": fresh, "repeated_reads": again, "writes": writes}
        for name, (fresh, again, writes) in board.bus.accesses().items()
    }
    lines = [
        {"irq": line.number, "name": line.name, "deliveries": line.deliveries}
        for _, line in sorted(board.cpu.interrupts.lines.items())
    ]
    return {"windows": windows, "interrupts": lines, "faults": dict(faults or {})}


@dataclass(slots=True)
class RegisterCount:
    """Count the accesses of one register.

    Args:
        register: its declaration.
        reads, writes: how often, exactly.
        read_values: how often each value was read.
        written_values: how often each value was written, by the mask of the byte lanes that took
            part, -1 for all of them.
        unkept: accesses whose value was not kept, since there were `MOST_VALUES` others already.
    """

    register: Register
    reads: int = 0
    writes: int = 0
    read_values: dict[int, int] = field(default_factory=dict)
    written_values: dict[int, dict[int, int]] = field(default_factory=dict)
    unkept: int = 0

    def fields_read(self) -> dict[str, dict[int, int]]:
        """Return for each field that software can see how often each of its values was read."""
        return {
            one.name: _split(one, self.read_values) for one in self.register.fields if one.readable
        }

    def fields_written(self) -> dict[str, dict[int, int]]:
        """Return for each field that software can change how often each value was written to it."""
        counts: dict[str, dict[int, int]] = {}
        for one in self.register.fields:
            if one.writable:
                total: Counter[int] = Counter()
                for lanes, values in self.written_values.items():
                    if lanes & one.mask == one.mask:
                        total.update(_split(one, values))
                counts[one.name] = dict(sorted(total.items()))
        return counts


class RegisterCounts:
    """Hold the counts of every register of a board, by path such as ``telemetry.LSR``."""

    def __init__(self) -> None:
        self.by_path: dict[str, RegisterCount] = {}

    def plain(self) -> dict[str, dict[str, Any]]:
        """Return all counts as plain data for reports; values are keys in decimal."""
        return {
            path: {
                "reads": one.reads,
                "writes": one.writes,
                "fields_read": _text_keys(one.fields_read()),
                "fields_written": _text_keys(one.fields_written()),
                "values_not_kept": one.unkept,
            }
            for path, one in self.by_path.items()
        }


def count_registers(board: Board) -> RegisterCounts:
    """Count accesses of every register of `board` from now on.

    Counts what the driver sees: attach it after faults, and a read that a fault altered counts
    with the altered value.

    Side effects: wraps every port, for good; a run with it is slower.
    """
    counts = RegisterCounts()
    board.set_masters_apart()
    for device in board.devices.values():
        for name, port in device.ports.items():
            count = RegisterCount(port.register.declaration)
            counts.by_path[f"{device.name}.{name}"] = count
            port.wrap_read(_reading(count))
            port.wrap_write(_writing(count, port))
    return counts


def _reading(count: RegisterCount) -> Callable[[ReadPort], ReadPort]:
    values = count.read_values

    def wrap(read: ReadPort) -> ReadPort:
        def read_counted() -> int:
            value = read()
            count.reads += 1
            _keep(count, values, value)
            return value

        return read_counted

    return wrap


def _writing(count: RegisterCount, port: Port) -> Callable[[WritePort], WritePort]:
    live = port.register

    def wrap(write: WritePort) -> WritePort:
        def write_counted(data: int) -> None:
            count.writes += 1
            values = count.written_values.setdefault(live.enable, {})
            _keep(count, values, data)
            write(data)

        return write_counted

    return wrap


def _keep(count: RegisterCount, values: dict[int, int], value: int) -> None:
    if value in values:
        values[value] += 1
    elif len(values) < MOST_VALUES:
        values[value] = 1
    else:
        count.unkept += 1


def _split(one: Field, values: Mapping[int, int]) -> dict[int, int]:
    """Return how often each value of a field was among `values`."""
    counts: Counter[int] = Counter()
    for value, times in values.items():
        counts[(value & one.mask) >> one.low] += times
    return dict(sorted(counts.items()))


def _text_keys(fields: Mapping[str, Mapping[int, int]]) -> dict[str, dict[str, int]]:
    return {
        name: {str(value): times for value, times in values.items()}
        for name, values in fields.items()
    }
