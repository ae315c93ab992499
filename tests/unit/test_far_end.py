"""The far end of a line: what it hears, what it says and when, noise, breaks and flow control.

The one idea: a receiver of the test's own sits on the wire to the driver, and a transmitter on the
wire from it; both speak 9600 8N1, where a character takes 1.0417 ms.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from emu.kernel.clock import Clock
from emu.kernel.signal import Signal
from emu.line.far_end import FarEnd
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR, format_of, rate_of
from emu.line.plan import BreakPlan, FarEndPlan, NoisePlan, ScriptLine
from emu.line.receiver import Receiver
from emu.line.transmitter import Transmitter
from emu.units import LineSettings

MS = 10**9
LINE = LineSettings(9600)
CHARACTER_PS = LINE.character_ps
HALF_BIT_PS = 10**12 // 19200


class Wire:
    """Hold a far end and what is at the driver's end of its wires."""

    def __init__(self, plan: FarEndPlan, *, seed: int = 1, line: LineSettings = LINE) -> None:
        self.clock = Clock()
        self.wires = {name: Signal(self.clock, name, level=1) for name in ("sin", "sout")}
        self.wires |= {name: Signal(self.clock, name) for name in ("rts", "cts", "dsr", "dcd")}
        self.came: list[tuple[int, int, int]] = []
        self.receiver = Receiver(
            self.clock, lambda data, flags: self.came.append((self.clock.now_ps, data, flags))
        )
        self.receiver.configure(format_of(line), rate_of(line.baud))
        self.receiver.listen(self.wires["sin"])
        self.sender = Transmitter(self.clock, self.wires["sout"])
        self.sender.configure(format_of(line), rate_of(line.baud))
        self.far = FarEnd(plan, self.clock, self.wires, line, seed=seed)

    def wait(self, duration_ps: int) -> None:
        """Let time pass."""
        self.clock.run_until(self.clock.now_ps + duration_ps)

    def send(self, data: bytes) -> None:
        """Send characters back to back from the driver's end."""
        for byte in data:
            self.clock.run_until(self.sender.send(byte, self.clock.now_ps))

    @property
    def heard(self) -> bytes:
        """What arrived at the driver's end."""
        return bytes(data for _, data, _ in self.came)


def test_a_sink_only_listens() -> None:
    """A sink keeps what it hears and never says anything."""
    wire = Wire(FarEndPlan())
    wire.far.begin()
    wire.send(b"tide")
    wire.wait(10 * MS)
    assert (wire.far.received, wire.heard, wire.far.flagged) == (b"tide", b"", {})
    assert wire.far.quiet


def test_an_echo_gives_back() -> None:
    """An echo sends back each character, beginning right after its stop bit was sampled."""
    wire = Wire(FarEndPlan(kind="echo"))
    wire.far.begin()
    wire.send(b"tide")
    wire.wait(2 * CHARACTER_PS)
    assert wire.heard == b"tide"
    assert wire.far.sent == b"tide"


def test_an_echo_drops_what_came_damaged() -> None:
    """A damaged character is kept with its flags, and not given back."""
    wire = Wire(FarEndPlan(kind="echo"), line=LineSettings(9600, 7, "even"))
    wire.sender.configure(format_of(LineSettings(9600, 7, "odd")), rate_of(9600))
    wire.send(b"tide")
    wire.wait(10 * MS)
    assert (wire.heard, bytes(wire.far.received)) == (b"", b"tide")
    assert wire.far.flagged == dict.fromkeys(range(4), PARITY_ERROR)


