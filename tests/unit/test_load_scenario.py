"""A scenario file says everything about a run; each key arrives in the model as it was meant."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.line.plan import BreakPlan, FarEndPlan, NoisePlan, ScriptLine
from emu.scenario.load import load_scenario, parse_scenario
from emu.scenario.load_checks import nearest_baud
from emu.scenario.model import NEVER_PS, Expectation, Leftovers, Limits, Scenario, Step
from emu.scenario.written import scenario_as_plain
from emu.units import LineSettings

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
SCENARIOS = sorted(path for path in FIXTURES.glob("*.yaml") if path.stem != "tide_gauge")
MS = 10**9
HEAD = """scenario: a night on the quay
board:
  devices:
    telemetry: {kind: uart16550, at: 0x40001000, irq: 5}
"""
TWO_PORTS = HEAD + "    console: {kind: uart16550, at: 0x40002000, irq: 6}\nport: telemetry\n"


def scenario(rest: str, head: str = HEAD) -> Scenario:
    """Return the scenario that `rest` completes."""
    return parse_scenario(head + rest, path="night.yaml", folder=FIXTURES)


def flaws_of(rest: str, head: str = HEAD) -> list[str]:
    """Return the messages with which the scenario that `rest` completes is refused."""
    with pytest.raises(InputError) as caught:
        scenario(rest, head)
    return [str(flaw) for flaw in caught.value.flaws]


def steps_of(text: str, head: str = HEAD) -> list[Step]:
    """Return the steps that a list describes, without their rows."""
    return [replace(step, row=0) for step in scenario(f"do: {text}\n", head).steps]


def data_of(written: str, rest: str = "") -> bytes:
    """Return the bytes that are sent when data is written so."""
    return scenario(f"{rest}do: [send: {written}]\n").steps[0].data


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_scenarios_of_the_project_are_read(path: Path) -> None:
    """Every scenario of the project is read, and says which driver it runs."""
    found = load_scenario(path)

    assert found.title
    assert found.path == str(path)
    assert found.driver.endswith((":InterruptDriver", ":FirstTry"))
    assert found.port == "telemetry"


def test_defaults() -> None:
    """Title and board are enough: the only port at 115200 8N1, with a listener at the far end."""
    found = scenario("")

    assert found == Scenario(
        title="a night on the quay",
        board=found.board,
        port="telemetry",
        line=LineSettings(115_200),
        far_end=FarEndPlan("sink"),
        steps=(),
        path="night.yaml",
    )


def test_top_level_keys() -> None:
    """Line, limits, expectations and seed arrive in the units of the model."""
    found = scenario(
        """line: 9600 7E1
seed: 42
limits: {time: 2 s, call: 100 ms, wall: 500 ms}
expect:
  received: "tide"
  far_end_received: {hex: 0d 0a}
  errors: {framing: 0, overrun: 1..3}
"""
    )

    assert found.line == LineSettings(9600, 7, "even")
    assert found.seed == 42
    assert found.limits == Limits(2000 * MS, 100 * MS, 0.5)
    assert found.expect == Expectation(b"tide", b"\r\n", {"framing": (0, 0), "overrun": (1, 3)})


@pytest.mark.parametrize(
    ("written", "data"),
    [
        ('"tide 3.21\\r\\n"', b"tide 3.21\r\n"),
        ('"caf\\u00e9"', b"caf\xc3\xa9"),
        ('""', b""),
        ("{hex: 01 ff}", b"\x01\xff"),
        ("{hex: 0102}", b"\x01\x02"),
        ('{hex: ""}', b""),
        ("{count: 3}", b"\x00\x01\x02"),
        ("{repeat: ab, times: 3}", b"ababab"),
        ("{repeat: {count: 2}, times: 2}", b"\x00\x01\x00\x01"),
        ("{repeat: ab, times: 0}", b""),
    ],
)
def test_data(written: str, data: bytes) -> None:
    """Data may be written as text, hexadecimal, counting or repeated bytes."""
    assert data_of(written) == data


def test_counting_data_wraps() -> None:
    """Counting begins again after 255."""
    assert data_of("{count: 258}")[254:] == b"\xfe\xff\x00\x01"


def test_random_data_depends_on_seed_and_size_alone() -> None:
    """The same size is the same data everywhere in a scenario, and another with another seed."""
    found = scenario("expect: {received: {random: 40}}\ndo: [send: {random: 40}]\n")

    assert found.expect.received == found.steps[0].data
    assert len(found.steps[0].data) == 40
    assert data_of("{random: 40}", "seed: 2\n") != found.steps[0].data
    assert data_of("{random: 40}", "seed: 2\n") == data_of("{random: 40}", "seed: 2\n")


def test_the_seed_counts_wherever_it_stands() -> None:
    """A seed at the end of the file holds for the data above it."""
    late = scenario("do: [send: {random: 9}]\nseed: 2\n").steps[0].data

    assert late == data_of("{random: 9}", "seed: 2\n")


def test_steps() -> None:
    """Each action is read with its value and its options."""
    assert steps_of(
        """
  - open
  - send: "tide"
    timeout: 50 ms
    chunk: 2
  - receive: 12
  - receive: all
  - exchange: {send: "a", receive: 3}
  - echo: 7
  - drain
  - wait: 5 ms
  - work: 1000
  - line: 9600 7E1
  - reopen
  - reopen: 19200
  - drain:
    timeout: 1 ms
  - receive: 3
    timeout: never
  - close: now
  - close: again
  - leftovers: {IER: 0x0F, DLL: 12, received: "y", sending: {hex: 3e}}
  - leftovers: {}
  - close
