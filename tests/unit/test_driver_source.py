"""Finding a driver's class by its name, and the driver's own line in what it raises."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from emu import InputError
from emu.scenario.driver_source import (
    DriverBroken,
    DriverName,
    load_driver,
    place_of_class,
    place_of_error,
    text_of,
)
from tests.driven_run import PolledDriver

WHOLE = "class Gauge:\n" + "".join(
    f"    def {name}(self): pass\n" for name in ("open", "close", "write", "read", "drain")
)


def named(folder: Path, code: str, name: str = "gauge.py:Gauge") -> DriverName:
    """Write a driver file and return its name."""
    (folder / "gauge.py").write_text(code, encoding="utf-8")
    return DriverName.parse(name, base=folder)


def test_a_file_counts_from_the_base(tmp_path: Path) -> None:
    """A path counts from the base, and an absolute one from nowhere."""
    name = named(tmp_path, WHOLE)
    assert name == DriverName(str(tmp_path / "gauge.py"), "Gauge", is_file=True)
    assert DriverName.parse(f"{tmp_path}/gauge.py:Gauge", base=Path("/nowhere")) == name


def test_a_module_by_name() -> None:
    """Anything that does not end in .py is the name of a module."""
    name = DriverName.parse("drivers_example.polled:PolledDriver", base=Path())
    assert not name.is_file
    assert load_driver(name) is PolledDriver


@pytest.mark.parametrize(
    "text",
    ["", ":", "gauge.py", "gauge.py:", ":Gauge", "gauge.py:3", "a b:Gauge", "..x:Gauge", "a/b:C"],
)
def test_names_of_no_form(text: str) -> None:
    """A name of neither form is refused with both forms."""
    with pytest.raises(InputError, match=r"does not name a driver; allowed: path/to/file.py:Class"):
        DriverName.parse(text, base=Path())


def test_a_missing_file_names_the_nearest(tmp_path: Path) -> None:
    """A file that is not there is refused, with the one that was probably meant."""
    named(tmp_path, WHOLE)
    with pytest.raises(InputError, match=r"'gauges.py' does not exist; did you mean 'gauge.py:G"):
        DriverName.parse("gauges.py:Gauge", base=tmp_path)
    with pytest.raises(InputError, match=r"does not exist$"):
        DriverName.parse("no/such/folder/water.py:Gauge", base=tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "drivers/gauges.py:Gauge", "driver/gauge.py:Gauge", "drivers/gauge.py:Gauges",
        "drivers/gauge:Gauge", "drivers/gauge.py", "drivers/gauge", "drivers/gauge.py:",
        "../drivers/gauge.py:Gauge", "harbour/drivers/gauge.py",
    ],
)  # fmt: skip
def test_the_fix_is_a_whole_name(tmp_path: Path, text: str) -> None:
    """Whatever is wrong with a name, the fix is one that works as it stands: path, file, class."""
    folder = tmp_path / "harbour" / "drivers"
    folder.mkdir(parents=True)
    named(folder, WHOLE)
    with pytest.raises(InputError, match=r"; did you mean '(.*)'\?$") as refused:
        DriverName.parse(text, base=folder.parent)
    fix = refused.value.flaws[0].fix.split("'")[1]
    assert Path(fix).parent.name == "drivers"
    assert load_driver(DriverName.parse(fix, base=folder.parent)).__name__ == "Gauge"


def test_a_path_that_counts_from_another_folder(tmp_path: Path) -> None:
    """A path as it would be from the top folder is answered with the one from where it counts."""
    (tmp_path / "drivers").mkdir()
    named(tmp_path / "drivers", WHOLE)
    (tmp_path / "scenarios").mkdir()
    with pytest.raises(InputError, match=r"did you mean '\.\./drivers/gauge\.py:Gauge'"):
        DriverName.parse("drivers/gauge.py:Gauge", base=tmp_path / "scenarios")


def test_several_drivers_to_choose_from(tmp_path: Path) -> None:
    """Where nothing is near, all whole names are told, helpers left out, four at most."""
    code = "class Register: pass\n" + "".join(
        WHOLE.replace("Gauge", name) for name in ("Ebb", "Flood", "Slack", "Neap", "Spring")
    )
    with pytest.raises(InputError, match=r"known: gauge\.py:Ebb, .*gauge\.py:Neap, \.\.\.$"):
        named(tmp_path, code)


def test_a_module_that_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A module that cannot be imported is answered with the file of that name, if there is one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "hulls").mkdir()
    named(tmp_path / "hulls", WHOLE)
    for text in ("hulls.gauge:Gauge", "hulls.gauges:Gauge"):
        with pytest.raises(InputError, match=r"no module .*did you mean 'hulls/gauge\.py:Gauge'"):
            load_driver(DriverName.parse(text, base=tmp_path))


@pytest.mark.parametrize("name", ["Gauges", "gauge", "Unlike"])
def test_a_missing_class(tmp_path: Path, name: str) -> None:
    """A missing class is refused before anything runs, with the whole name of the one there is."""
    with pytest.raises(InputError) as refused:
        named(tmp_path, WHOLE + "1 / 0\n", f"gauge.py:{name}")
    assert str(refused.value) == (
        f"driver: gauge.py has no class '{name}'; did you mean 'gauge.py:Gauge'?"
    )


@pytest.mark.parametrize(
    ("name", "what"), [("level", "level is 3 (int)"), ("helper", "helper is <function helper>")]
)
def test_a_name_that_is_no_class(tmp_path: Path, name: str, what: str) -> None:
    """A name that is bound to something else is told as that, once the file has run."""
    found = named(tmp_path, WHOLE + "level = 3\ndef helper(): pass\n", f"gauge.py:{name}")
    with pytest.raises(InputError, match=r"has no class .*did you mean 'gauge\.py:Gauge'") as no:
        load_driver(found)
    assert what in str(no.value)


def test_a_class_that_only_running_shows(tmp_path: Path) -> None:
    """A class that is imported or made by a call is found, though no class statement names it."""
    (tmp_path / "water.py").write_text(WHOLE, encoding="utf-8")
    for code, name in (
        ("from water import Gauge as Tide\n", "Tide"),
        ("from water import *\n", "Gauge"),
        (WHOLE + "Tide = type('Tide', (Gauge,), {})\n", "Tide"),
        (WHOLE + "globals()['T' + 'ide'] = Gauge\n", "Tide"),
    ):
        assert load_driver(named(tmp_path, code, f"gauge.py:{name}"))
        sys.modules.pop("water", None)


def test_a_file_without_classes(tmp_path: Path) -> None:
    """A file without any class says so."""
    with pytest.raises(InputError, match="has no class 'Gauge'; it has no class at all"):
        load_driver(named(tmp_path, ""))


def test_each_import_is_fresh(tmp_path: Path) -> None:
    """A file is read again each time, so that a repaired driver is what runs."""
    name = named(tmp_path, WHOLE)
    first = load_driver(name)
    named(tmp_path, "extra = 1\n" + WHOLE)
    second = load_driver(name)
    assert first is not second
    assert sys.modules[second.__module__].extra == 1


def test_the_folder_is_importable_meanwhile(tmp_path: Path) -> None:
    """A driver may import what lies beside it; the path is left as it was."""
    (tmp_path / "beside_the_gauge.py").write_text("LEVEL = 4\n", encoding="utf-8")
    before = list(sys.path)
    code = "import sys\nfrom beside_the_gauge import LEVEL\nsys.path.pop(0)\n" + WHOLE
    assert load_driver(named(tmp_path, code)).__name__ == "Gauge"
    assert sys.path == before
    del sys.modules["beside_the_gauge"]


def test_the_name_of_the_module_depends_on_the_path_only(tmp_path: Path) -> None:
    """Names that may show in messages are the same in every process."""
    module = load_driver(named(tmp_path, WHOLE)).__module__
    assert module == load_driver(named(tmp_path, WHOLE)).__module__
    assert module.startswith("driver_gauge_")
    assert len(module) == len("driver_gauge_") + 8


def test_failing_code_is_broken_not_bad_input(tmp_path: Path) -> None:
    """Code that fails is the driver's fault, with the place and what it raised."""
    with pytest.raises(DriverBroken) as broken:
        load_driver(named(tmp_path, "x = 1\n\n1 / 0\n"))
    assert broken.value.rule == "driver-raised"
    assert broken.value.place == (str(tmp_path / "gauge.py"), 3)
    assert "ZeroDivisionError: division by zero" in broken.value.message