def test_a_source_keeps_its_times() -> None:
    """A source begins when told, back to back, and no rounding adds up over the row."""
    wire = Wire(FarEndPlan(kind="source", data=bytes(range(100)), start_ps=3 * MS))
    wire.wait(5 * MS)
    wire.far.begin()
    assert not wire.far.quiet
    wire.wait(200 * MS)
    assert wire.heard == bytes(range(100))
    first, last = wire.came[0][0], wire.came[-1][0]
    assert abs((last - first) - 99 * 20 * 10**12 // 19200) <= HALF_BIT_PS // 4
    assert first - 8 * MS == pytest.approx(19 * HALF_BIT_PS, abs=HALF_BIT_PS // 4)
    assert wire.far.quiet


def test_gaps_between_characters() -> None:
    """A gap is idle time after each stop bit."""
    wire = Wire(FarEndPlan(kind="source", data=b"tide", gap_ps=2 * MS))
    wire.far.begin()
    wire.wait(30 * MS)
    steps = [later[0] - one[0] for one, later in zip(wire.came, wire.came[1:], strict=False)]
    assert wire.heard == b"tide"
    assert all(abs(step - CHARACTER_PS - 2 * MS) < HALF_BIT_PS // 4 for step in steps)


def test_bursts_and_pauses() -> None:
    """A source in bursts pauses between them, and is not quiet before the last."""
    wire = Wire(FarEndPlan(kind="source", data=bytes(range(10)), burst_bytes=4, pause_ps=20 * MS))
    wire.far.begin()
    wire.wait(10 * MS)
    assert (len(wire.came), wire.far.quiet) == (4, False)
    wire.wait(24 * MS)
    assert (len(wire.came), wire.far.quiet) == (8, False)
    wire.wait(40 * MS)
    assert (wire.heard, wire.far.quiet) == (bytes(range(10)), True)


def test_a_script_speaks_at_times_and_answers() -> None:
    """Lines with a time are said then; others answer what they wait for, each time it comes."""
    lines = (
        ScriptLine(b"READ", at_ps=2 * MS),
        ScriptLine(b"OK", when=b"m\r", after_ps=1 * MS),
    )
    wire = Wire(FarEndPlan(kind="script", lines=lines))
    wire.far.begin()
    assert not wire.far.quiet
    wire.wait(10 * MS)
    assert (wire.heard, wire.far.quiet) == (b"READ", True)
    wire.send(b"3.21 mm\r4 m\r")
    assert not wire.far.quiet
    wire.wait(10 * MS)
    assert wire.heard == b"READOKOK"
    assert wire.far.quiet


def test_a_script_that_only_talks() -> None:
    """A script without answers takes no harm from what it hears."""
    wire = Wire(FarEndPlan(kind="script", lines=(ScriptLine(b"x", at_ps=0),)))
    wire.far.begin()
    wire.send(b"tide")
    wire.wait(5 * MS)
    assert wire.heard == b"x"


@pytest.mark.parametrize("percent", [-5, -2, 2, 4])
def test_a_clock_that_is_off(percent: int) -> None:
    """A far end whose clock is a little off is still understood, and its row takes that long."""
    error = Fraction(percent, 100)
    wire = Wire(FarEndPlan(kind="source", data=b"U" * 50, baud_error=error))
    wire.far.begin()
    wire.wait(100 * MS)
    assert wire.heard == b"U" * 50
    took = wire.came[-1][0] - wire.came[0][0]
    assert took == pytest.approx(49 * CHARACTER_PS / (1 + error), rel=0.005)


def test_a_clock_that_is_far_off_is_not_understood() -> None:
    """At 8 % the stop bit is missed."""
    wire = Wire(FarEndPlan(kind="source", data=bytes(20), baud_error=Fraction(8, 100)))
    wire.far.begin()
    wire.wait(60 * MS)
    assert any(flags & FRAMING_ERROR or data for _, data, flags in wire.came)


def test_another_rate_from_the_next_character_on() -> None:
    """After `speak` both directions use the new settings."""
    wire = Wire(FarEndPlan(kind="echo"))
    line = LineSettings(4800, 7, "even", 2)
    wire.far.speak(line)
    wire.sender.configure(format_of(line), rate_of(4800))
    wire.receiver.configure(format_of(line), rate_of(4800))
    wire.send(b"tide")
    wire.wait(10 * MS)
    assert (wire.heard, wire.far.flagged) == (b"tide", {})


def test_another_rate_in_a_gap() -> None:
    """A rate that changes in the gap between two characters loses none of them."""
    wire = Wire(FarEndPlan(gap_ps=3 * MS))
    wire.far.say(b"tide")
    wire.wait(2 * CHARACTER_PS)
    wire.far.configure(Fraction(1, 50))
    wire.wait(40 * MS)
    assert wire.heard == b"tide"


def test_saying_more_while_speaking() -> None:
    """What is said while something is being said follows it without a gap."""
    wire = Wire(FarEndPlan())
    wire.far.say(b"ti")
    wire.wait(CHARACTER_PS // 2)
    wire.far.say(b"de")
    wire.far.say(b"")
    wire.wait(10 * MS)
    assert wire.heard == b"tide"
    assert wire.came[-1][0] - wire.came[0][0] == pytest.approx(3 * CHARACTER_PS, rel=0.01)
    assert wire.far.last_end_ps == pytest.approx(4 * CHARACTER_PS, rel=0.01)


def test_a_break() -> None:
    """A break holds the line down; the far end is not quiet before it has ended."""
    plan = FarEndPlan(kind="source", data=b"t", breaks=(BreakPlan(5 * MS, 2 * MS),))
    wire = Wire(plan)
    wire.far.begin()
    wire.wait(4 * MS)
    assert (wire.far.quiet, wire.far.disturbed) == (False, True)
    wire.wait(2 * MS)
    assert wire.wires["sin"].level == 0
    wire.wait(4 * MS)
    assert [(data, flags) for _, data, flags in wire.came] == [(ord("t"), 0), (0, BREAK | 8)]
    assert (wire.far.quiet, wire.far.disturbed) == (True, False)


def test_noise_repeats_with_its_seed() -> None:
    """Noise damages some characters, the same ones for the same seed, and ends when it should."""
    noise = NoisePlan(Fraction(400), 60_000_000, until_ps=60 * MS)
    plan = FarEndPlan(kind="source", data=bytes(range(100)), noise=noise)
    found = []
    for seed in (1, 1, 2):
        wire = Wire(plan, seed=seed)
        wire.far.begin()
        assert wire.far.disturbed
        wire.wait(120 * MS)
        assert not wire.far.disturbed
        found.append(wire.came)
    assert found[0] == found[1]
    assert found[0] != found[2]
    clean = [data for at_ps, data, flags in found[0] if at_ps > 63 * MS]
    assert clean == list(range(100))[-len(clean) :]


def test_ready_wires() -> None:
    """A far end that is there raises CTS, DSR and DCD."""
    wires = Wire(FarEndPlan()).wires
    assert [wires[name].level for name in ("cts", "dsr", "dcd")] == [1, 1, 1]


def test_rts_stops_and_starts_it() -> None:
    """With flow control it speaks only while RTS is up, and finishes the character under way."""
    wire = Wire(FarEndPlan(kind="source", data=b"tide", flow=True))
    wire.far.begin()
    wire.wait(5 * MS)
    assert wire.heard == b""
    wire.wires["rts"].set(1)
    wire.wait(3 * CHARACTER_PS // 2)
    wire.wires["rts"].set(0)
    wire.wait(20 * MS)
    assert wire.heard == b"ti"
    assert not wire.far.quiet
    wire.wires["rts"].set(1)
    wire.wait(20 * MS)
    assert (wire.heard, wire.far.quiet) == (b"tide", True)


def test_cts_drops_while_its_buffer_is_full() -> None:
    """With flow control CTS falls when the buffer is full, and rises when it was emptied."""
    wire = Wire(FarEndPlan(flow=True, buffer_bytes=3, busy_ps=4 * MS))
    wire.send(b"ti")
    assert wire.wires["cts"].level == 1
    wire.send(b"d")
    assert wire.wires["cts"].level == 0
    wire.wait(4 * MS)
    assert wire.wires["cts"].level == 1


# what a far end still sends, and when it begins


@pytest.mark.parametrize("lag", [0, 1, 4, 64])
def test_a_far_end_with_a_fifo_sends_on_after_rts_has_dropped(lag: int) -> None:
    """It ends the character under way, then sends just so many more, all of them whole."""
    wire = Wire(FarEndPlan(kind="source", data=bytes(range(100)), flow=True, lag=lag))
    wire.wires["rts"].set(1)
    wire.far.begin()
    wire.wait(3 * CHARACTER_PS // 2)
    wire.wires["rts"].set(0)
    wire.wait(100 * CHARACTER_PS)
    assert wire.heard == bytes(range(2 + lag))
    assert all(not flags for _, _, flags in wire.came)
    assert not wire.far.quiet


def test_it_goes_on_when_rts_rises_and_lags_again_when_it_falls() -> None:
    """Each fall of RTS finds the FIFO of the far end full; nothing is left out or said twice."""
    wire = Wire(FarEndPlan(kind="source", data=bytes(range(20)), flow=True, lag=3))
    wire.far.begin()
    heard = []
    for _ in range(4):
        wire.wires["rts"].set(1)
        wire.wait(3 * CHARACTER_PS // 2)
        wire.wires["rts"].set(0)
        wire.wait(30 * CHARACTER_PS)
        heard.append(len(wire.came))
    assert heard == [5, 10, 15, 20]
    assert wire.heard == bytes(range(20))
    assert wire.far.quiet


def test_rts_that_rises_while_it_lags_is_as_if_it_had_stayed_up() -> None:
    """A short fall of RTS makes no gap between characters."""
    wire = Wire(FarEndPlan(kind="source", data=bytes(range(10)), flow=True, lag=4))
    wire.wires["rts"].set(1)
    wire.far.begin()
    wire.wait(CHARACTER_PS // 2)
    wire.wires["rts"].set(0)
    wire.wait(2 * CHARACTER_PS)
    wire.wires["rts"].set(1)
    wire.wait(20 * CHARACTER_PS)
    assert wire.heard == bytes(range(10))
    assert wire.came[-1][0] - wire.came[0][0] == pytest.approx(9 * CHARACTER_PS, rel=0.01)


def test_a_far_end_that_is_silent_has_nothing_in_its_fifo() -> None:
    """What it has to say after RTS has dropped waits, whatever its lag."""
    wire = Wire(FarEndPlan(flow=True, lag=4))
    wire.wires["rts"].set(1)
    wire.far.say(b"t")
    wire.wait(2 * CHARACTER_PS)
    wire.wires["rts"].set(0)
    wire.far.say(b"ide")
    wire.wait(10 * CHARACTER_PS)
    assert wire.heard == b"t"
    wire.wires["rts"].set(1)
    wire.wait(10 * CHARACTER_PS)
    assert wire.heard == b"tide"


def test_watchers_learn_of_each_character_as_it_begins() -> None:
    """Where RTS is heeded, `on_speak` is called at each start bit and at no other time."""
    wire = Wire(FarEndPlan(kind="source", data=b"tide", flow=True, lag=1))
    times: list[int] = []
    wire.far.on_speak.append(lambda: times.append(wire.clock.now_ps))
    wire.far.begin()
    wire.wait(5 * CHARACTER_PS)
    wire.wires["rts"].set(1)
    wire.wait(CHARACTER_PS // 2)
    wire.wires["rts"].set(0)
    wire.wait(5 * CHARACTER_PS)
    assert [round(at / CHARACTER_PS) for at in times] == [5, 6]


EAGER = FarEndPlan(kind="source", data=b"tide", flow=True, eager=True, start_ps=3 * MS)


def test_an_eager_far_end_begins_when_rts_rises() -> None:
    """Once the driver is being opened it begins at the first rise of RTS, and its times count."""
    wire = Wire(EAGER)
    wire.far.attend()
    wire.wait(5 * MS)
    assert wire.far.quiet
    wire.wires["rts"].set(1)
    assert not wire.far.quiet
    wire.wait(3 * MS + 5 * CHARACTER_PS)
    assert wire.came[0][0] == pytest.approx(8 * MS + CHARACTER_PS, abs=2 * HALF_BIT_PS)
    assert wire.heard == b"tide"


def test_an_eager_far_end_begins_once() -> None:
    """Neither the return of open nor another rise of RTS starts it again."""
    wire = Wire(EAGER)
    wire.far.attend()
    for level in (1, 0, 1):
        wire.wires["rts"].set(level)
    wire.far.opened()
    wire.far.attend()
    wire.wires["rts"].set(0)
    wire.wires["rts"].set(1)
    wire.wait(20 * MS)
    assert wire.heard == b"tide"


def test_an_eager_far_end_takes_rts_that_was_up_for_an_invitation() -> None:
    """Where RTS was up before and never moved, it begins when open has returned."""
    wire = Wire(EAGER)
    wire.wires["rts"].set(1)
    wire.far.attend()
    wire.wait(10 * MS)
    assert wire.far.sent == b""
    wire.far.opened()
    wire.wait(10 * MS)
    assert wire.heard == b"tide"


def test_an_eager_far_end_that_is_not_invited_is_quiet() -> None:
    """As long as RTS stays down it says nothing, and nobody need wait for it."""
    wire = Wire(EAGER)
    wire.far.attend()
    wire.far.opened()
    wire.wait(20 * MS)
    assert (wire.far.sent, wire.far.quiet) == (b"", True)


def test_any_other_far_end_begins_when_open_has_returned() -> None:
    """Without `eager` RTS starts nothing before that."""
    wire = Wire(FarEndPlan(kind="source", data=b"tide", flow=True))
    wire.far.attend()
    wire.wires["rts"].set(1)
    wire.wait(10 * MS)
    assert wire.far.sent == b""
    wire.far.opened()
    wire.wait(10 * MS)
    assert wire.heard == b"tide"
