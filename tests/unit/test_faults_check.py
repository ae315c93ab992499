"""A plan is judged before anything runs, and everything wrong with it is said with a way out."""

from __future__ import annotations

import doctest
from dataclasses import dataclass, field
from fractions import Fraction

import pytest

from emu.errors import DeclarationError, UnitError
from emu.faults import spell
from emu.faults.check import check
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.faults.spell import fault
from tests.unit.faults_bench import Bench


@dataclass
class Device:
    """A device of a board model."""

    name: str
    kind: str
    settings: dict[str, object] = field(default_factory=dict)
    irq: int | None = None


@dataclass
class Model:
    """A board model."""

    devices: list[Device]


MODEL = Model(
    [Device("telemetry", "uart16550", irq=5), Device("log", "ram"), Device("gauge", "uart16550")]
)


def flaws(*faults: FaultSpec) -> list[tuple[str, str, str]]:
    """Return what is wrong with a plan on the model."""
    return [(one.what, one.allowed, one.fix) for one in check(FaultPlan.of(faults), MODEL)]


def test_a_good_plan_has_no_flaw_on_a_board_and_on_its_model() -> None:
    """Judging needs no board that runs."""
    plan = FaultPlan.of(
        [
            fault("stuck-field", "telemetry.LSR.THRE", value=0),
            fault("spurious-interrupt", "telemetry.irq"),
            fault("noise", "telemetry.sout"),
            fault("cpu-stalled", "cpu"),
            fault("all-ones", "telemetry"),
        ]
    )

    assert check(plan, MODEL) == check(plan, Bench().board) == []


@pytest.mark.parametrize(
    ("target", "what", "fix"),
    [
        ("telemetri.LSR.THRE", "no device 'telemetri'", "did you mean 'telemetry'?"),
        ("telemetry.LSF.THRE", "telemetry has no register 'LSF'", "did you mean 'LSR'?"),
        ("telemetry.LSR.thre", "LSR has no field 'thre'", "did you mean 'THRE'?"),
        ("log.LSR.THRE", "log has no register 'LSR'", ""),
    ],
)
def test_an_unknown_part_of_a_path_is_met_with_the_nearest(
    target: str, what: str, fix: str
) -> None:
    """Device, register and field each have their own message."""
    assert flaws(FaultSpec("never-ready", target)) == [(what, "DEVICE.REGISTER.FIELD", fix)]


def test_a_path_of_too_many_parts_is_refused() -> None:
    """Nothing lies below a field."""
    found = flaws(FaultSpec("never-ready", "telemetry.LSR.THRE.bit"))

    assert found[0][0] == "'telemetry.LSR.THRE.bit' has too many parts"


@pytest.mark.parametrize(
    ("kind", "target", "what", "allowed", "fix"),
    [
        ("never-ready", "telemetry.SCR", "telemetry.SCR is a register", "DEVICE.REGISTER.FIELD",
         "known: telemetry.SCR.DATA"),
        ("dropped-write", "telemetry.LCR.DLAB", "telemetry.LCR.DLAB is a field",
         "DEVICE.REGISTER", "write telemetry.LCR"),
        ("device-stops", "telemetry.irq", "telemetry.irq is an irq", "DEVICE", "write telemetry"),
        ("lost-interrupt", "telemetry", "telemetry is a device", "DEVICE.irq",
         "write telemetry.irq"),
        ("cpu-masked", "telemetry", "telemetry is a device", "cpu", "write cpu"),
        ("overrun", "cpu", "cpu is a cpu", "DEVICE", ""),
        ("noise", "telemetry", "telemetry is a device", "DEVICE.sin or DEVICE.sout", ""),
    ],
)  # fmt: skip
def test_a_target_of_the_wrong_sort_is_met_with_one_that_would_do(
    kind: str, target: str, what: str, allowed: str, fix: str
) -> None:
    """The message says what it is, what the kind acts on, and what to write instead."""
    assert flaws(FaultSpec(kind, target)) == [
        (f"{what}, which {kind} does not act on", allowed, fix)
    ]


def test_an_unknown_kind_is_met_with_the_nearest() -> None:
    """A slip in the name of a kind is named."""
    ((what, _, fix),) = flaws(FaultSpec("stuck-feild", "telemetry.LSR.THRE"))

    assert (what, fix) == ("no kind of fault 'stuck-feild'", "did you mean 'stuck-field'?")


def test_a_device_without_interrupt_has_no_line_to_break() -> None:
    """A fault on an interrupt that no line carries is refused."""
    ((what, _, _),) = flaws(FaultSpec("lost-interrupt", "gauge.irq"))

    assert what == "gauge has no interrupt line"