def test_what_a_driver_module_cannot_import_is_its_fault(tmp_path: Path) -> None:
    """A module that exists but imports what does not is broken; one that does not is bad input."""
    with pytest.raises(DriverBroken, match="No module named 'nowhere_at_all'"):
        load_driver(named(tmp_path, "import nowhere_at_all\n"))
    with pytest.raises(InputError, match="no module 'nowhere_at_all'"):
        load_driver(DriverName.parse("nowhere_at_all:Gauge", base=tmp_path))


def test_an_incomplete_class_is_placed(tmp_path: Path) -> None:
    """A class that lacks methods is placed at its first line."""
    code = "\n\nclass Gauge:\n    read = write = 3\n    def open(self): pass\n"
    with pytest.raises(DriverBroken) as broken:
        load_driver(named(tmp_path, code))
    assert broken.value.place == (str(tmp_path / "gauge.py"), 3)
    assert broken.value.message == "class Gauge lacks close(), write(), read(), drain()"


def test_the_place_of_a_class() -> None:
    """A class has its first line as its place; one without source has none."""
    file, line = place_of_class(PolledDriver)
    assert Path(file).name == "polled.py"
    assert Path(file).read_text(encoding="utf-8").splitlines()[line - 1] == "class PolledDriver:"
    assert place_of_class(type("Made", (), {})) == ("", 0)
    assert place_of_class(int) == ("", 0)


def test_the_place_of_an_error_leaves_ours_and_pythons_frames_out() -> None:
    """The innermost line that is neither ours nor the library's is the driver's."""
    import json

    try:
        json.loads("{")
    except ValueError as error:
        file, line = place_of_error(error)
        assert file == __file__
        assert "json.loads(" in Path(__file__).read_text(encoding="utf-8").splitlines()[line - 1]
        assert place_of_error(ValueError(), "gauge.py") == ("gauge.py", 0)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("", "no message"),
        ("wrong tide", "wrong tide"),
        (" a \n b\t c ", "a b c"),
        ("\x1b[31mred\udc80", "?[31mred?"),
        ("<object at 0x7f00aa>", "<object>"),
        ("x" * 300, "x" * 200 + "..."),
    ],
)
def test_text_of(value: str, text: str) -> None:
    """What a driver says is one bearable line without control characters or addresses."""
    assert text_of(value) == text


def test_text_of_what_cannot_speak() -> None:
    """An object whose text cannot be had is told as such."""

    class Mute:
        def __str__(self) -> str:
            raise OSError

        def __repr__(self) -> str:
            return 3  # type: ignore[return-value]

    assert text_of(Mute()) == "(its text cannot be had: OSError)"
    assert text_of(Mute(), repr) == "(its text cannot be had: TypeError)"
