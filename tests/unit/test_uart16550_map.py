"""The register map of the serial controller against published tables.

Sources: PC16550D datasheet, National Semiconductor, TL/C/8652, June 1995 ("PC16550D" below), and
the header ``linux/serial_reg.h`` (Debian linux-libc-dev).

Checks: 12 rows of the address table, 41 fields of Table II with 5 whole bytes and 3 sets of zero
bits, 7 registers and 6 outputs of Table I with 4 registers it leaves alone, 68 constants of the
header.
"""

from __future__ import annotations

import pytest

from emu.devices.uart16550 import Uart16550
from emu.devices.uart16550_map import REGISTERS
from emu.kernel.board import Board
from emu.kernel.bus import Window
from emu.kernel.register import Register
from tests.serial_port import SerialPort

BY_NAME: dict[str, Register] = {one.name: one for one in REGISTERS}

# PC16550D section 6.0, Register Addresses: name, offset, DLAB (None: does not matter), direction.
ADDRESSES = [
    ("RBR", 0, 0, "r"),
    ("THR", 0, 0, "w"),
    ("IER", 1, 0, "rw"),
    ("IIR", 2, None, "r"),
    ("FCR", 2, None, "w"),
    ("LCR", 3, None, "rw"),
    ("MCR", 4, None, "rw"),
    ("LSR", 5, None, "r"),
    ("MSR", 6, None, "r"),  # the text describes reading only; other parts print read/write
    ("SCR", 7, None, "rw"),
    ("DLL", 0, 1, "rw"),
    ("DLM", 1, 1, "rw"),
]

# PC16550D section 8.0, Table II, and 8.1, 8.4 to 8.10: register, field, lowest bit, width.
BITS = [
    ("IER", "ERBFI", 0, 1),
    ("IER", "ETBEI", 1, 1),
    ("IER", "ELSI", 2, 1),
    ("IER", "EDSSI", 3, 1),
    ("IIR", "NONE", 0, 1),
    ("IIR", "ID", 1, 3),
    ("IIR", "FIFO", 6, 2),
    ("FCR", "ENABLE", 0, 1),
    ("FCR", "RESET_RX", 1, 1),
    ("FCR", "RESET_TX", 2, 1),
    ("FCR", "DMA_MODE", 3, 1),
    ("FCR", "FIFO64", 5, 1),  # reserved on the PC16550D; TL16C750, SLLS191C
    ("FCR", "TRIGGER", 6, 2),
    ("LCR", "WLS", 0, 2),
    ("LCR", "STB", 2, 1),
    ("LCR", "PEN", 3, 1),
    ("LCR", "EPS", 4, 1),
    ("LCR", "STICK", 5, 1),
    ("LCR", "BREAK", 6, 1),
    ("LCR", "DLAB", 7, 1),
    ("MCR", "DTR", 0, 1),
    ("MCR", "RTS", 1, 1),
    ("MCR", "OUT1", 2, 1),
    ("MCR", "OUT2", 3, 1),
    ("MCR", "LOOP", 4, 1),
    ("LSR", "DR", 0, 1),
    ("LSR", "OE", 1, 1),
    ("LSR", "PE", 2, 1),
    ("LSR", "FE", 3, 1),
    ("LSR", "BI", 4, 1),
    ("LSR", "THRE", 5, 1),
    ("LSR", "TEMT", 6, 1),
    ("LSR", "FIFOE", 7, 1),
    ("MSR", "DCTS", 0, 1),
    ("MSR", "DDSR", 1, 1),
    ("MSR", "TERI", 2, 1),
    ("MSR", "DDCD", 3, 1),
    ("MSR", "CTS", 4, 1),
    ("MSR", "DSR", 5, 1),
    ("MSR", "RI", 6, 1),
    ("MSR", "DCD", 7, 1),
]

# PC16550D Table II and 8.x: bits that always read 0.
ALWAYS_ZERO = [("IER", 0xF0), ("MCR", 0xE0), ("IIR", 0x10)]