"""
    ) == [
        Step("open"),
        Step("send", b"tide", timeout_ps=50 * MS, chunk=2),
        Step("receive", count=12),
        Step("receive"),
        Step("exchange", b"a", count=3),
        Step("echo", count=7),
        Step("drain"),
        Step("wait", duration_ps=5 * MS),
        Step("work", cycles=1000),
        Step("line", line=LineSettings(9600, 7, "even")),
        Step("reopen"),
        Step("reopen", line=LineSettings(19200)),
        Step("drain", timeout_ps=MS),
        Step("receive", count=3, timeout_ps=NEVER_PS),
        Step("close", how="now"),
        Step("close", how="again"),
        Step("leftovers", leftovers=Leftovers({"IER": 0x0F, "DLL": 12}, b"y", b">")),
        Step("leftovers", leftovers=Leftovers()),
        Step("close"),
    ]


def test_steps_know_their_rows() -> None:
    """A step remembers the line it stands in, for messages about the run."""
    found = scenario("do:\n  - open\n  - wait: 1 ms\n")

    assert [step.row for step in found.steps] == [6, 7]


@pytest.mark.parametrize("by", ["far", "console"])
def test_steps_of_the_far_driver(by: str) -> None:
    """The driver at the other end of a cable may be called far, or by its port."""
    steps = steps_of(
        f"[{{drain: , by: {by}}}, {{drain: , by: telemetry}}]",
        TWO_PORTS + "far_end: {kind: port, port: console}\n",
    )

    assert [step.by for step in steps] == ["console", ""]


def test_far_end_of_every_kind() -> None:
    """Each kind of far end is read with its own keys."""
    source = scenario(
        'far_end: {kind: source, data: "ab", start: 1 ms, burst: 64, pause: 5 ms, gap: 100 us}\n'
    )
    script = scenario(
        'far_end: {kind: script, script: [{at: 1 ms, send: "a"}, '
        '{when: "READ", after: 2 ms, send: "b"}]}\n'
    )
    port = scenario("far_end: {kind: port, port: console, line: 9600}\n", TWO_PORTS)

    assert source.far_end == FarEndPlan(
        "source", data=b"ab", start_ps=MS, burst_bytes=64, pause_ps=5 * MS, gap_ps=MS // 10
    )
    assert script.far_end.lines == (
        ScriptLine(b"a", at_ps=MS),
        ScriptLine(b"b", when=b"READ", after_ps=2 * MS),
    )
    assert port.far_end == FarEndPlan("port", port="console", line=LineSettings(9600))
    assert scenario("far_end: echo\n").far_end == FarEndPlan("echo")


def test_troubles_of_the_far_end() -> None:
    """Wrong clock, noise, breaks and flow control are read in the units of the plan."""
    found = scenario(
        """far_end:
  kind: echo
  line: 9600 8N2
  baud_error: -1.5 %
  noise: {per_second: 200, width: 2 us, from: 1 ms, until: 2 ms}
  breaks: [{at: 5 ms, length: 300 us}]
  flow: {rts_cts: true, buffer: 8, busy: 2 ms, lag: 4, eager: true}
