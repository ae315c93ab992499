"""A serial controller of the 16550 family: 16450 without FIFOs, 16550 with 16, 16750 with 64 bytes.

The one idea: registers and interrupt logic here, waveforms in `emu.line`. Characters leave and
arrive in line time, so a driver that is late is late by as much as it would be on silicon.

Source: PC16550D datasheet, National Semiconductor, TL/C/8652, June 1995, sections 8.1 to 8.11 and
Tables I to IV. Where it contradicts itself or later parts, this model follows the PC16550D:

* receiver interrupts need FCR bit 0 and IER bit 0 only (8.11; some later texts add IER bit 2);
* LSR bit 7 clears on an LSR read if no later error is in the FIFO (8.4; others when none is left);
* the receiver checks the first stop bit only (8.1);
* FCR bit 2 clears the transmitter FIFO (8.5; Table I prints bit 1);
* the divisor runs from 1 to 65535 (AC table; 8.3 says from 2); 0 stops the baud clock, here after
  the character that is being sent;
* in loopback RI follows OUT1 (8.8).

Not in the datasheet: a write to a full transmitter FIFO is lost, which FIFO-size probes rely on.
A character is moved to the shift register a bit time after a write to an idle transmitter (AC
table: 8 to 24 cycles of the baud clock to the start bit, 16 to 24 to the interrupt). Modem wires
are logical here: 1 means asserted, which is low at the pin. A change of the word format takes
effect with the next character sent, a change of the divisor at once. Left out: automatic flow
control, DMA pins, the factory test writes to LSR, and the 1 or 3 cycles of RCLK by which the
receiver's interrupts are late.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Mapping
from itertools import islice
from typing import ClassVar

from emu.devices.serial_monitor import Nobody, SerialMonitor
from emu.devices.uart16550_map import NOTES, REGISTERS, frame_in
from emu.devices.uart16550_modem import INPUTS, OUTPUTS, ModemWires
from emu.devices.uart16550_timeout import CharacterTimeout
from emu.kernel.clock import PS_PER_S, Clock, Timer
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Register
from emu.kernel.signal import Signal
from emu.line.frame import BitRate, FrameFormat
from emu.line.receiver import Receiver
from emu.line.transmitter import Transmitter
from emu.units import parse_frequency

__all__ = ["Uart16550"]

DR, OE, PE, FE, BI, THRE, TEMT, FIFOE = (1 << bit for bit in range(8))
_ERRORS = OE | PE | FE | BI
_CLEARED_BY_READ = _ERRORS | FIFOE
_IER_RX, _IER_THRE, _IER_LINE, _IER_MODEM = 1, 2, 4, 8
_IIR_NONE, _IIR_MODEM, _IIR_THRE, _IIR_RX, _IIR_LINE, _IIR_TIMEOUT = 1, 0, 2, 4, 6, 12
_TRIGGERS = {16: (1, 4, 8, 14), 64: (1, 16, 32, 56)}


class Uart16550(Device):
    """Behave as a 16550-compatible serial controller.

    Attributes:
        sout, sin: the serial wires, idle at 1.
        monitor: who is told what happens to characters.
        looped: whether local loopback is on.
    """

    KIND = "uart16550"
    MEANING = "serial controller with FIFOs, 16550 family"
    REGISTERS: ClassVar[tuple[Register, ...]] = REGISTERS
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 1_843_200, "input clock, 16 times divisor times baud"),
        Parameter("fifo", int, 16, "bytes of FIFO, 0 for a 16450", (0, 16, 64), ("integer",)),
    )
    BANK_FIELD = "LCR.DLAB"
    NOTES = NOTES

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self._fifo_bytes: int = self.settings["fifo"]
        self.sout = Signal(clock, f"{name}.sout", level=1)
        self.sin = Signal(clock, f"{name}.sin", level=1)
        self._inner = Signal(clock, f"{name}.loop", level=1)
        self.signals |= {"sout": self.sout, "sin": self.sin}
        self.signals |= {wire: Signal(clock, f"{name}.{wire}") for wire in INPUTS + OUTPUTS}
        self.monitor: SerialMonitor = Nobody()
        self.looped = False
        self.transmitter = Transmitter(clock, self.sout)
        self.receiver = Receiver(clock, self.receive)
        self.receiver.deliver_rows(self._row_room, self._receive_row)
        self.receiver.listen(self.sin)
        self._registers_by_hand()
        self._rx, self._tx = deque[int](), deque[int]()
        self._timeout = CharacterTimeout(
            clock, self.receiver, self._characters_wait, self._update_irq
        )
        self.receiver.on_lapse = self._timeout.watch
        self._clear_state()
        self._empty_timer = Timer(clock, self._show_empty)
        self._modem = ModemWires(self.signals, self._mcr, self._msr, self._update_irq)
        self._configure()

    # state

    def _registers_by_hand(self) -> None:
        """Bind the registers that the hot path touches."""
        registers = self.registers
        self._ier, self._lcr, self._mcr, self._msr, self._fcr, self._dll, self._dlm = (
            registers[name] for name in ("IER", "LCR", "MCR", "MSR", "FCR", "DLL", "DLM")
        )
        self._irq, self._irq_level = self.signals["irq"], 0

    def _clear_state(self) -> None:
        self._lsr = THRE | TEMT
        self._last_data = getattr(self, "_last_data", 0)
        self._fifo_on = self._busy = self._had_two = self._thre_pending = False
        self._identity = 0  # what IIR shows of the FIFOs
        self._depth, self._trigger = 16, 1
        self._room = 0  # characters the FIFO has room for, 0 while it is off
        self._hidden_errors = 0
        self._timeout.reset()
        self._shift_serial = getattr(self, "_shift_serial", 0) + 1

    def on_reset(self) -> None:
        """Reset as the MR pin does (Table I): FIFOs empty, transmitter idle, outputs inactive.

        RBR, THR and the divisor latch keep what they hold.
        """
        self._last_data = self.peek_RBR()
        self._rx.clear()
        self._tx.clear()
        self._clear_state()
        self._empty_timer.stop()
        self.transmitter.stop()
        self._loop(False)
        self._modem.update()
        self._msr.value &= 0xF0
        self._configure()
        self._update_irq()

    def scramble(self, generator: random.Random) -> None:
        """Leave random settings, and data that nobody read; see `Device.scramble`."""
        super().scramble(generator)
        for _ in range(generator.randrange(4)):
            self.receive(generator.randrange(256), 0)

    def on_halt(self) -> None:
        """Stop both shifters, after the character that is being sent, and the interrupt line."""
        self._configure()
        self._update_irq()

    def wire_input(self, sin: Signal) -> None:
        """Let the input pin follow `sin`, such as the output of another controller."""
        self.sin = self.signals["sin"] = sin
        if not self._mcr.value & 0x10:
            self.receiver.listen(sin)

    # line settings

    @property
    def divisor(self) -> int:
        """The divisor latch, 0 to 65535; 0 stops the baud clock."""
        return self._dlm.value << 8 | self._dll.value

    @property
    def frame(self) -> FrameFormat:
        """The word format in LCR."""
        return frame_in(self._lcr.value)

    @property
    def rate(self) -> BitRate | None:
        """The bit rate that divisor and clock make, None while the baud clock stands still."""
        divisor = self.divisor
        if not divisor or self.halted:
            return None
        return BitRate.of(8 * divisor * PS_PER_S, self.clock_hz)

    @property
    def busy(self) -> bool:
        """Whether a character is being shifted out or waits to be."""
        return self._busy or bool(self._tx)

    @property
    def receive_level(self) -> int:
        """How many received characters wait to be read."""
        return len(self._rx)

    @property
    def transmit_level(self) -> int:
        """How many characters wait for the shift register."""
        return len(self._tx)

    @property
    def transmit_room(self) -> int:
        """How many characters may be written without losing one."""
        return (self._depth if self._fifo_on else 1) - len(self._tx)

    def _configure(self) -> None:
        """Take word format and divisor over into the shifters and the time-out."""
        rate, frame = self.rate, self.frame
        self.receiver.configure(frame, rate)
        if rate is not None:
            self.transmitter.configure(frame, rate)
            self._timeout.configure(frame, rate)
            self._start_if_idle()

    def after_write_LCR(self, old: int, new: int) -> None:
        """Switch the bank, hold or let go of a break, take the word format over."""
        if (old ^ new) & 0x80:
            self.select_bank(new >> 7)
        if (old ^ new) & 0x40:
            self._hold_break()
        if (old ^ new) & 0x3F:
            self._configure()

    def _hold_break(self) -> None:
        """Hold the output pin at space while LCR asks for it; in loopback the pin marks (8.8)."""
        self.transmitter.hold_break(bool(self._lcr.value & 0x40) and not self.looped)

    def after_write_DLL(self, old: int, new: int) -> None:
        """Take the divisor over, in the middle of a character if need be."""
        if old != new:
            self._retime()

    after_write_DLM = after_write_DLL

    def _retime(self) -> None:
        rate = self.rate
        if self._busy and rate is not None:
            end_ps = self.transmitter.retime(rate)
            self._shift_serial += 1
            self._end_shift_at(end_ps)
            if self._empty_timer.running:
                self._empty_timer.start(max(self.clock.now_ps, end_ps - rate.half_bits_ps(2)))
        self._configure()

    # receiver

    def receive(self, data: int, flags: int) -> None:
        """Take a character from the receive shift register, with its error flags.

        Sets DR, or OE when there is no room: with FIFOs the new character is lost, without them
        the unread one is (8.4). Restarts the time-out.
        """
        rx = self._rx
        level = len(rx)
        if flags or level >= self._room:
            self._receive_awkward(data, flags, level)
            return
        rx.append(data)
        self._timeout.touched_ps = self.clock.now_ps
        if not level:
            self._lsr |= DR
        if not self._timeout.watching and not self.receiver.more:
            self._timeout.watch()
        self.monitor.arrived(data, 0)
        if level + 1 == self._trigger:
            self._update_irq()

    def _receive_awkward(self, data: int, flags: int, level: int) -> None:
        """Take a character that has an error, or finds no FIFO or no room in it."""
        if level and level >= self._room:
            self.monitor.overran(data if self._fifo_on else self._rx.pop() & 0xFF)
            self._lsr |= OE
            if self._fifo_on:
                self._timeout.watch()  # it may be the last of those announced
                self._update_irq()
                return
            level = 0
        self._rx.append(data | flags << 8)
        self._timeout.touched_ps = self.clock.now_ps
        if flags:
            self._note_flags(flags, level)
        self._lsr |= DR
        self._timeout.watch()
        self.monitor.arrived(data, flags)
        self._update_irq()

    def _characters_wait(self) -> bool:
        return bool(self._rx) and self._fifo_on

    def _row_room(self) -> int:
        """Tell how many characters may come at once: the last may interrupt, none may overrun."""
        level = len(self._rx)
        return (self._trigger if level < self._trigger else self._room) - level

    def _receive_row(self, data: bytes) -> None:
        """Take several characters of which nobody could have noticed any but the last."""
        rx = self._rx
        rx.extend(data)
        self._timeout.touched_ps = self.clock.now_ps
        self._lsr |= DR
        if not self.receiver.more:
            self._timeout.watch()
        self.monitor.arrived_row(data)
        if len(rx) == self._trigger:
            self._update_irq()

    def overrun(self, data: int) -> None:
        """Lose `data` and raise OE whatever room there is: a fault."""
        if self._rx and not self._fifo_on:
            self.receive(data, 0)
            return
        self.monitor.overran(data)
        self._lsr |= OE
        self._timeout.watch()
        self._update_irq()

    def _note_flags(self, flags: int, level: int) -> None:
        """Show the error bits of a character that is at the top, remember those of others."""
        if level == 0:
            self._lsr |= flags
        else:
            self._hidden_errors += 1
        if self._fifo_on:
            self._lsr |= FIFOE

    def read_RBR(self) -> int:
        """Take the oldest character; without one, give the last again (not in the datasheet).

        Clears DR when it was the last, the time-out interrupt, and received-data available when
        the level falls below the trigger. Shows the error bits of the next character.
        """
        rx = self._rx
        if not rx:
            return self._last_data
        self._last_data = data = rx.popleft() & 0xFF
        self._timeout.touched_ps = self.clock.now_ps
        left = len(rx)
        if not left:
            self._lsr &= ~DR
        if left == self._trigger - 1 or self._hidden_errors or self._timeout.expired:
            self._show_next()
        return data

    def burst_RBR(self, most: int, step_ps: int) -> list[int]:
        """Take characters of which only the first may move the interrupt line; see `BurstPort`.

        That is none while an error could show, or the time-out is to be cleared.
        """
        rx = self._rx
        level, trigger = len(rx), self._trigger
        count = level if level <= trigger else level - trigger
        if self._hidden_errors or self._timeout.expired:
            return []
        if count <= most:
            row = list(rx) if count == level else list(islice(rx, count))
        else:
            row = list(islice(rx, most))
            count = most
        if not row:
            return row
        if count == level:
            rx.clear()
            self._lsr &= ~DR
        else:
            for _ in row:
                rx.popleft()
        row[0] &= 0xFF
        self._last_data = row[-1]
        self._timeout.touched_ps = self.clock.now_ps + (count - 1) * step_ps
        if level == trigger:
            self._update_irq()
        return row

    def _show_next(self) -> None:
        """Show the errors of the character that is oldest now, and follow with the interrupt."""
        if self._rx and self._rx[0] > 0xFF:
            self._lsr |= self._rx[0] >> 8
            self._hidden_errors -= 1
        if self._timeout.expired:
            self._timeout.expired = False
            self._timeout.watch()
        self._update_irq()

    def peek_RBR(self) -> int:
        """Return the oldest character and leave it where it is."""
        return self._rx[0] & 0xFF if self._rx else self._last_data

    def read_LSR(self) -> int:
        """Return line status; clears OE, PE, FE, BI and their interrupt (8.4)."""
        value = self._lsr
        if value & _CLEARED_BY_READ:
            self._lsr = value & ~_ERRORS if self._hidden_errors else value & ~_CLEARED_BY_READ
            self._update_irq()
        return value

    def peek_LSR(self) -> int:
        """Return line status and clear nothing."""
        return self._lsr

    # transmitter

    def write_THR(self, data: int) -> None:
        """Take a character for sending; clears THRE and its interrupt.

        With FIFOs a character beyond the last place is lost; without them it replaces the one
        that waits.
        """
        tx = self._tx
        room = (self._depth if self._fifo_on else 1) - len(tx)
        self._thre_pending = False
        self._empty_timer.stop()
        if room > 0:
            self.monitor.loaded(data)
            tx.append(data)
        else:
            self._lose(data)
        if len(tx) > 1:
            self._had_two = True
        self._lsr &= ~(THRE | TEMT)
        self._update_irq()
        self._start_if_idle()

    def _lose(self, data: int) -> None:
        if self._fifo_on:
            self.monitor.spilled(data)
        else:
            self.monitor.spilled(self._tx.pop())
            self._tx.append(data)

    def _start_if_idle(self) -> None:
        """Begin to shift, a bit time from now, if there is something to and the clock runs."""
        if self._tx and not self._busy and self.divisor and not self.halted:
            self._busy = True
            now_ps = self.clock.now_ps
            rate = self.transmitter.shapes.rate
            tick = rate.first_tick(now_ps) + 16
            self._shift_serial += 1
            self._end_shift_at(max(now_ps, rate.ticks_ps(tick)))

    def _end_shift_at(self, end_ps: int) -> None:
        serial = self._shift_serial
        self.clock.schedule(end_ps, lambda: self._shift_over(serial))

    def _shift_over(self, serial: int) -> None:
        """Go on with the next character when the shift register is free."""
        if serial != self._shift_serial:
            return  # the divisor changed on the way, or a reset came
        tx = self._tx
        if not tx:
            self._busy = False
            self._lsr |= THRE | TEMT
            return
        if not self.divisor or self.halted:
            self._busy = False
            return
        data = tx.popleft()
        now_ps = self.clock.now_ps
        end_ps = self.transmitter.send(data, now_ps)
        self.monitor.shifting(data, end_ps)
        self._end_shift_at(end_ps)
        if not tx:
            self._empty(now_ps)

    def _empty(self, now_ps: int) -> None:
        """Show that holding register or FIFO is empty, late after a lone character (8.11).

        With FIFOs the indication comes one character time less the last stop bit later if there
        were not two characters in the FIFO since the last time it was empty.
        """
        if not self._fifo_on or self._had_two:
            self._show_empty()
            return
        shapes = self.transmitter.shapes
        self._empty_timer.start(now_ps + shapes.frame_ps - shapes.rate.half_bits_ps(2))

    def _show_empty(self) -> None:
        self._had_two = False
        self._lsr |= THRE
        self._thre_pending = True
        self._update_irq()

    # interrupts

    def after_write_IER(self, old: int, new: int) -> None:
        """Raise THRE at once when it is enabled while the transmitter is empty."""
        if new & ~old & _IER_THRE and self._lsr & THRE:
            self._thre_pending = True
        self._update_irq()

    def read_IIR(self) -> int:
        """Return the highest pending source; reading THRE as the source clears it (Table IV)."""
        if not self._irq_level and not self.halted:
            return _IIR_NONE | self._identity  # else the line would be up
        source = self._source()
        if source == _IIR_THRE:
            self._thre_pending = False
            self._update_irq()
        return source | self._identity

    def peek_IIR(self) -> int:
        """Return the highest pending source and clear nothing."""
        return self._source() | self._identity

    def _source(self) -> int:
        ier = self._ier.value
        if ier & _IER_LINE and self._lsr & _ERRORS:
            return _IIR_LINE
        if ier & _IER_RX:
            if self._rx and len(self._rx) >= self._trigger:
                return _IIR_RX
            if self._timeout.expired:
                return _IIR_TIMEOUT
        if ier & _IER_THRE and self._thre_pending:
            return _IIR_THRE
        if ier & _IER_MODEM and self._msr.value & 0x0F:
            return _IIR_MODEM
        return _IIR_NONE

    def pending_causes(self) -> int:
        """Return every source that asks for an interrupt, not only the highest, as bits of IER."""
        asking = _IER_LINE if self._lsr & _ERRORS else 0
        if len(self._rx) >= max(self._trigger, 1) or self._timeout.expired:
            asking |= _IER_RX
        asking |= _IER_THRE if self._thre_pending else 0
        asking |= _IER_MODEM if self._msr.value & 0x0F else 0
        return asking & self._ier.value

    def _update_irq(self) -> None:
        """Drive the interrupt line from the sources that are enabled."""
        level = int(self._source() != _IIR_NONE and not self.halted)
        if level != self._irq_level:
            self._irq_level = level
            self._irq.set(level)

    # FIFO control

    def write_FCR(self, data: int) -> None:
        """Turn FIFOs on or off, clear them, set the trigger (8.5); a 16450 has no such register.

        Bits other than 0 count only with bit 0 set. Any change of bit 0 clears both FIFOs. Bit 5
        takes effect with LCR.DLAB = 1 on a part with 64 bytes (TL16C750).
        """
        if not self._fifo_bytes:
            return
        on = bool(data & 1)
        changed = on != self._fifo_on
        self._fcr.value = data & 0xE9 if on else 0
        self._fifo_on = on
        if on:
            self._size_fifo(data)
        else:
            self._identity, self._depth, self._room, self._trigger = 0, 16, 0, 1
        if changed or (on and data & 2):
            self._clear_rx()
        if changed or (on and data & 4):
            self._clear_tx()
        if changed and self._lsr & THRE:
            self._thre_pending = True
        self._update_irq()

    def _size_fifo(self, data: int) -> None:
        if self._fifo_bytes == 64 and self._lcr.value & 0x80:
            self._depth = 64 if data & 0x20 else 16
        self._identity = 0xE0 if self._depth == 64 else 0xC0
        self._room = self._depth
        self._trigger = _TRIGGERS[self._depth][data >> 6]

    def _clear_rx(self) -> None:
        if self._rx:
            self.monitor.discarded(list(self._rx))
            self._rx.clear()
        self._hidden_errors = 0
        self._timeout.expired = False
        self._lsr &= ~(DR | PE | FE | BI | FIFOE)

    def _clear_tx(self) -> None:
        if self._tx:
            self.monitor.cleared(len(self._tx))
            self._tx.clear()
        self._empty_timer.stop()
        self._had_two = False
        if self._busy and not self.transmitter.shifting:
            self._busy = False
            self._shift_serial += 1  # nothing had reached the shift register
        if not self._lsr & THRE:
            self._thre_pending = True
        self._lsr |= THRE if self._busy else THRE | TEMT

    # modem lines and loopback

    def after_write_MCR(self, old: int, new: int) -> None:
        """Drive the modem outputs, or in loopback the modem inputs (8.8)."""
        if (old ^ new) & 0x10:
            self._loop(bool(new & 0x10))
        self._modem.update()

    def after_read_MSR(self, value: int) -> None:
        """Let the modem interrupt fall: the read cleared the delta bits."""
        if value & 0x0F:
            self._update_irq()

    def _loop(self, on: bool) -> None:
        """Connect the shifters to each other, or to the pins; the output pin then marks."""
        self.looped = on
        self._hold_break()
        self.transmitter.move(self._inner if on else self.sout)
        self.receiver.listen(self._inner if on else self.sin)