# PC16550D section 7.0, Table I.
RESET_VALUES = [("IER", 0x00), ("IIR", 0x01), ("LCR", 0x00), ("MCR", 0x00), ("LSR", 0x60)]

# linux/serial_reg.h: name without UART_ and register of ours.
OFFSETS = {
    "RX": "RBR", "TX": "THR", "DLL": "DLL", "IER": "IER", "DLM": "DLM", "IIR": "IIR",
    "FCR": "FCR", "LCR": "LCR", "MCR": "MCR", "LSR": "LSR", "MSR": "MSR", "SCR": "SCR",
}  # fmt: skip
MASKS = {
    "IER_RDI": ("IER", "ERBFI"), "IER_THRI": ("IER", "ETBEI"), "IER_RLSI": ("IER", "ELSI"),
    "IER_MSI": ("IER", "EDSSI"), "IIR_NO_INT": ("IIR", "NONE"),
    "FCR_ENABLE_FIFO": ("FCR", "ENABLE"), "FCR_CLEAR_RCVR": ("FCR", "RESET_RX"),
    "FCR_CLEAR_XMIT": ("FCR", "RESET_TX"), "FCR_DMA_SELECT": ("FCR", "DMA_MODE"),
    "FCR_TRIGGER_MASK": ("FCR", "TRIGGER"), "FCR7_64BYTE": ("FCR", "FIFO64"),
    "LCR_STOP": ("LCR", "STB"), "LCR_PARITY": ("LCR", "PEN"), "LCR_EPAR": ("LCR", "EPS"),
    "LCR_SPAR": ("LCR", "STICK"), "LCR_SBC": ("LCR", "BREAK"), "LCR_DLAB": ("LCR", "DLAB"),
    "MCR_DTR": ("MCR", "DTR"), "MCR_RTS": ("MCR", "RTS"), "MCR_OUT1": ("MCR", "OUT1"),
    "MCR_OUT2": ("MCR", "OUT2"), "MCR_LOOP": ("MCR", "LOOP"),
    "LSR_DR": ("LSR", "DR"), "LSR_OE": ("LSR", "OE"), "LSR_PE": ("LSR", "PE"),
    "LSR_FE": ("LSR", "FE"), "LSR_BI": ("LSR", "BI"), "LSR_THRE": ("LSR", "THRE"),
    "LSR_TEMT": ("LSR", "TEMT"), "LSR_FIFOE": ("LSR", "FIFOE"),
    "MSR_DCTS": ("MSR", "DCTS"), "MSR_DDSR": ("MSR", "DDSR"), "MSR_TERI": ("MSR", "TERI"),
    "MSR_DDCD": ("MSR", "DDCD"), "MSR_CTS": ("MSR", "CTS"), "MSR_DSR": ("MSR", "DSR"),
    "MSR_RI": ("MSR", "RI"), "MSR_DCD": ("MSR", "DCD"),
}  # fmt: skip
WORD_LENGTHS = {"LCR_WLEN5": 5, "LCR_WLEN6": 6, "LCR_WLEN7": 7, "LCR_WLEN8": 8}
# The names _8 and _14 belong to 16-byte FIFOs; the header says what other parts do with the bits.
TRIGGERS = {"FCR_TRIGGER_1": 1, "FCR_TRIGGER_4": 4, "FCR_TRIGGER_8": 8, "FCR_TRIGGER_14": 14}
# Names of the same values without a level; the header gives both.
TRIGGER_BITS = {"FCR_R_TRIG_00": 0, "FCR_R_TRIG_01": 1, "FCR_R_TRIG_10": 2, "FCR_R_TRIG_11": 3}


def mask(register: str, field: str) -> int:
    """Return the bits of a field as declared."""
    return BY_NAME[register].field(field).mask


def on_a_bus(**settings: int) -> tuple[Uart16550, Window]:
    """Return a controller on a bus with registers a byte apart, and its window."""
    board = Board("harbour")
    window = board.attach(Uart16550, "gauge", 0x1000, settings=settings)
    board.power_on()
    device = board.device("gauge")
    assert isinstance(device, Uart16550)
    return device, window


