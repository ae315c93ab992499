"""README.md shows what the program prints: every output block is compared with a real run.

A block stands after a comment ``<!-- output of: COMMAND -->``. A line ``...`` in it stands for
lines left out. Real time differs from machine to machine and is left out of the comparison.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from emu.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
BLOCKS = re.findall(
    r"<!-- output of: (?P<command>[^\n]*) -->\n```\n(?P<shown>.*?)```\n",
    (ROOT / "README.md").read_text(encoding="utf-8"),
    flags=re.DOTALL,
)


def test_the_readme_shows_runs() -> None:
    """The tour shows at least a failing run, its timeline, a clean run, a rule and a map."""
    assert len(BLOCKS) >= 5


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command for command, _ in BLOCKS])
def test_an_output_block_is_what_the_command_prints(
    command: str, shown: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each output block of the README is what its command prints, but for lines left out."""
    monkeypatch.chdir(ROOT)
    program, *words = shlex.split(command)

    main(words)

    captured = capsys.readouterr()
    printed, shown = _timeless(captured.out + captured.err), _timeless(shown)
    assert program == "emu"
    at = 0
    for part in re.split(r"^\.\.\.\n", shown, flags=re.MULTILINE):
        found = printed.find(part, at)
        assert found >= 0, f"not printed any more:\n{part}"
        at = found + len(part)
    if "\n...\n" not in f"\n{shown}":
        assert printed == shown


def _timeless(text: str) -> str:
    """Return `text` without how long something took and how many a second that was."""
    return re.sub(r"in [\d.]+ s \([\d,]+/s\)", "in N s (N/s)", text)


def test_the_scenario_of_the_readme_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The scenario that the README shows runs as it stands, and is clean."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"```yaml\n(# yaml-language-server.*?)```\n", readme, flags=re.DOTALL)
    for name in ("fixtures", "drivers_example"):
        (tmp_path / name).symlink_to(ROOT / name)
    (tmp_path / "winch.yaml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    assert main(["run", "winch.yaml"]) == 0, capsys.readouterr().out
