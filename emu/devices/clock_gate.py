"""A clock and reset controller: blocks that do not answer before they are clocked and released.

The one idea: the gate stands in front of the ports of the blocks that it is named for, as faults
do, so a board without one pays nothing. A block has a clock, is out of reset and has settled, or
what is written to it vanishes. The register map is our own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import ClassVar

from emu.devices.gated_block import GatedBlock, Lost
from emu.devices.names import parse_names
from emu.errors import DeclarationError, nearest
from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S, Clock
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.units import parse_cycles, parse_frequency

__all__ = ["ClockGate"]

_MOST_BLOCKS = 32


@cache
def _registers(blocks: tuple[str, ...]) -> tuple[Register, ...]:
    """Declare the registers, with a field for each of the blocks, or one for all if none is named.

    Boards that name the same blocks share a declaration.
    """

    def word(name: str, offset: int, meaning: str, each: str, sw: str = "rw") -> Register:
        fields = [Field(one.upper(), bit, 1, each, sw=sw) for bit, one in enumerate(blocks)]
        fields = fields or [Field("BLOCK", 0, _MOST_BLOCKS, f"each bit: {each}", sw=sw)]
        return Register(name, offset, tuple(fields), width=32, meaning=meaning)

    return (
        word("CLOCK", 0x00, "clocks of the blocks", "1 lets its clock run"),
        word("RELEASE", 0x04, "reset lines of the blocks", "1 lets go of its reset, 0 holds it"),
        word("READY", 0x08, "blocks that answer", "1 once it has settled", sw="r"),
    )


class ClockGate(Device):
    """Let blocks run, or hold them.

    A block is ready once its clock has run, out of reset, for `settle` cycles. Until then reads
    give the value of `reads` and writes vanish; with `strict` both end in a bus error. Without a
    clock a block stands still, and its interrupt line stays as it was. A reset line puts every
    register of the block in its reset state when it is pulled.

    Attributes:
        on_lost: called with an access to a block that was not ready.
        on_drive: called when clocks or reset lines may have changed.
        settle_ps: how long a block takes to answer.
    """

    KIND = "clock_gate"
    MEANING = "clocks and reset lines of other devices"
    REGISTERS: ClassVar[tuple[Register, ...]] = _registers(())
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 10_000_000, "clock by which blocks settle"),
        Parameter("blocks", parse_names, (), "devices in the order of their bits", None,
                  ("string",)),
        Parameter("settle", parse_cycles, 8, "cycles until a block that was let go answers"),
        Parameter("reads", int, 0, "what reads of a block give that is not ready", None,
                  ("integer",)),
        Parameter("strict", bool, False, "accesses to a block that is not ready are bus errors",
                  (False, True), ("boolean",)),
    )  # fmt: skip
    NOTES: ClassVar[tuple[str, ...]] = (
        "Let the clock run, let go of the reset, wait for READY, and only then touch the block.",
        (
            "Before that, what is written to the block is lost without a word, and what is read "
            "means nothing."
        ),
        (
            "An interrupt line stays as it was when its clock is stopped: mask and serve the block "
            "first, or its handler runs and cannot reach it."
        ),
        "A block keeps what it holds while its clock is stopped, and loses it in a reset.",
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self.on_lost: list[Callable[[Lost], None]] = []
        self.on_drive: list[Callable[[], None]] = []
        self.settle_ps = -(-self.settings["settle"] * PS_PER_S // self.clock_hz)
        self._blocks: list[GatedBlock] = []
        self._names: tuple[str, ...] = self.settings["blocks"]
        if len({one.upper() for one in self._names}) < len(self._names):
            raise self._refusal("two blocks of one name")
        if len(self._names) > _MOST_BLOCKS:
            raise self._refusal(f"{len(self._names)} blocks", f"at most {_MOST_BLOCKS}")
        if self._names:
            self.REGISTERS = _registers(self._names)  # type: ignore[misc]
            self.registers = {one.name: self._make_live(one) for one in self.REGISTERS}
        self._clocks, self._releases = self.registers["CLOCK"], self.registers["RELEASE"]

    def join(self, board: Board) -> None:
        """Stand in front of the blocks."""
        for name in self._names:
            if name not in board.devices:
                raise self._refusal(f"no device {name!r}", fix=nearest(name, board.devices))
            device = board.devices[name]
            if device is self or not device.ports:
                raise self._refusal(f"{name!r} cannot be gated", "another device with registers")
            self._blocks.append(GatedBlock(board, device, self.settle_ps, self._show))
        for block in self._blocks:
            block.stand_in_front(self._answer)

    @property
    def blocks(self) -> Sequence[GatedBlock]:
        """The blocks, in the order of their bits."""
        return self._blocks

    def _refusal(self, what: str, allowed: str = "", fix: str = "") -> DeclarationError:
        return DeclarationError(
            f"blocks: {what}", where=f"device {self.name}", allowed=allowed, fix=fix
        )

    def _answer(self, lost: Lost) -> int:
        """Return what a read gives of a block that is not ready, having told whoever wants to know.

        Raises:
            BusError: the board is strict about it.
        """
        for observer in self.on_lost:
            observer(lost)
        if self.settings["strict"]:
            lost.fail()
        return int(self.settings["reads"])

    def _drive(self) -> None:
        """Let every block have the clock and the reset line that the registers say."""
        for bit, block in enumerate(self._blocks):
            block.drive(
                clocked=bool(self._clocks.value >> bit & 1),
                released=bool(self._releases.value >> bit & 1),
            )
        self._show()
        for observer in self.on_drive:
            observer()

    def _show(self) -> None:
        """Show which blocks are ready."""
        self.registers["READY"].value = sum(
            block.ready << bit for bit, block in enumerate(self._blocks)
        )

    def on_reset(self) -> None:
        """Stop all clocks and pull all reset lines."""
        self._drive()

    def after_write_CLOCK(self, _old: int, _new: int) -> None:
        """Let clocks run, or stop them."""
        self._drive()

    after_write_RELEASE = after_write_CLOCK
