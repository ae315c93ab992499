"""A sizing as plain data, for JSON and as comma-separated values."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from emu.sizing.recommend import recommend
from emu.sizing.study import Row, Study

__all__ = ["study_as_json", "sweep_as_csv"]


def study_as_json(found: Study) -> dict[str, Any]:
    """Return a study as plain data: the workload, each way computed and simulated, the advice."""
    workload, advice = found.workload, recommend(found)
    return {
        "workload": {**asdict(workload), "line": str(workload.line),
                     "triggers": list(workload.levels)},
        "ways": [_row_as_json(row) for row in found.rows],
        "advice": {"way": advice.row.strategy.name if advice.row else None, "text": advice.text},
    }  # fmt: skip


def _row_as_json(row: Row) -> dict[str, Any]:
    return {
        "way": row.strategy.name,
        "kind": row.strategy.kind,
        "depth": row.strategy.depth,
        "trigger": row.strategy.trigger,
        "computed": {**asdict(row.computed), "margin": row.computed.margin},
        "simulated": asdict(row.measured) if row.measured else None,
        "load_differs_percent": None if row.difference is None else 100 * row.difference,
        "note": row.note,
    }


def sweep_as_csv(studies: Iterable[Study]) -> str:
    """Return one row for each way of each study, with a line of names first."""
    rows = [_flat(found, row) for found in studies for row in found.rows]
    names = list(dict.fromkeys(name for row in rows for name in row))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def _flat(found: Study, row: Row) -> dict[str, Any]:
    """Return a row with one value under each name."""
    plain = _row_as_json(row)
    flat = {"baud": found.workload.line.baud, "line": str(found.workload.line),
            "traffic": found.workload.traffic.pattern, "fifo": found.workload.fifo}  # fmt: skip
    for name, value in plain.items():
        if name in ("computed", "simulated"):
            flat |= {f"{name}_{key}": one for key, one in (value or {}).items()}
        else:
            flat[name] = value
    return flat
