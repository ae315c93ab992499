"""Two screens of ``emu run``, byte by byte: whoever changes one sees what a reader will see.

After a wanted change: ``emu run`` with the words below in the top folder, into the file.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
SCREENS = {
    "run_clean.txt": (0, ["fixtures/quiet.yaml", "--driver",
                          "drivers_example/polled.py:PolledDriver"]),
    "run_failed.txt": (1, ["fixtures/reopen.yaml", "--driver",
                           "drivers_example/first_try.py:FirstTry"]),
}  # fmt: skip


@pytest.mark.parametrize("name", list(SCREENS))
def test_screen(
    name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The screen is the one on file."""
    monkeypatch.chdir(ROOT)
    status, words = SCREENS[name]
    assert main(["run", *words]) == status
    shown = capsys.readouterr().out
    assert shown == (Path(__file__).parent / name).read_text(encoding="utf-8")
    assert max(map(len, shown.splitlines())) <= 100
