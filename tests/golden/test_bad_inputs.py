"""Every faulty input is answered with one clear message, kept beside it word for word.

The one idea: a file in ``fixtures/bad`` holds one faulty input, the text file of the same name what
is written to standard error, with ``{path}`` for the path and ``{folder}`` for the folder.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.cli.main import main

BAD = Path(__file__).resolve().parents[2] / "fixtures" / "bad"
INPUTS = sorted(BAD.glob("*.yaml"))


def message_for(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """Return what standard error says of an input, after checking that nothing else came out."""
    assert main(["map", str(path)]) == 2
    captured = capsys.readouterr()
    assert not captured.out
    assert "Traceback" not in captured.err
    return captured.err.replace(str(path), "{path}").replace(str(path.parent), "{folder}")


def test_there_are_enough_of_them() -> None:
    """At least thirty faulty inputs are kept, each with its message, and no message without one."""
    messages = {path.stem for path in BAD.glob("*.txt")}

    assert len(INPUTS) >= 30
    assert messages == {path.stem for path in INPUTS}


@pytest.mark.parametrize("path", INPUTS, ids=lambda path: path.stem)
def test_message(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A faulty input ends with exit status 2 and exactly the message kept beside it."""
    expected = path.with_suffix(".txt").read_text(encoding="utf-8")

    assert message_for(path, capsys) == expected


@pytest.mark.parametrize("path", INPUTS, ids=lambda path: path.stem)
def test_message_names_a_place(path: Path) -> None:
    """Every flaw is told with line and column, unless the whole file is meant."""
    flaws = path.with_suffix(".txt").read_text(encoding="utf-8").splitlines()
    whole_file = path.stem in {"empty", "only_comments"}

    if len(flaws) > 1:
        count = flaws.pop()
        assert count == f"{len(flaws)} flaws found"
    for flaw in flaws:
        place, _, rest = flaw.partition(": ")
        assert rest
        assert whole_file or place.rsplit(":", 2)[1].isdigit()


def test_hundred_megabytes_of_brackets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of 100 MB is refused for its size, without being read whole."""
    path = tmp_path / "deep.yaml"
    with path.open("wb") as file:
        file.write(b"[" * (2 << 20))
        file.truncate(100_000_000)

    assert message_for(path, capsys) == (
        "{path}: is larger than 1 MiB; allowed: 0 to 1048576 bytes\n"
    )


@pytest.mark.slow
def test_a_megabyte_of_brackets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A small file that nests a million lists ends at the depth allowed, not in the stack."""
    path = tmp_path / "deep.yaml"
    path.write_text("[" * 1_000_000, encoding="utf-8")

    assert message_for(path, capsys) == ("{path}:1:51: nested too deeply; allowed: 50 levels\n")


def test_directory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A directory is called one."""
    assert message_for(tmp_path, capsys) == ("{path}: is a directory; allowed: a YAML file\n")


def test_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is not there is told with the one that may have been meant."""
    (tmp_path / "tide_gauge.yaml").write_text("", encoding="utf-8")

    assert message_for(tmp_path / "tide_guage.yaml", capsys) == (
        "{path}: there is no such file; did you mean 'tide_gauge.yaml'?\n"
    )
