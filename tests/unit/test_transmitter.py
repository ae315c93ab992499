"""The transmitter: frames on a wire, breaks, and what happens to a frame under way."""

from __future__ import annotations

import pytest

from emu.kernel.clock import Clock
from emu.kernel.signal import Signal
from emu.line.frame import BitRate, FrameFormat
from emu.line.transmitter import Transmitter
from tests.serial_port import edges_of

HALF = BitRate(500, 1)  # a bit takes 1000 ps
SLOW = BitRate(1000, 1)


def sender() -> tuple[Transmitter, Clock, list[tuple[int, int]]]:
    """Return a transmitter at 1000 ps a bit, its clock, and the edges of its wire as they come."""
    clock = Clock()
    wire = Signal(clock, "sea.line", level=1)
    transmitter = Transmitter(clock, wire)
    transmitter.configure(FrameFormat(), HALF)
    return transmitter, clock, edges_of(wire, clock)


def test_frame_on_the_wire() -> None:
    """0x0F is low for the start bit, high for four bits, low for four, then high."""
    transmitter, clock, edges = sender()

    assert transmitter.send(0x0F, 100) == 10_100
    clock.run_until(20_000)
    assert edges == [(100, 0), (1100, 1), (5100, 0), (9100, 1)]


def test_frames_back_to_back() -> None:
    """A frame may start the moment the one before it ends."""
    transmitter, clock, edges = sender()
    transmitter.send(0xFF, transmitter.send(0xFF, 0))
    clock.run_until(30_000)

    assert edges == [(0, 0), (1000, 1), (10_000, 0), (11_000, 1)]


def test_format_counts_from_the_next_frame() -> None:
    """A frame that was begun keeps its format."""
    transmitter, clock, edges = sender()
    end_ps = transmitter.send(0xFF, 0)
    transmitter.configure(FrameFormat(5, "none", 2), SLOW)
    clock.run_until(end_ps)
    transmitter.send(0x1F, end_ps)
    clock.run_until(40_000)

    assert edges == [(0, 0), (1000, 1), (10_000, 0), (12_000, 1)]
    assert transmitter.frame_ps == 14_000


def test_same_format_keeps_the_waveforms() -> None:
    """Configuring what is in use costs nothing: the waveforms stay the same objects."""
    transmitter, _, _ = sender()
    before = transmitter.shapes
    transmitter.configure(FrameFormat(), BitRate(500, 1))

    assert transmitter.shapes is before


class TestBreak:
    """A break holds the wire at space."""

    def test_over_an_idle_wire(self) -> None:
        """The wire is low from the one call to the other."""
        transmitter, clock, edges = sender()
        clock.run_until(500)
        transmitter.hold_break(True)
        transmitter.hold_break(True)
        clock.run_until(2000)
        transmitter.hold_break(False)

        assert edges == [(500, 0), (2000, 1)]

    def test_cuts_a_frame_and_shows_the_rest_of_it(self) -> None:
        """Bits under the break are lost on the wire, those after it are right."""
        transmitter, clock, edges = sender()
        transmitter.send(0x55, 0)
        clock.run_until(2500)
        transmitter.hold_break(True)
        clock.run_until(5500)
        transmitter.hold_break(False)
        clock.run_until(20_000)

        assert edges == [(0, 0), (1000, 1), (2000, 0), (5500, 1), (6000, 0), (7000, 1),
                         (8000, 0), (9000, 1)]  # fmt: skip

    def test_a_frame_begun_under_it(self) -> None:
        """A frame sent during a break takes its time unseen, its end shows if the break ends."""
        transmitter, clock, edges = sender()
        transmitter.hold_break(True)
        assert transmitter.send(0x55, 0) == 10_000
        clock.run_until(7500)
        transmitter.hold_break(False)
        clock.run_until(20_000)

        assert edges == [(0, 0), (7500, 1), (8000, 0), (9000, 1)]

    def test_longer_than_the_frame(self) -> None:
        """After a break that outlasts the frame the wire is idle."""
        transmitter, clock, edges = sender()
        transmitter.send(0x00, 0)
        clock.run_until(3000)
        transmitter.hold_break(True)
        clock.run_until(15_000)
        transmitter.hold_break(False)
        clock.run_until(30_000)

        assert edges == [(0, 0), (15_000, 1)]


class TestUnderWay:
    """A frame under way meets another rate, another wire, or its end."""

    def test_another_rate(self) -> None:
        """What is left takes twice as long at half the rate, from the moment of the change."""
        transmitter, clock, edges = sender()
        transmitter.send(0x55, 0)
        clock.run_until(2500)

        assert transmitter.retime(SLOW) == 2500 + 2 * 7500
        clock.run_until(30_000)
        assert edges == [(0, 0), (1000, 1), (2000, 0), (3500, 1), (5500, 0), (7500, 1),
                         (9500, 0), (11_500, 1), (13_500, 0), (15_500, 1)]  # fmt: skip

    def test_another_rate_and_back_at_once(self) -> None:
        """Two changes at one moment leave the frame as it was."""
        transmitter, clock, edges = sender()
        transmitter.send(0x0F, 0)
        clock.run_until(6500)
        transmitter.retime(SLOW)

        assert transmitter.retime(HALF) == 10_000
        clock.run_until(20_000)
        assert edges == [(0, 0), (1000, 1), (5000, 0), (9000, 1)]

    def test_another_rate_under_a_break(self) -> None:
        """The rest of the frame that shows after a break has the right levels and the new rate."""
        transmitter, clock, edges = sender()
        transmitter.send(0x0F, 0)
        clock.run_until(6500)
        transmitter.hold_break(True)
        transmitter.retime(SLOW)
        transmitter.hold_break(False)
        clock.run_until(30_000)

        assert edges == [(0, 0), (1000, 1), (5000, 0), (11_500, 1)]

    def test_another_rate_between_frames(self) -> None:
        """Without a frame under way a change of rate is over at once."""
        transmitter, clock, _ = sender()
        clock.run_until(transmitter.send(0xFF, 0))

        assert transmitter.retime(SLOW) == clock.now_ps == 10_000
        assert transmitter.frame_ps == 20_000

    def test_another_wire(self) -> None:
        """The wire that is left falls idle, the other one gets the rest of the frame."""
        transmitter, clock, edges = sender()
        other = Signal(clock, "sea.loop", level=1)
        others = edges_of(other, clock)
        transmitter.send(0x0F, 0)
        clock.run_until(6500)
        transmitter.move(other)
        transmitter.move(other)
        clock.run_until(20_000)

        assert edges == [(0, 0), (1000, 1), (5000, 0), (6500, 1)]
        assert others == [(6500, 0), (9000, 1)]

    def test_another_wire_in_a_break(self) -> None:
        """A break goes along."""
        transmitter, clock, edges = sender()
        other = Signal(clock, "sea.loop", level=1)
        transmitter.hold_break(True)
        clock.run_until(100)
        transmitter.move(other)

        assert edges == [(0, 0), (100, 1)]
        assert other.level == 0

    @pytest.mark.parametrize("breaking", [False, True])
    def test_stop(self, *, breaking: bool) -> None:
        """Stopping drops the frame and any break, for good."""
        transmitter, clock, edges = sender()
        transmitter.send(0x00, 0)
        clock.run_until(3000)
        transmitter.hold_break(breaking)
        transmitter.stop()
        transmitter.hold_break(True)
        clock.run_until(4000)
        transmitter.hold_break(False)
        clock.run_until(20_000)

        assert edges == [(0, 0), (3000, 1), (3000, 0), (4000, 1)]
