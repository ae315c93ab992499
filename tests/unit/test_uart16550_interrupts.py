"""Which interrupt the serial controller reports, and what takes it away.

Source of every check unless it says otherwise: PC16550D datasheet, National Semiconductor,
TL/C/8652, June 1995, Table IV with 8.6 and 8.7, confirmed by TL16C554 (SLLS165D, table 5) and
TL16C750 (SLLS191C, table 5). Checks: 7 rows of the table, 6 values with FIFOs on, 10 orders of two
sources, 6 ways to clear, 4 rows of the reset controls of Table I, 6 header constants.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import pytest

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from tests.serial_port import SerialPort

LINE, RX, TIMEOUT, THRE, MODEM, NONE = 0x06, 0x04, 0x0C, 0x02, 0x00, 0x01
FIFO_ON = 0x01


def line_status(port: SerialPort) -> None:
    """Lose a character: an overrun, which leaves the buffer as it is."""
    for _ in range(17):
        port.arrive_with(0)


def broken_character(port: SerialPort) -> None:
    """Let a character with a framing error arrive."""
    port.arrive_with(0x08)


def data(port: SerialPort) -> None:
    """Let as many characters arrive as the trigger wants, which is 8 here."""
    for _ in range(8):
        port.arrive_with(0)


def silence(port: SerialPort) -> None:
    """Let a character arrive and nothing after it."""
    port.arrive_with(0)
    port.wait(5 * port.character_ps)


def nothing_to_send(port: SerialPort) -> None:
    """Enable the transmitter's interrupt while it is empty."""
    ier = port.read("IER")
    port.write("IER", ier & ~0x02)
    port.write("IER", ier | 0x02)


def modem_change(port: SerialPort) -> None:
    """Change a modem input."""
    dcd = port.uart.signals["dcd"]
    dcd.set(1 - dcd.level)


Cause = Callable[[SerialPort], None]
# Table IV: priority, value of bits 3 to 0, cause.
SOURCES: list[tuple[int, int, Cause]] = [
    (1, LINE, broken_character),
    (2, RX, data),
    (2, TIMEOUT, silence),
    (3, THRE, nothing_to_send),
    (4, MODEM, modem_change),
]
# linux/serial_reg.h.
HEADER = {
    "IIR_NO_INT": NONE, "IIR_MSI": MODEM, "IIR_THRI": THRE, "IIR_RDI": RX, "IIR_RLSI": LINE,
    "IIR_RX_TIMEOUT": TIMEOUT,
}  # fmt: skip


def ready(ier: int = 0x0F, fcr: int = FIFO_ON | 2 << 6) -> SerialPort:
    """Return a controller with FIFOs, trigger 8, interrupts enabled and none pending."""
    port = SerialPort(fcr=fcr)
    port.write("IER", ier)
    port.read("IIR")
    assert port.read("IIR") & 0x0F == NONE
    return port


class TestIdentification:
    """Values and order."""

    @pytest.mark.parametrize(("priority", "value", "cause"), SOURCES)
    def test_value_with_fifos(self, priority: int, value: int, cause: Cause) -> None:
        """Each source shows its value, with bits 6 and 7 set while FIFOs are on."""
        port = ready()
        cause(port)

        assert priority in (1, 2, 3, 4)
        assert (port.irq, port.read("IIR")) == (1, 0xC0 | value)

    def test_no_source_with_fifos(self) -> None:
        """Without a source IIR is 0xC1 and the line is low."""
        port = ready()

        assert (port.irq, port.read("IIR")) == (0, 0xC1)

    @pytest.mark.parametrize(
        ("value", "cause"),
        [
            (LINE, broken_character),
            (LINE, line_status),
            (RX, silence),
            (THRE, nothing_to_send),
            (MODEM, modem_change),
            (NONE, lambda _port: None),
        ],
    )
    def test_value_without_fifos(self, value: int, cause: Cause) -> None:
        """Without FIFOs bits 3 to 7 are 0, and a character alone is data, not a time-out."""
        port = ready(fcr=0)
        cause(port)

        assert port.read("IIR") == value

    @pytest.mark.parametrize(("high", "low"), list(combinations(SOURCES, 2)))
    @pytest.mark.parametrize("low_first", [True, False])
    def test_order(
        self,
        *,
        high: tuple[int, int, Cause],
        low: tuple[int, int, Cause],
        low_first: bool,
    ) -> None:
        """Of two pending sources the one of higher priority shows, whichever came first."""
        port = ready()
        first = line_status if high[1] == LINE else high[2]  # shows whatever is at the top
        causes = (low[2], first) if low_first else (first, low[2])
        for cause in causes:
            cause(port)
        shown = port.uart.peek("IIR") & 0x0F

        if (high[0], low[0]) == (2, 2):
            assert shown == RX  # trigger and time-out share a priority; with both, the trigger
        else:
            assert shown == high[1]

    def test_all_at_once_come_out_in_order(self) -> None:
        """With every source pending, each is shown once those above it are served."""
        port = ready()
        for cause in (modem_change, nothing_to_send, data, line_status):
            cause(port)
        shown = []
        serve: dict[int, Cause] = {
            LINE: lambda port: [port.read("LSR")].clear(),
            RX: SerialPort.empty,
            THRE: lambda _port: None,  # the read of IIR did it
            MODEM: lambda port: [port.read("MSR")].clear(),
        }
        while (value := port.read("IIR") & 0x0F) != NONE:
            shown.append(value)
            serve[value](port)

        assert shown == [LINE, RX, THRE, MODEM]
        assert port.irq == 0

    @pytest.mark.parametrize("name", HEADER)
    def test_header(self, name: str, serial_reg: dict[str, int]) -> None:
        """The values equal the constants of linux/serial_reg.h."""
        assert serial_reg[f"UART_{name}"] == HEADER[name]