@pytest.mark.parametrize(("name", "offset", "dlab", "direction"), ADDRESSES)
def test_address_table(name: str, offset: int, dlab: int | None, direction: str) -> None:
    """Each register stands at its printed offset, bank and direction (PC16550D 6.0)."""
    declared = BY_NAME[name]
    reads = any(one.readable for one in declared.fields) and declared.only != "w"
    writes = any(one.writable for one in declared.fields) and declared.only != "r"

    assert (declared.offset, declared.bank, declared.width) == (offset, dlab, 8)
    assert ("r" if reads else "") + ("w" if writes else "") == direction


def test_the_table_names_every_register() -> None:
    """The map holds the twelve registers of the address table and no other."""
    assert set(BY_NAME) == {name for name, *_ in ADDRESSES}


@pytest.mark.parametrize(("register", "field", "low", "width"), BITS)
def test_bits(register: str, field: str, low: int, width: int) -> None:
    """Each bit stands where Table II of the PC16550D prints it."""
    declared = BY_NAME[register].field(field)

    assert (declared.low, declared.width) == (low, width)


@pytest.mark.parametrize("register", ["RBR", "THR", "SCR", "DLL", "DLM"])
def test_whole_bytes(register: str) -> None:
    """Data, scratch and divisor registers use all eight bits (PC16550D Table II)."""
    assert BY_NAME[register].reserved == 0


@pytest.mark.parametrize(("register", "bits"), ALWAYS_ZERO)
def test_bits_that_are_always_zero(register: str, bits: int) -> None:
    """Bits without a function read 0 whatever was written (PC16550D 8.6, 8.7, 8.8)."""
    port = SerialPort()
    if register != "IIR":
        port.write(register, 0xFF)

    assert port.read(register) & bits == 0


def test_scratch_register_has_no_effect() -> None:
    """SCR holds a byte and touches nothing else (PC16550D 8.10)."""
    port = SerialPort(fcr=0x01)
    before = {name: port.uart.peek(name) for name in BY_NAME if name != "SCR"}
    port.write("SCR", 0xA5)

    assert port.read("SCR") == 0xA5
    assert {name: port.uart.peek(name) for name in BY_NAME if name != "SCR"} == before


class TestOnTheBus:
    """What a driver meets at the offsets."""

    def test_divisor_latch_access_bit_redirects_offsets_0_and_1_only(self) -> None:
        """With LCR bit 7 set, offsets 0 and 1 are the divisor latch, the rest stays (6.0)."""
        uart, io = on_a_bus()
        io.write8(1, 0x0F)
        io.write8(7, 0x77)
        io.write8(3, 0x83)
        io.write8(0, 0x34)
        io.write8(1, 0x12)

        assert (io.read8(0), io.read8(1), uart.divisor) == (0x34, 0x12, 0x1234)
        assert (io.read8(3), io.read8(7)) == (0x83, 0x77)
        io.write8(3, 0x03)
        assert io.read8(1) == 0x0F

    def test_thr_and_rbr_share_offset_0(self) -> None:
        """A write to offset 0 sends and a read receives (PC16550D 6.0)."""
        uart, io = on_a_bus()
        io.write8(3, 0x83)
        io.write8(0, 1)
        io.write8(3, 0x03)
        uart.receive(0x5A, 0)
        io.write8(0, 0xA5)

        assert io.read8(0) == 0x5A
        assert uart.busy

    def test_iir_and_fcr_share_offset_2(self) -> None:
        """A write to offset 2 controls the FIFOs and a read identifies (PC16550D 6.0)."""
        _, io = on_a_bus()
        io.write8(2, 0x01)

        assert io.read8(2) == 0xC1

    @pytest.mark.parametrize("offset", [5, 6])
    def test_status_registers_ignore_writes(self, offset: int) -> None:
        """A write to LSR or MSR changes nothing; PC16550D leaves LSR to factory tests (8.4)."""
        _, io = on_a_bus()
        before = io.read8(offset)
        io.write8(offset, before ^ 0xFF)

        assert io.read8(offset) == before


