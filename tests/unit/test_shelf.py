"""The device shelf finds devices by kind, those of other packages too."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import ClassVar

import pytest

from emu.devices.ram import Ram
from emu.devices.shelf import GROUP, device_kinds, find_device
from emu.devices.uart16550 import Uart16550
from emu.errors import DeclarationError

Install = Callable[..., None]

GAUGE = """
from emu.kernel.device import Device
from emu.kernel.register import Field, Register


class FloatSensor(Device):
    KIND = "float-sensor"
    REGISTERS = (Register("LEVEL", 0, (Field("MM", 0, 8, sw="r"),)),)


class Nameless(Device):
    KIND = "something-else"


NUMBER = 42
"""


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Give a function that installs a package with a module and entry points for this test."""
    monkeypatch.syspath_prepend(str(tmp_path))
    modules: list[str] = []

    def put(name: str, module: str, points: Sequence[str], text: str = GAUGE) -> None:
        (tmp_path / f"{module}.py").write_text(text, encoding="utf-8")
        folder = tmp_path / f"{name.replace('-', '_')}-1.0.dist-info"
        folder.mkdir()
        (folder / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8"
        )
        lines = "\n".join(points)
        (folder / "entry_points.txt").write_text(f"[{GROUP}]\n{lines}\n", encoding="utf-8")
        importlib.invalidate_caches()
        modules.append(module)

    yield put
    for module in modules:
        sys.modules.pop(module, None)


class TestBuiltIn:
    """The bench's own devices."""

    KINDS: ClassVar[dict[str, type]] = {"ram": Ram, "uart16550": Uart16550}

    def test_all(self) -> None:
        """Every device of the bench is listed under its kind."""
        assert {kind: device_kinds()[kind] for kind in self.KINDS} == self.KINDS

    @pytest.mark.parametrize("kind", KINDS)
    def test_found_by_kind(self, kind: str) -> None:
        """A kind gives its class."""
        assert find_device(kind) is self.KINDS[kind]

    def test_unknown_kind_names_the_nearest(self) -> None:
        """A misspelt kind is refused with the one that was meant."""
        with pytest.raises(DeclarationError, match="no device kind 'uart16500'") as caught:
            find_device("uart16500")

        assert caught.value.fix == "did you mean 'uart16550'?"


class TestOtherPackages:
    """Devices that come by an entry point."""

    def test_listed_and_found(self, install: Install) -> None:
        """A device of another package is as good as one of the bench."""
        install("tide-parts", "tide_parts", ["float-sensor = tide_parts:FloatSensor"])

        assert find_device("float-sensor").KIND == "float-sensor"
        assert {"float-sensor", "ram", "uart16550"} <= set(device_kinds())

    def test_imported_only_when_asked_for(self, install: Install) -> None:
        """Another kind, known or not, does not import the package."""
        install("tide-parts", "tide_parts", ["float-sensor = tide_parts:FloatSensor"])
        find_device("ram")
        with pytest.raises(DeclarationError) as caught:
            find_device("float-senser")

        assert caught.value.fix == "did you mean 'float-sensor'?"
        assert "tide_parts" not in sys.modules

    @pytest.mark.parametrize(
        ("point", "text", "what"),
        [
            ("tide_parts:FloatSensor", "raise RuntimeError('no float')", "RuntimeError: no float"),
            ("tide_parts:FloatSensor", "import no_such_module_at_all", "ModuleNotFoundError"),
            ("tide_parts:FloatSensor", "def", "SyntaxError"),
            ("tide_parts:FloatSensr", GAUGE, "AttributeError"),
            ("tide_parts:NUMBER", GAUGE, "is 42"),
            ("tide_parts:Nameless", GAUGE, "calls itself 'something-else'"),
        ],
    )
    def test_broken_one_is_named(self, install: Install, point: str, text: str, what: str) -> None:
        """A device that does not load is reported with its package, and hides no other."""
        install("tide-parts", "tide_parts", [f"float-sensor = {point}"], text)
        for look in (device_kinds, lambda: find_device("float-sensor")):
            with pytest.raises(DeclarationError) as caught:
                look()
            assert caught.value.where == "package tide-parts"
            assert "'float-sensor'" in caught.value.what
            assert what in caught.value.what

        assert find_device("ram") is Ram

    def test_cannot_replace_a_device_of_the_bench(self, install: Install) -> None:
        """An entry point with the name of a device of the bench is refused."""
        install("tide-parts", "tide_parts", ["ram = tide_parts:FloatSensor"])
        with pytest.raises(DeclarationError, match="the bench's own") as caught:
            device_kinds()

        assert caught.value.where == "package tide-parts"
        assert find_device("ram") is Ram

    def test_two_packages_with_one_kind(self, install: Install) -> None:
        """Two packages that bring the same kind are both named."""
        install("tide-parts", "tide_parts", ["float-sensor = tide_parts:FloatSensor"])
        install("wave-parts", "wave_parts", ["float-sensor = wave_parts:FloatSensor"])
        with pytest.raises(DeclarationError) as caught:
            find_device("float-sensor")

        assert "tide-parts" in str(caught.value)
        assert "wave-parts" in str(caught.value)
