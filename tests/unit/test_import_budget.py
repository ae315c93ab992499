"""Starting up is quick, and loads nothing that only tests or pages need.

The one idea: each way of starting runs in processes of its own, in turn with a bare interpreter,
and the medians of their processor times are compared. A start reads files that are in memory, so
its processor time is what a user waits on an idle machine, and a busy machine changes it little.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys

import pytest

import emu

ROUNDS = 5
IMPORT = "import emu"
HELP = "import sys; sys.argv = ['emu', '--help']; from emu.cli.main import main; main()"
ALL_NAMES = "import emu; [getattr(emu, name) for name in emu.__all__]"
UNWANTED = ("hypothesis", "jinja2", "pytest", "rich")
SEARCHES = ("hunt", "check", "replay", "size")


def processor_ms(code: str) -> float:
    """Run `code` in a fresh interpreter and return the processor time it took, in ms."""
    command = [sys.executable, "-c", code]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return (usage.ru_utime + usage.ru_stime) * 1000


def extra_ms(code: str) -> float:
    """Return the median processor time of `code` less that of a bare start, in ms."""
    processor_ms(code)
    pairs = [(processor_ms("pass"), processor_ms(code)) for _ in range(ROUNDS)]
    bare, full = (statistics.median(times) for times in zip(*pairs, strict=True))
    return full - bare


def modules_after(code: str) -> set[str]:
    """Return the top-level names of all modules loaded once `code` has run."""
    report = f"{code}\nimport sys; print('|' + ' '.join(sys.modules))"
    command = [sys.executable, "-c", report]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return {name.partition(".")[0] for name in done.stdout.rpartition("|")[2].split()}


@pytest.mark.slow
@pytest.mark.parametrize(("code", "budget_ms"), [(IMPORT, 60), (HELP, 120)])
def test_start_up_is_within_its_budget(code: str, budget_ms: float) -> None:
    """The package loads within 60 ms and its help comes within 120 ms over a bare start."""
    assert extra_ms(code) <= budget_ms


@pytest.mark.parametrize("code", [IMPORT, HELP, ALL_NAMES])
def test_start_up_loads_nothing_unwanted(code: str) -> None:
    """Neither the package with all its names nor the help loads libraries for tests or pages."""
    loaded = modules_after(code)

    assert "emu" in loaded
    assert loaded.isdisjoint(UNWANTED)


def help_of(command: str) -> str:
    """Return code that prints the help of a command."""
    return f"import sys; from emu.cli.main import main; main([{command!r}, '--help'])"


@pytest.mark.parametrize("command", SEARCHES)
def test_the_help_of_a_search_loads_no_search(command: str) -> None:
    """A command's help comes without the search, without processes, and without other libraries."""
    code = f"{help_of(command)}; print('|' + ' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.rpartition("|")[2].split())

    assert f"emu.cli.{command}" in loaded
    assert not [name for name in loaded if name.startswith(("emu.search", "emu.sizing"))]
    assert loaded.isdisjoint({*UNWANTED, "multiprocessing", "xml.etree"})


@pytest.mark.slow
@pytest.mark.parametrize("command", SEARCHES)
def test_the_help_of_a_search_comes_at_once(command: str) -> None:
    """The help of a search comes within 150 ms over a bare start."""
    assert extra_ms(help_of(command)) <= 150


def test_the_package_loads_no_room_before_it_is_asked() -> None:
    """Importing the package alone loads none of its rooms."""
    code = f"{IMPORT}; import sys; print([name for name in sys.modules if 'emu.' in name])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", emu.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    """Each public name is loaded on demand and is the class of that name."""
    assert getattr(emu, name).__name__ == name


def test_the_package_lists_its_public_names() -> None:
    """What is public is in order, and shown by ``dir`` before it is loaded."""
    assert emu.__all__ == sorted(emu.__all__)
    assert set(emu.__all__) <= set(dir(emu))


def test_an_unknown_name_is_refused_as_python_does() -> None:
    """A name that the package lacks gives the usual AttributeError."""
    with pytest.raises(AttributeError, match="module 'emu' has no attribute 'Windw'"):
        getattr(emu, "Windw")  # noqa: B009 - a type checker would refuse the plain spelling
