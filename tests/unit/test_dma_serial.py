"""The DMA controller between memory and a serial controller: request wires, and when it is done.

The request wires stand for RXRDY and TXRDY of the PC16550D (TL/C/8652, June 1995), as far as
`emu.devices.uart16550_requests` says so.
"""

from __future__ import annotations

import pytest

from emu.devices.dma import Dma
from emu.devices.uart16550 import Uart16550
from emu.errors import DeclarationError
from emu.kernel.board import Board
from tests.dma_bench import (
    BUSY,
    CIRCULAR,
    DONE,
    HALF,
    LEFT,
    LOG,
    PACED,
    STATUS,
    STEP_DESTINATION,
    STEP_SOURCE,
    Bench,
)

UART = 0x1000
RECEIVE, TRANSMIT = PACED | STEP_DESTINATION, PACED | STEP_SOURCE | 1 << 8
CHARACTER_US = 10 * 16 * 1_000_000 // 1_843_200 + 1  # 10 bits at 115200 baud, rounded up


class Port(Bench):
    """A board with memory, an engine and a serial controller at 115200 8N1."""

    def __init__(self, **parameters: object) -> None:
        board = Board("harbour")
        self.serial = board.attach(Uart16550, "telemetry", UART, irq=4)
        wires = "telemetry.rx_request, telemetry.tx_request"
        super().__init__(board, requests=wires, **parameters)
        device = board.devices["telemetry"]
        assert isinstance(device, Uart16550)
        self.uart = device
        for name, value in (("LCR", 0x83), ("DLL", 1), ("DLM", 0), ("LCR", 0x03), ("FCR", 0x01)):
            device.ports[name].write(value)

    def arrive(self, data: bytes) -> None:
        """Let characters come from the line, one after the other."""
        shapes = self.uart.transmitter.shapes
        start_ps = self.clock.now_ps
        self.uart.sin.play_row(
            [start_ps + one * shapes.frame_ps for one in range(len(data))], shapes.row(data)
        )

    def characters(self, count: int) -> None:
        """Let as many character times pass."""
        self.run(us=count * CHARACTER_US)


def test_what_arrives_goes_to_memory() -> None:
    """Each character is moved when it has arrived, so none is left and none is lost."""
    port = Port()
    port.start(UART, LOG, 40, RECEIVE)
    port.run(us=1000)
    assert port.read(LEFT) == 40
    port.arrive(b"high water 04:12, low water 10:25, ebb..")
    port.characters(20)
    assert port.read(LEFT) in {20, 21}
    port.characters(21)
    assert bytes(port.ram[:40]) == b"high water 04:12, low water 10:25, ebb.."
    assert port.read(STATUS) == HALF | DONE
    assert not port.uart.peek("LSR") & 0x03


def test_a_late_rearm_loses_what_the_fifo_cannot_hold() -> None:
    """Between DONE and the next start only the FIFO keeps characters: the seventeenth is lost."""
    port = Port()
    port.start(UART, LOG, 4, RECEIVE)
    port.arrive(bytes(range(4 + 17)))
    port.characters(22)
    assert port.read(STATUS) & DONE
    port.start(UART, LOG + 4, 16, RECEIVE)
    port.run(us=20)
    assert bytes(port.ram[:20]) == bytes(range(20))
    assert port.uart.peek("LSR.OE")


def test_done_is_not_the_end_on_the_wire() -> None:
    """DONE rises with the last item handed over, while the FIFO and the shifter still hold some."""
    port = Port()
    port.ram[:8] = b"ebb tide"
    port.start(LOG, UART, 8, TRANSMIT)
    port.run(us=20)
    assert port.read(STATUS) == HALF | DONE
    assert not port.uart.peek("LSR.TEMT")
    port.characters(9)
    assert port.uart.peek("LSR.TEMT")


def test_done_once_landed_is_the_end_on_the_wire() -> None:
    """With ``done: landed`` BUSY stays up, and DONE is down, until the last stop bit has left."""
    port = Port(done="landed")
    port.ram[:8] = b"ebb tide"
    port.start(LOG, UART, 8, TRANSMIT)
    port.run(us=20)
    assert (port.read(STATUS), port.read(LEFT)) == (BUSY | HALF, 0)
    while port.read(STATUS) & BUSY:
        assert port.uart.transmitter.shifting or not port.uart.peek("LSR.TEMT")
        port.run(us=1)
    assert port.read(STATUS) == HALF | DONE
    assert port.uart.peek("LSR.TEMT")


