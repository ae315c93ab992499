"""A port as operating systems build them: startup, shutdown, set_termios, start_tx, stop_tx.

The upper half (`open`, `write`, ...) knows no register; the lower half is called with the port
locked, which on one processor means with interrupts masked. IER is only written from its shadow.
Whoever reads LSR for another reason than receiving saves the bits that the read clears; the next
`rx_chars` lays them to the character that is still on top of the FIFO.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

UART_RX, UART_TX, UART_IER, UART_IIR, UART_FCR = 0, 0, 1, 2, 2
UART_LCR, UART_MCR, UART_LSR, UART_MSR, UART_DLL, UART_DLM = 3, 4, 5, 6, 0, 1
IER_RDI, IER_THRI, IER_RLSI = 0x01, 0x02, 0x04
IIR_NO_INT = 0x01
FCR_ENABLE, FCR_CLEAR_RCVR, FCR_CLEAR_XMIT, FCR_R_TRIG_10 = 0x01, 0x02, 0x04, 0x80
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
LCR_DLAB = 0x80
MCR_DTR, MCR_RTS, MCR_OUT2 = 0x01, 0x02, 0x08
LSR_DR, LSR_OE, LSR_PE, LSR_FE, LSR_BI, LSR_THRE, LSR_TEMT = (1 << bit for bit in range(7))
LSR_BRK_ERROR_BITS = LSR_PE | LSR_FE | LSR_BI
FLIP_SIZE, XMIT_SIZE = 4096, 512


class SystemPort:
    """Serial driver with an upper and a lower half."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self.io, self.cpu = io, cpu
        self.flip, self.xmit = bytearray(), bytearray()
        self.started = self.stopping = self.requested = self.flip_full = False
        self.ier = self.lcr = self.lsr_saved_flags = self.unhandled = 0
        self.fifosize, self.character_s = 1, 0.0

    # Upper half

    def open(self, line: LineSettings) -> None:
        quot = self.get_divisor(line.baud)
        self.close()
        self.character_s = line.character_s
        self.lcr = line.data_bits - 5 | LCR_PARITY[line.parity] | (4 if line.stop_bits > 1 else 0)
        self.startup(quot)

    def close(self) -> None:
        if not self.started:
            return
        self.stopping, before = True, -1
        while not self.drain((2 * self.fifosize + 4) * self.character_s + 0.05):
            if before == len(self.xmit):
                break
            before = len(self.xmit)
        with self.cpu.interrupts_masked():
            self.shutdown()

    def write(self, data: bytes, timeout: float | None = None) -> int:
        end, done = self.end_of(timeout), self.fill_xmit(data)
        while done < len(data) and self.sleep_until(lambda: len(self.xmit) < XMIT_SIZE, end):
            if self.stopping:
                break
            done += self.fill_xmit(data[done:])
        return done

    def read(self, size: int, timeout: float | None = None) -> bytes:
        enough = min(size, FLIP_SIZE // 2)
        self.sleep_until(lambda: len(self.flip) >= enough, self.end_of(timeout))
        with self.cpu.interrupts_masked():
            part = bytes(self.flip[:size])
            del self.flip[:size]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        end = self.end_of(timeout)
        self.sleep_until(lambda: not self.xmit, end)
        while self.started:
            late = self.cpu.time() >= end
            with self.cpu.interrupts_masked():
                if late:
                    self.handle_port()
                empty = self.tx_empty()
            if empty or late:
                return empty
            self.cpu.sleep(self.character_s / 2)
        return False

    def end_of(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self.cpu.time() + timeout

    def fill_xmit(self, data: bytes) -> int:
        with self.cpu.interrupts_masked():
            part = b"" if self.stopping else data[: XMIT_SIZE - len(self.xmit)]
            self.xmit += part
            if part:
                self.start_tx()
        return len(part)

    def sleep_until(self, condition: Callable[[], bool], end: float) -> bool:
        while self.started:
            with self.cpu.interrupts_masked():
                if condition():
                    return True
                left = end - self.cpu.time()
                if left <= 0:
                    self.handle_port()
                    return condition()
                patience = (self.fifosize + 8) * self.character_s
                if not self.cpu.wait_for_interrupt(min(left, patience)):
                    self.backup_timeout()
        return False

    # Lower half: port locked

    def startup(self, quot: int) -> None:
        self.serial_out(UART_LCR, self.serial_in(UART_LCR) & 0x3F)
        self.insist(UART_IER, 0)
        self.insist(UART_MCR, 0)
        self.clear_fifos()
        end = self.cpu.time() + 0.4
        while not self.serial_in(UART_LSR) & LSR_TEMT and self.cpu.time() < end - 0.2:
            self.cpu.sleep(0.001)
        while not self.set_termios(quot) and self.cpu.time() < end:
            self.cpu.sleep(0.001)
        with self.cpu.interrupts_masked():
            self.flip.clear()
            self.xmit.clear()
            self.lsr_saved_flags = 0
            self.started, self.stopping, self.flip_full = True, False, False
            self.request_irq(True)
            self.ier = IER_RDI | IER_RLSI
            self.serial_out(UART_IER, self.ier)

    def shutdown(self) -> None:
        self.handle_port()
        self.ier = 0
        self.insist(UART_IER, 0)
        self.insist(UART_MCR, 0)
        self.serial_out(UART_FCR, FCR_ENABLE | FCR_CLEAR_XMIT)
        self.xmit.clear()
        self.request_irq(False)
        self.started = False

    def set_termios(self, quot: int) -> bool:
        """Write divisor, format and FIFO control; return False if something did not hold."""
        ok = self.insist(UART_LCR, self.lcr | LCR_DLAB)
        ok = ok and self.insist(UART_DLL, quot & 0xFF) and self.insist(UART_DLM, quot >> 8)
        ok = self.insist(UART_LCR, self.lcr) and ok
        ok = self.insist(UART_MCR, MCR_DTR | MCR_RTS | MCR_OUT2) and ok
        self.clear_fifos()
        fifos = self.serial_in(UART_IIR) & self.serial_in(UART_IIR) & 0xC0
        self.fifosize = 16 if fifos == 0xC0 else 1
        self.serial_in(UART_MSR)
        return ok

    def clear_fifos(self) -> None:
        self.serial_out(UART_FCR, FCR_ENABLE | FCR_R_TRIG_10 | FCR_CLEAR_RCVR | FCR_CLEAR_XMIT)
        for _ in range(64):
            if not self.serial_in(UART_LSR) & LSR_DR:
                break
            self.serial_in(UART_RX)

    def start_tx(self) -> None:
        if not self.ier & IER_THRI:
            self.ier |= IER_THRI
            self.serial_out(UART_IER, self.ier)

    def stop_tx(self) -> None:
        if self.ier & IER_THRI:
            self.ier &= ~IER_THRI
            self.serial_out(UART_IER, self.ier)

    def tx_empty(self) -> bool:
        lsr = self.lsr_in()
        self.lsr_saved_flags |= lsr & LSR_BRK_ERROR_BITS
        return bool(lsr & LSR_TEMT) and not self.xmit

    def handle_irq(self) -> None:
        self.unhandled += 1
        if self.unhandled > 32:
            self.request_irq(False)  # nobody cared; the backup timer looks after the port
        with suppress(BusError):
            if not self.serial_in(UART_IIR) & IIR_NO_INT:
                self.handle_port()

    def handle_port(self) -> None:
        lsr = self.rx_chars()
        if lsr & LSR_THRE:
            self.tx_chars()

    def backup_timeout(self) -> None:
        """Do what a lost interrupt left undone."""
        self.request_irq(True)
        self.serial_out(UART_IER, self.ier)
        self.handle_port()

    def rx_chars(self) -> int:
        for _ in range(256):
            lsr = self.lsr_in() | self.lsr_saved_flags
            if not lsr & LSR_DR:
                break
            ch = self.serial_in(UART_RX)
            self.unhandled = self.lsr_saved_flags = 0
            if lsr & LSR_BI:
                self.errors.breaks += 1
            elif lsr & LSR_BRK_ERROR_BITS:
                self.errors.parity += bool(lsr & LSR_PE)
                self.errors.framing += bool(lsr & LSR_FE)
            elif len(self.flip) < FLIP_SIZE:
                self.flip.append(ch)
                self.flip_full = False
            else:
                self.errors.overrun += not self.flip_full
                self.flip_full = True
        return lsr

    def tx_chars(self) -> None:
        for ch in bytes(self.xmit[: self.fifosize]):
            self.serial_out(UART_TX, ch)
            del self.xmit[0]
            self.unhandled = 0
        if not self.xmit:
            self.stop_tx()

    def lsr_in(self) -> int:
        """Read LSR and count an overrun, which may rise again before the flags are used."""
        lsr = self.serial_in(UART_LSR)
        if lsr == 0xFF:  # a removed card, unless a second look says otherwise
            lsr = self.serial_in(UART_LSR)
            if lsr == 0xFF:
                return 0
            lsr |= 0xFF if lsr & 0x61 == 0x61 and self.lcr & LCR_PARITY["odd"] else 0
        self.errors.overrun += bool(lsr & LSR_OE)
        return lsr

    def get_divisor(self, baud: int) -> int:
        quot = (2 * self.io.clock_hz + 16 * baud) // (32 * baud)
        if not 0 < quot <= 0xFFFF or abs(self.io.clock_hz / (16 * quot) / baud - 1) > 0.03:
            raise ValueError(f"no divisor for {baud} baud")
        return quot

    def request_irq(self, on: bool) -> None:
        if on != self.requested:
            self.requested, self.unhandled = on, 0
            (self.cpu.connect if on else self.cpu.disconnect)(self.io.irq, self.handle_irq)

    def insist(self, register: int, value: int) -> bool:
        for _ in range(3):
            self.serial_out(register, value)
            if self.serial_in(register) == value:
                return True
        return False

    def serial_in(self, register: int) -> int:
        return self.io.read8(register * self.io.stride)

    def serial_out(self, register: int, value: int) -> None:
        self.io.write8(register * self.io.stride, value)
