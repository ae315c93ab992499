"""Far ends that go by RTS: every good style is clean with them, whatever it does with RTS.

The one idea: the two bouts of a check are tried with all good drivers, and with variants that raise
RTS at other moments, never, or lower it with and without room to spare.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.scenario.driver_source import DriverName, load_driver
from emu.search.suite import Bout, suite
from emu.search.trial import Trying
from tests.quality.seeded_drivers import ROOT, STYLES, Edit, Seeded, load_seeded

TITLES = ("nobody reads, and the far end heeds RTS", "a far end that answers RTS at once")
LONG, PROMPT = TITLES
BOUTS = {one.body["scenario"]: one for one in suite() if one.body["scenario"] in TITLES}
DRIVERS = STYLES | {
    "InterruptDriver": f"{ROOT}/drivers_example/interrupt_driven.py:InterruptDriver",
    "PolledDriver": f"{ROOT}/drivers_example/polled.py:PolledDriver",
}
LATE = load_seeded(ROOT / "tests/quality/seeded/flow-control-late.yaml")

IN_CONFIGURE = "self._settle(LCR, self._frame) and self._settle(MCR, 0x0B)"
WITHOUT = "self._settle(LCR, self._frame)"
LAST = "            self._attach(True)\n            self._pump()\n\n    def close"
READ = "        wanted = min(size, MOST_RECEIVED // 4)\n"
RAISE = "self._io.write8(MCR * self._step, 0x0B)\n"
VARIANTS = {
    "RTS is never raised": [Edit(IN_CONFIGURE, WITHOUT)],
    "RTS rises last in open": [
        Edit(IN_CONFIGURE, WITHOUT),
        Edit(LAST, LAST.replace("\n\n", f"\n            {RAISE}\n")),
    ],
    "RTS rises with the first read": [
        Edit(IN_CONFIGURE, WITHOUT), Edit(READ, f"        {RAISE}{READ}"),
    ],
    "RTS rises after the divisor, and open goes on for long": [
        Edit(LAST, f"            self._cpu.sleep(0.01)\n{LAST}"),
    ],
}  # fmt: skip


def made(folder: Path, name: str, base: Seeded, edits: list[Edit]) -> type:
    """Return a driver class: the base of a seed, with other edits."""
    other = Seeded(**{field: getattr(base, field) for field in base.__struct_fields__
                      if field not in ("edits", "name")}, edits=edits, name=name)  # fmt: skip
    return load_driver(DriverName.parse(other.write(folder), base=ROOT))


def failures(bout: Bout, driver: type) -> list[str]:
    """Return the rules and promises that a bout brings up."""
    return [one.rule for one in Trying(bout.scenario(), driver).run().failures]


@pytest.mark.parametrize("title", TITLES)
@pytest.mark.parametrize("name", DRIVERS)
def test_a_good_driver_is_clean(name: str, title: str) -> None:
    """No style is accused or breaks a promise, with flow control or without."""
    driver = load_driver(DriverName.parse(DRIVERS[name], base=ROOT))
    assert failures(BOUTS[title], driver) == []


@pytest.mark.parametrize("title", TITLES)
@pytest.mark.parametrize("variant", VARIANTS)
def test_rts_may_rise_at_any_time_after_the_settings(
    variant: str, title: str, tmp_path: Path
) -> None:
    """Whether RTS rises in open, later or never, the same driver is clean."""
    driver = made(tmp_path, "variant", LATE, VARIANTS[variant])
    assert failures(BOUTS[title], driver) == []


@pytest.mark.parametrize(
    ("room", "found"), [(64, []), (17, []), (8, ["flow-control-late"]), (1, ["flow-control-late"])]
)
def test_room_to_spare_decides(room: int, found: list[str], tmp_path: Path) -> None:
    """The seeded driver with some room left when RTS falls is clean, with too little it is not."""
    mark = f"if len(self._received) == MOST_RECEIVED - {room}:"
    old = "if len(self._received) == MOST_RECEIVED:"
    edits = [Edit(one.old, one.new.replace(old, mark)) for one in LATE.edits]
    assert failures(BOUTS[LONG], made(tmp_path, "spare", LATE, edits)) == found


def test_who_raises_rts_early_is_named_where_the_far_end_answers(tmp_path: Path) -> None:
    """The seeded driver that invites too early is found in the bout for it, at once."""
    early = load_seeded(ROOT / "tests/quality/seeded/enable-before-configure.yaml")
    driver = load_driver(DriverName.parse(early.write(tmp_path), base=ROOT))
    assert failures(BOUTS[PROMPT], driver) == ["invited-before-set"]


def test_a_window_of_microseconds_is_let_pass(tmp_path: Path) -> None:
    """Raising RTS just before the divisor harms nobody, and is not accused."""
    early = load_seeded(ROOT / "tests/quality/seeded/enable-before-configure.yaml")
    edits = [
        Edit(one.old, "".join(line for line in one.new.splitlines(keepends=True)
                              if "sleep" not in line))
        for one in early.edits
    ]  # fmt: skip
    driver = made(tmp_path, "short", early, edits)
    for title in TITLES:
        assert failures(BOUTS[title], driver) == []