class TestReset:
    """PC16550D section 7.0, Table I, and the text of the MR pin in 6.0."""

    @staticmethod
    def used() -> SerialPort:
        """Return a controller that was in use: settings, data, wires, interrupts."""
        port = SerialPort(fcr=0xC9, lcr=0x5B)
        port.write("IER", 0x0F)
        port.write("MCR", 0x0F)
        port.write("SCR", 0x99)
        port.uart.signals["cts"].set(1)
        port.arrive_with(0x08, 0x41)
        port.write("THR", 0x42)
        port.wait_bits(4)
        return port

    @pytest.mark.parametrize(("register", "value"), RESET_VALUES)
    def test_register(self, register: str, value: int) -> None:
        """Each register takes the value of Table I whatever it was doing."""
        port = self.used()
        port.uart.reset()

        assert port.uart.peek(register) == value
        assert port.read(register) == value

    def test_fcr(self) -> None:
        """FCR is 0: the FIFOs are off, trigger and DMA mode gone (Table I)."""
        port = self.used()
        port.uart.reset()

        assert port.uart.peek("FCR") == 0
        assert port.uart.transmit_room == 1

    def test_msr_low_nibble_is_zero_and_the_high_follows_the_pins(self) -> None:
        """MSR is xxxx0000: no change is remembered, the inputs show (Table I)."""
        port = self.used()
        port.uart.signals["dcd"].set(1)
        port.uart.reset()

        assert port.read("MSR") == 0x90

    @pytest.mark.parametrize("register", ["DLL", "DLM"])
    def test_divisor_latch_is_left_alone(self, register: str) -> None:
        """MR does not touch the divisor latch (6.0, MR pin)."""
        port = self.used()
        port.set_divisor(0x1234)
        before = port.uart.peek(register)
        port.uart.reset()

        assert port.uart.peek(register) == before != 0

    @pytest.mark.parametrize("read_before", [True, False])
    def test_receiver_buffer_is_left_alone(self, *, read_before: bool) -> None:
        """MR does not touch RBR, read or not, though it is no longer announced (6.0, MR pin)."""
        port = SerialPort()
        port.arrive(0x6B)
        if read_before:
            port.read("RBR")
        port.uart.reset()

        assert port.read("LSR") & 1 == 0
        assert port.read("RBR") == 0x6B

    def test_transmitter_holding_register_is_left_alone(self) -> None:
        """What MR leaves in THR is not sent: the transmitter is empty (Table I, LSR)."""
        port = self.used()
        port.write("THR", 0x43)
        port.uart.reset()
        port.wait_bits(40)

        assert port.read("LSR") == 0x60
        assert not port.uart.busy

    def test_scratch_register(self) -> None:
        """SCR is cleared: Table I has no row, the MR pin's text clears all but those above."""
        port = self.used()
        port.uart.reset()

        assert port.read("SCR") == 0

    @pytest.mark.parametrize("pin", ["dtr", "rts", "out1", "out2"])
    def test_outputs_are_inactive(self, pin: str) -> None:
        """DTR, RTS, OUT1 and OUT2 are high at the pin, which is not asserted (Table I)."""
        port = self.used()
        assert port.uart.signals[pin].level == 1
        port.uart.reset()

        assert port.uart.signals[pin].level == 0

    def test_sout_marks(self) -> None:
        """SOUT is at mark, even out of a break or the middle of a character (Table I)."""
        port = self.used()
        assert port.uart.sout.level == 0
        port.uart.reset()
        port.wait_bits(1)

        assert port.uart.sout.level == 1

    def test_interrupt_is_low(self) -> None:
        """INTR is low, and each cause is gone once interrupts are enabled (Table I)."""
        port = self.used()
        assert port.irq == 1
        port.uart.reset()
        assert port.irq == 0
        port.write("IER", 0x0D)

        assert (port.irq, port.read("IIR")) == (0, 0x01)

    def test_break_does_not_come_back_after_a_reset_in_flight(self) -> None:
        """A character cut off by MR stays off the wire when a break is held and let go."""
        port = SerialPort()
        port.write("THR", 0x00)
        port.wait_bits(3)
        port.uart.reset()
        port.write("LCR", 0x43)
        port.wait_bits(1)
        port.write("LCR", 0x03)

        assert port.uart.sout.level == 1
        port.wait_bits(20)
        assert port.uart.sout.level == 1