"""
    )

    assert found.far_end == FarEndPlan(
        "echo",
        line=LineSettings(9600, stop_bits=2),
        baud_error=Fraction(-3, 200),
        noise=NoisePlan(Fraction(200), 2_000_000, MS, 2 * MS),
        breaks=(BreakPlan(5 * MS, 300_000_000),),
        flow=True,
        buffer_bytes=8,
        busy_ps=2 * MS,
        lag=4,
        eager=True,
    )


@pytest.mark.parametrize(
    ("written", "flow"), [("rts_cts: false", False), ("busy: 1 ms", True), ("lag: 2", True)]
)
def test_flow_control_is_on_unless_it_is_turned_off(written: str, flow: bool) -> None:
    """A far end that says anything about flow control has it, unless it says that it has not."""
    assert scenario(f"far_end: {{kind: echo, flow: {{{written}}}}}\n").far_end.flow is flow


def test_flow_control_is_written_as_it_was_read() -> None:
    """A file that is written from a scenario says of RTS what it said, defaults left out."""
    for flow in ({"rts_cts": True}, {"rts_cts": True, "lag": 4, "eager": True}):
        found = scenario(f"far_end: {{kind: echo, flow: {flow}}}\n".replace("True", "true"))
        assert scenario_as_plain(found)["far_end"]["flow"] == flow


@pytest.mark.parametrize(
    ("clock_hz", "baud", "divisor", "error"),
    [
        (1_843_200, 115_200, 1, Fraction(0)),
        (1_843_200, 9_600, 12, Fraction(0)),
        (1_843_200, 56_000, 2, Fraction(1, 35)),
        (1_843_200, 38_400, 3, Fraction(0)),
        (18_432_000, 56_000, 21, Fraction(-1, 49)),
        (1_843_200, 1, 65_535, None),
        (1_843_200, 1_000_000, 1, None),
    ],
)
def test_nearest_baud(clock_hz: int, baud: int, divisor: int, error: Fraction | None) -> None:
    """Divisors are those of the data sheet's tables, and stay within 1 to 65535.

    Source: PC16550D data sheet, National Semiconductor, June 1995, Table III: 9600 baud from
    1.8432 MHz takes 12, 38400 takes 3, 56000 takes 2 and is 2.86 % off; 56000 from 18.432 MHz
    takes 21 and is 2.04 % off.
    """
    found, off = nearest_baud(clock_hz, baud)

    assert found == divisor
    assert error is None or off == error


def test_baud_limits() -> None:
    """Up to 3 % is accepted, and more than that is told with what comes nearest."""
    assert scenario("line: 56000 8N1\n").line.baud == 56_000
    [flaw] = flaws_of("line: 100000 8N1\n")
    assert flaw == (
        "night.yaml:5:7: telemetry cannot make 100000 baud from 1.8432 MHz: divisor 1 makes "
        "115200, +15.2 % off; allowed: 3 % off; change the clock of the device or the baud rate"
    )


def test_every_impossible_baud_is_told_once() -> None:
    """Line settings of steps and of the other end of a cable are checked like the first ones."""
    found = flaws_of(
        "far_end: {kind: port, port: console, line: 700000}\n"
        "do: [line: 500000, line: 500000, reopen: 400000]\n",
        TWO_PORTS,
    )

    assert [line.split(" cannot make ")[0].split()[-1] for line in found] == [
        "console",
        "telemetry",
        "telemetry",
    ]


def test_board_in_another_file() -> None:
    """A board file counts from the folder of the scenario, and so do its flaws."""
    assert scenario("board: tide_gauge.yaml\nport: console\n", "scenario: x\n").port == "console"
    [flaw] = flaws_of("board: bad/bad_unit.yaml\n", "scenario: x\n")
    assert flaw.startswith(f"{FIXTURES}/bad/bad_unit.yaml:8:14: '50 MHzz'")


@pytest.mark.parametrize(
    "driver",
    ["../drivers_example/interrupt_driven.py:InterruptDriver", "drivers_example.polled:Polled"],
)
def test_driver_names_stay_as_written(driver: str) -> None:
    """A driver named by file or by module stays as written; whoever runs it finds it."""
    assert scenario(f"driver: {driver}\n").driver == driver


@pytest.mark.parametrize("driver", ["nowhere.py:Driver", "Driver", "gauge.py:", "gauge.py:1"])
def test_driver_that_leads_nowhere(driver: str) -> None:
    """A driver of the wrong form, or in a file that is not there, is told at its place."""
    [flaw] = flaws_of(f'driver: "{driver}"\n')

    assert flaw.startswith("night.yaml:5:9: ")


def test_flaws_do_not_hide_each_other() -> None:
    """Flaws in the parts of a scenario are all told, in the order of the file."""
    found = flaws_of(
        "line: 9600 9N1\nfar_end: ecko\ndo: [opne, wait: 5]\nlimits: {time: 0 s}\nseed: -1\n"
    )

    assert [line.split(":")[1] for line in found] == ["5", "6", "7", "7", "8", "9"]