@pytest.mark.parametrize(
    ("spec", "what"),
    [
        (fault("stuck-field", "telemetry.LSR.THRE"), "value is missing"),
        (fault("stuck-field", "telemetry.LSR.THRE", value=2), "value=0x2 does not fit THRE"),
        (fault("flip-on-read", "telemetry.SCR", mask=0x100), "mask=0x100 does not fit SCR"),
        (fault("flip-on-read", "telemetry.SCR.DATA", mask=1), "mask=0x1 beside a field"),
        (fault("write-ignored-while-busy", "telemetry.SCR"),
         "nothing says when the device is busy"),
        (fault("write-ignored-while-busy", "telemetry.SCR", busy_field="LSR.TEMTY"),
         "busy_field='LSR.TEMTY': no field 'TEMTY'"),
        (fault("late-ready", "telemetry.LSR.THRE"), "nothing says how late"),
        (fault("all-ones", "log"), "log has no registers"),
        (fault("bus-error", "log"), "log has no registers"),
        (fault("random-state", "log"), "log has no registers"),
        (fault("framing-error", "log"), "log receives no characters"),
        (fault("noise", "telemetry.sin", per_second=0), "per_second=0"),
        (fault("noise", "telemetry.sin", width=0), "width=0: such a glitch is none"),
        (fault("baud-drift", "telemetry.sin"), "to=0 is no drift"),
        (fault("baud-drift", "telemetry.sin", to="60 %"), "to=60 %"),
        (fault("baud-drift", "telemetry.sout", to="1 %"),
         "telemetry.sout is driven by the device itself"),
        (fault("cpu-stalled", "cpu", duration=0), "duration=0 does nothing"),
        (fault("cpu-stalled", "cpu", duration="2 ms", every="1 ms"),
         "every=1 ms leaves the processor no time"),
    ],
)  # fmt: skip
def test_settings_that_do_not_fit_are_refused(spec: FaultSpec, what: str) -> None:
    """Each kind says what its settings must be on its target."""
    assert [found[0] for found in flaws(spec)] == [what]


def test_unknown_and_unread_settings_are_refused() -> None:
    """Plain data holds parsed values of known settings only."""
    found = flaws(
        FaultSpec("cpu-stalled", "cpu", settings={"durations": 1}),
        FaultSpec("cpu-stalled", "cpu", settings={"duration": "2 ms"}),
        FaultSpec("bus-error", "telemetry.LSR", settings={"access": "writes"}),
    )

    assert found[0] == (
        "unknown setting 'durations'", "duration, every", "did you mean 'duration'?"
    )  # fmt: skip
    assert found[1][0] == "duration='2 ms' is text"
    assert found[2] == ("access='writes'", "any, read, write", "")


@pytest.mark.parametrize(
    ("when", "what"),
    [
        (When(from_ps=-1), "the window begins at -1 ps"),
        (When(from_ps=5, until_ps=5), "the window ends at 5 ps, before it begins"),
        (When(first=0), "first=0"),
        (When(count=0), "count=0"),
        (When(probability=Fraction(0)), "probability=0"),
        (When(probability=Fraction(3, 2)), "probability=3/2"),
    ],
)
def test_windows_that_cannot_be_are_refused(when: When, what: str) -> None:
    """A window must begin, last, and have a chance."""
    assert [found[0] for found in flaws(FaultSpec("device-stops", "telemetry", when))] == [what]


def test_everything_is_gathered_in_the_order_of_the_plan() -> None:
    """One pass says all, with the fault each is about."""
    plan = FaultPlan.of(
        [
            FaultSpec("stuck", "nowhere", When(first=0), row=3),
            FaultSpec("all-ones", "telemetry", row=4),
            FaultSpec("overrun", "log", row=5),
        ]
    )

    assert [one.fault.row for one in check(plan, MODEL)] == [3, 3, 5]


def test_a_device_of_an_unknown_kind_is_left_to_whoever_loads_the_board() -> None:
    """The plan is judged against the devices that there are."""
    model = Model([Device("telemetry", "uart99")])

    found = check(FaultPlan.of([fault("all-ones", "telemetry")]), model)

    assert [one.what for one in found] == ["no device 'telemetry'"]


# the spelling in Python


def test_the_python_spelling_reads_quantities_as_people_write_them() -> None:
    """The result is the plain data, with whole picoseconds and exact chances."""
    assert fault(
        "delayed-interrupt", "telemetry.irq", start="2 ms", until="5 ms", first=3, count=1,
        probability="10 %", duration="40 us",
    ) == FaultSpec(
        "delayed-interrupt",
        "telemetry.irq",
        When(2 * 10**9, 5 * 10**9, 3, 1, Fraction(1, 10)),
        {"duration": 40 * 10**6},
    )  # fmt: skip


def test_the_example_of_the_python_spelling_is_true() -> None:
    """What the module shows is what it does."""
    assert doctest.testmod(spell) == (0, 5)


def test_the_python_spelling_refuses_what_it_cannot_read() -> None:
    """Kinds, settings and quantities each fail at once, with the nearest name."""
    with pytest.raises(DeclarationError, match="did you mean 'overrun'"):
        fault("overun", "telemetry")
    with pytest.raises(DeclarationError, match="did you mean 'mask'"):
        fault("flip-on-read", "telemetry.SCR", maks=1)
    with pytest.raises(DeclarationError, match="not a whole number"):
        fault("flip-on-read", "telemetry.SCR", mask="one")
    with pytest.raises(DeclarationError, match="not a whole number"):
        fault("flip-on-read", "telemetry.SCR", mask=-1)
    with pytest.raises(DeclarationError, match="not the name of a field"):
        fault("write-ignored-while-busy", "telemetry.SCR", busy_field=3)
    with pytest.raises(UnitError, match="the unit is missing"):
        fault("overrun", "telemetry", start=5)


def test_whole_numbers_may_be_written_in_hexadecimal() -> None:
    """A mask is best written as the datasheet prints it."""
    assert fault("flip-on-read", "telemetry.SCR", mask="0x60").settings == {"mask": 0x60}
