"""The property-based test that the README shows: it is short, it runs, and it finds the race."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_the_example_finds_the_race(tmp_path: Path) -> None:
    """The README's test of at most 12 lines fails, and names the race at its line and a case."""
    blocks = re.findall(
        r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL
    )
    (example,) = [one for one in blocks if "emu_run(" in one]
    assert len([line for line in example.splitlines() if line.strip()]) <= 12

    (tmp_path / "test_example.py").write_text(example, encoding="utf-8")
    words = ["-q", "-p", "no:cacheprovider", "--rootdir", str(ROOT), "--emu-cases", str(tmp_path)]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words, str(tmp_path / "test_example.py")],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stdout + done.stderr
    assert "drivers_example/heavy_sleeper.py:117" in done.stdout
    assert "promise time" in done.stdout
    assert list(tmp_path.glob("*.yaml"))
