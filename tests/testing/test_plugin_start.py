"""The plugin costs a test run that asks for nothing of the bench next to nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
from pathlib import Path

import pytest

ROUNDS = 5
BUDGET_MS = 30
LOAD = """
import time
import pytest
start = time.process_time()
import emu.testing.plugin
print(1000 * (time.process_time() - start))
"""
REPORT = """
import sys
import pytest

class Reporter:
    def pytest_collection_finish(self):
        print("|" + " ".join(sys.modules))

sys.exit(pytest.main(["-q", "-p", "no:hypothesispytest", "-p", "no:cacheprovider", "."],
                     plugins=[Reporter()]))
"""


@pytest.mark.slow
def test_the_plugin_is_within_its_budget() -> None:
    """Once pytest is loaded, loading the plugin takes at most 30 ms of processor time."""
    command = [sys.executable, "-c", LOAD]
    runs = [subprocess.run(command, capture_output=True, check=True) for _ in range(ROUNDS)]

    assert statistics.median(float(run.stdout) for run in runs) <= BUDGET_MS


@pytest.mark.slow
def test_a_test_run_without_the_bench_loads_none_of_it(tmp_path: Path) -> None:
    """Up to the end of collection pytest has loaded the plugin and no room of the bench."""
    (tmp_path / "test_tide.py").write_text("def test_tide(): pass\n", encoding="utf-8")
    command = [sys.executable, "-c", REPORT]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=tmp_path)

    loaded = set(done.stdout.partition("|")[2].split())
    ours = {name for name in loaded if name.partition(".")[0] == "emu"}
    assert ours == {"emu", "emu.testing", "emu.testing.plugin"}
    assert loaded.isdisjoint({"hypothesis", "yaml", "rich", "click", "msgspec"})


def test_public_names_can_be_had_and_are_listed() -> None:
    """Each public name of the room loads, is shown by ``dir``, and an unknown one is refused."""
    import emu.testing

    assert emu.testing.__all__ == sorted(emu.testing.__all__)
    assert set(emu.testing.__all__) <= set(dir(emu.testing))
    for name in emu.testing.__all__:
        assert getattr(emu.testing, name).__name__.rpartition(".")[2] == name
    with pytest.raises(AttributeError, match=r"module 'emu\.testing' has no attribute 'strategy'"):
        getattr(emu.testing, "strategy")  # noqa: B009 - a type checker would refuse the plain one