@pytest.mark.parametrize("name", OFFSETS)
def test_offsets_of_the_header(name: str, serial_reg: dict[str, int]) -> None:
    """Offsets equal the constants of linux/serial_reg.h."""
    assert BY_NAME[OFFSETS[name]].offset == serial_reg[f"UART_{name}"]


@pytest.mark.parametrize("name", MASKS)
def test_masks_of_the_header(name: str, serial_reg: dict[str, int]) -> None:
    """Bit masks equal the constants of linux/serial_reg.h."""
    assert mask(*MASKS[name]) == serial_reg[f"UART_{name}"]


@pytest.mark.parametrize("name", WORD_LENGTHS)
def test_word_lengths_of_the_header(name: str, serial_reg: dict[str, int]) -> None:
    """The header's word lengths make words of that length."""
    port = SerialPort(lcr=serial_reg[f"UART_{name}"])

    assert port.uart.frame.data_bits == WORD_LENGTHS[name]


@pytest.mark.parametrize("name", TRIGGERS)
def test_triggers_of_the_header(name: str, serial_reg: dict[str, int]) -> None:
    """The header's trigger values interrupt at that level and not one below."""
    port = SerialPort(fcr=0x01 | serial_reg[f"UART_{name}"])
    port.write("IER", 0x01)
    for _ in range(TRIGGERS[name] - 1):
        port.arrive_with(0)
    assert port.irq == 0
    port.arrive_with(0)

    assert port.irq == 1


@pytest.mark.parametrize("name", TRIGGER_BITS)
def test_trigger_bits_of_the_header(name: str, serial_reg: dict[str, int]) -> None:
    """The header's second set of trigger names fills the same two bits."""
    assert serial_reg[f"UART_{name}"] == TRIGGER_BITS[name] << 6


def test_identification_mask_of_the_header(serial_reg: dict[str, int]) -> None:
    """The header's mask of the interrupt source is our field: bits 1 to 3."""
    assert mask("IIR", "ID") == serial_reg["UART_IIR_ID"] == 0x0E


def test_sums_of_the_header(serial_reg: dict[str, int]) -> None:
    """The header's sums of bits are the sums of ours: line errors and modem deltas."""
    errors = sum(mask("LSR", one) for one in ("OE", "PE", "FE", "BI"))
    deltas = sum(mask("MSR", one) for one in ("DCTS", "DDSR", "TERI", "DDCD"))

    assert errors == sum(serial_reg[f"UART_LSR_{one}"] for one in ("OE", "PE", "FE", "BI")) == 30
    assert deltas == 15 == serial_reg["UART_MSR_DDCD"] * 2 - 1


@pytest.mark.parametrize(("name", "register"), [("IERX_SLEEP", "IER"), ("MCR_AFE", "MCR")])
def test_what_later_parts_added_is_left_out(
    name: str, register: str, serial_reg: dict[str, int]
) -> None:
    """Sleep and automatic flow control of later parts are reserved bits here and read 0."""
    port = SerialPort()
    port.write(register, serial_reg[f"UART_{name}"])

    assert port.read(register) == 0


def test_greatest_divisor_of_the_header(serial_reg: dict[str, int]) -> None:
    """The divisor latch holds the header's greatest divisor and no more."""
    port = SerialPort(divisor=serial_reg["UART_DIV_MAX"])

    assert port.uart.divisor == serial_reg["UART_DIV_MAX"] == 0xFFFF