def test_an_engine_that_stood_still_notices_what_landed() -> None:
    """Halted while the last stop bit leaves, it says DONE once it goes on."""
    port = Port(done="landed")
    port.start(LOG, UART, 2, TRANSMIT)
    port.run(us=20)
    port.dma.halt(True)
    port.characters(5)
    assert port.read(STATUS) == BUSY | HALF
    port.dma.halt(False)
    assert port.read(STATUS) == HALF | DONE


def test_more_than_the_fifo_holds_waits_for_room() -> None:
    """A transfer larger than the FIFO is paced by the line: nothing is written without room."""
    port = Port()
    message = bytes(range(64))
    port.ram[:64] = message
    sent: list[int] = []
    port.uart.monitor = _Sent(sent)  # type: ignore[assignment]
    port.start(LOG, UART, 64, TRANSMIT)
    port.characters(20)
    assert 64 - 16 - 20 - 1 <= port.read(LEFT) <= 64 - 16 - 18
    port.characters(47)
    assert (bytes(sent), port.read(STATUS)) == (message, HALF | DONE)


def test_a_circular_receiver_wraps_at_its_end() -> None:
    """The position, COUNT less LEFT, is where the next character goes."""
    port = Port()
    port.start(UART, LOG, 8, RECEIVE | CIRCULAR)
    port.arrive(b"0123456789a")
    port.characters(12)
    assert (port.read(LEFT), bytes(port.ram[:8])) == (5, b"89a34567")


def test_request_wires_follow_the_buffers() -> None:
    """rx_request is up while a character waits, tx_request while there is room, tx_idle at rest."""
    port = Port()
    wires, uart = port.uart.signals, port.uart

    def levels() -> tuple[int, ...]:
        return tuple(wires[one].level for one in ("rx_request", "tx_request", "tx_idle"))

    assert levels() == (0, 1, 1)
    port.arrive(b"a")
    port.characters(1)
    assert levels() == (1, 1, 1)
    port.serial.read8(0)
    assert levels() == (0, 1, 1)
    for _ in range(16):
        uart.ports["THR"].write(0x55)
    assert levels() == (0, 0, 0)
    port.characters(1)
    assert levels() == (0, 1, 0)
    uart.ports["THR"].write(0x55)
    assert levels() == (0, 0, 0)
    uart.ports["FCR"].write(0x05)
    assert levels() == (0, 1, 0)
    port.characters(2)
    assert levels() == (0, 1, 1)
    uart.ports["THR"].write(0x55)
    uart.reset()
    assert levels() == (0, 1, 1)


def test_without_its_fifo_there_is_room_for_one() -> None:
    """With the FIFO off one character fills the holding register."""
    port = Port()
    port.uart.ports["FCR"].write(0)
    port.uart.ports["THR"].write(0x55)
    assert port.uart.signals["tx_request"].level == 0
    port.characters(1)
    assert port.uart.signals["tx_request"].level == 1


def test_a_change_of_the_rate_moves_the_end() -> None:
    """tx_idle waits for a character whose rate is changed on its way."""
    port = Port()
    port.uart.ports["THR"].write(0x55)
    port.run(us=20)
    for name, value in (("LCR", 0x83), ("DLL", 10), ("LCR", 0x03)):
        port.uart.ports[name].write(value)
    port.characters(2)
    assert port.uart.signals["tx_idle"].level == 0
    port.characters(9)
    assert port.uart.signals["tx_idle"].level == 1


def test_a_controller_without_an_engine_has_no_request_wires() -> None:
    """Who asks for no wire pays for none."""
    board = Board("harbour")
    board.attach(Uart16550, "telemetry", UART)
    board.attach(Dma, "mover", 0x4000)
    board.power_on()
    assert not {"rx_request", "tx_request", "tx_idle"} & set(board.devices["telemetry"].signals)


@pytest.mark.parametrize(
    ("requests", "fix"),
    [
        ("telemetri.rx_request", "did you mean 'telemetry'?"),
        ("telemetry.rx_requst", "did you mean 'rx_request'?"),
        ("telemetry", ""),
    ],
)
def test_a_wire_that_is_not_there_is_refused(requests: str, fix: str) -> None:
    """A board whose engine asks for a wire that nobody has is not switched on."""
    board = Board("harbour")
    board.attach(Uart16550, "telemetry", UART)
    board.attach(Dma, "mover", 0x4000, settings={"requests": requests})
    with pytest.raises(DeclarationError) as caught:
        board.power_on()
    assert (caught.value.where, caught.value.fix) == ("device mover", fix)
    assert repr(requests) in caught.value.what


class _Sent:
    """Take down what goes on the wire; every write must find room."""

    def __init__(self, sent: list[int]) -> None:
        self._sent = sent

    def loaded(self, data: int) -> None:
        """Pass over what waits."""

    def shifting(self, data: int, end_ps: int) -> None:
        """Note what leaves."""
        self._sent.append(data)