class TestClearing:
    """What takes each source away, and what does not."""

    @pytest.mark.parametrize("flags", [0x04, 0x08, 0x10, 0x1C])
    def test_line_status_by_reading_lsr(self, flags: int) -> None:
        """PE, FE and BI each raise it, a read of LSR clears it, data then shows (Table IV)."""
        port = ready(fcr=FIFO_ON)
        port.arrive_with(flags)
        assert port.read("IIR") == 0xC0 | LINE
        port.read("LSR")

        assert port.read("IIR") == 0xC0 | RX

    def test_overrun_raises_line_status(self) -> None:
        """OE raises it as well."""
        port = ready()
        line_status(port)
        assert port.read("IIR") == 0xC0 | LINE
        port.read("LSR")

        assert port.read("IIR") == 0xC0 | RX

    def test_line_status_not_by_reading_the_character(self) -> None:
        """A read of RBR leaves the error bits and their interrupt pending (Table I, controls)."""
        port = ready(fcr=FIFO_ON)
        port.arrive_with(0x08)
        port.read("RBR")

        assert port.read("IIR") == 0xC0 | LINE

    def test_data_by_reading_rbr(self) -> None:
        """Without FIFOs the read of RBR clears received data available (Table IV)."""
        port = ready(fcr=0)
        port.arrive_with(0)
        assert port.irq == 1
        port.read("RBR")

        assert (port.irq, port.read("IIR")) == (0, NONE)

    def test_modem_by_reading_msr(self) -> None:
        """A read of MSR clears it (Table IV)."""
        port = ready()
        modem_change(port)
        assert port.irq == 1
        port.read("MSR")

        assert (port.irq, port.read("IIR")) == (0, 0xC0 | NONE)

    @pytest.mark.parametrize(("_priority", "value", "cause"), SOURCES)
    def test_reading_iir_clears_the_transmitter_only(
        self, _priority: int, value: int, cause: Cause
    ) -> None:
        """The read of IIR takes nothing away but the transmitter's interrupt."""
        port = ready()
        cause(port)
        port.read("IIR")

        assert port.read("IIR") == 0xC0 | (NONE if value == THRE else value)

    @pytest.mark.parametrize(("_priority", "value", "cause"), SOURCES)
    def test_a_look_clears_nothing(self, _priority: int, value: int, cause: Cause) -> None:
        """A look from a test or report leaves every source pending."""
        port = ready()
        cause(port)

        assert [port.uart.peek("IIR") for _ in range(2)] == [0xC0 | value] * 2
        assert port.irq == 1

    @pytest.mark.parametrize(("_priority", "_value", "cause"), SOURCES)
    def test_reset_clears_each(self, _priority: int, _value: int, cause: Cause) -> None:
        """MR clears every source (Table I, interrupt rows)."""
        port = ready()
        cause(port)
        port.uart.reset()
        port.write("IER", 0x0D)

        assert (port.irq, port.read("IIR")) == (0, NONE)


class TestEnabling:
    """IER (8.7): a source that is off neither shows nor drives the line; status goes on."""

    @pytest.mark.parametrize(("_priority", "value", "cause"), SOURCES)
    def test_a_disabled_source_is_hidden(self, _priority: int, value: int, cause: Cause) -> None:
        """With its bit in IER at 0 the source shows neither in IIR nor on the line."""
        bit = {LINE: 4, RX: 1, TIMEOUT: 1, THRE: 2, MODEM: 8}[value]
        port = ready()
        cause(port)
        port.write("IER", port.read("IER") & ~bit)
        shown = port.uart.peek("IIR") & 0x0F

        assert shown != value
        assert port.irq == (shown != NONE)

    @pytest.mark.parametrize("cause", [broken_character, data, silence, modem_change])
    def test_enabling_later_shows_what_is_pending(self, cause: Cause) -> None:
        """A cause that came while its source was off is shown when it is enabled."""
        port = ready(0)
        cause(port)
        assert port.irq == 0
        port.write("IER", 0x0D)

        assert port.irq == 1

    def test_status_goes_on_while_interrupts_are_off(self) -> None:
        """LSR and MSR tell what happened with IER at 0."""
        port = ready(0)
        broken_character(port)
        modem_change(port)

        assert (port.irq, port.read("IIR")) == (0, 0xC1)
        assert port.read("LSR") & 0x09 == 0x09
        assert port.read("MSR") & 0x88 == 0x88

    def test_no_two_enables_are_mixed_up(self) -> None:
        """Each bit of IER lets through its own source and no other (8.7)."""
        seen = {}
        for bit in range(4):
            port = ready(0, fcr=0)
            port.write("IER", 1 << bit)
            port.arrive_with(0x08)
            modem_change(port)
            seen[bit] = port.read("IIR")

        assert seen == {0: RX, 1: THRE, 2: LINE, 3: MODEM}


def test_identification_is_frozen_while_it_is_read() -> None:
    """What comes up while IIR is read shows at the next read, not in this one (8.6)."""
    board = Board("harbour")
    io = board.attach(Uart16550, "gauge", 0, settings={"clock": 1_600_000})
    board.power_on()
    uart = board.device("gauge")
    assert isinstance(uart, Uart16550)
    io.write8(1, 0x05)
    board.clock.schedule(board.clock.now_ps + 1, lambda: uart.receive(0x41, 0))

    assert io.read8(2) == NONE
    assert io.read8(2) == RX
