"""Put a fault plan in place on a board, and answer for it afterwards.

Arm a board once it is switched on and before rules are attached, so that rules see what the driver
sees. Then call `Armed.before_open`, and `Armed.start` just before the driver is first opened:
windows of time count from there.
"""

from __future__ import annotations

import random
from collections.abc import Mapping

from emu.errors import Flaw, InputError, nearest
from emu.faults.attached import Attached, FarEndLike
from emu.faults.check import FaultFlaw, check, full_settings
from emu.faults.kinds import FAULT_KINDS
from emu.faults.log import FaultLog, Injection
from emu.faults.plan import FaultPlan, FaultSpec
from emu.faults.storms import StormCauses
from emu.faults.target import inventory, resolve
from emu.kernel.board import Board
from emu.kernel.clock import NEVER_PS

__all__ = ["Armed", "arm"]


class Armed:
    """Hold the faults of a run.

    Attributes:
        faults: each fault in place, in the order of the plan.
        injections: the first of what they did, in order; `counts` is exact.
    """

    def __init__(self, board: Board, faults: tuple[Attached, ...], log: FaultLog) -> None:
        self._clock = board.clock
        self._started = False
        self.faults = faults
        self.injections: list[Injection] = log.injections

    def before_open(self) -> None:
        """Let faults act that leave something behind before the driver is first opened."""
        for fault in self.faults:
            for action in fault.before_open:
                action()
            if fault.kind.occasion == "power-on":
                fault.finish()

    def start(self, now_ps: int | None = None) -> None:
        """Let the windows of time count from `now_ps`, the present when None; once only."""
        if not self._started:
            self._started = True
            for fault in self.faults:
                fault.start(self._clock.now_ps if now_ps is None else now_ps)

    @property
    def counts(self) -> tuple[int, ...]:
        """How often each fault did something."""
        return tuple(fault.injected for fault in self.faults)

    @property
    def pending(self) -> bool:
        """Whether some fault acts or can still act."""
        return any(fault.pending(self._clock.now_ps) for fault in self.faults)

    def acting(self, at_ps: int | None = None) -> bool:
        """Say whether some fault acts at `at_ps`, now when None, or would at an occasion then.

        Args:
            at_ps: the present or later; what has passed is told by `last_active_ps`.
        """
        now_ps = self._clock.now_ps if at_ps is None else at_ps
        return any(fault.acting(now_ps) for fault in self.faults)

    @property
    def last_active_ps(self) -> int:
        """When a fault last did something or let go of it; -1 if none did anything."""
        return max((fault.last_active_ps for fault in self.faults), default=-1)

    def estranged(self, device: str) -> bool:
        """Say whether a device and its driver may not agree until its port is opened again."""
        return any(fault.estranged and fault.concerns(device) for fault in self.faults)

    def waivers(
        self,
        from_ps: int = 0,
        until_ps: int = NEVER_PS,
        *,
        opened_ps: int = 0,
        device: str = "",
    ) -> dict[str, list[str]]:
        """Return the promises that no driver could keep, each with the reasons.

        Args:
            from_ps: beginning of the time in which the promise was to be kept, such as that of a
                call; the beginning of the run by default.
            until_ps: its end; the end of the run by default.
            opened_ps: when the port was opened; damage done earlier does not last.
            device: whose driver it is, empty for any; another device's fault can only take time.
        """
        found: dict[str, list[str]] = {}
        for fault in self.faults:
            for promise, reason in fault.waived(from_ps, until_ps, opened_ps):
                if not fault.concerns(device) and promise != "time":
                    continue
                text = f"{fault.spec.kind} on {fault.spec.target}: {reason}"
                reasons = found.setdefault(promise, [])
                if text not in reasons:
                    reasons.append(text)
        return found

    def far_end_spoiled(self, device: str) -> bool:
        """Say whether the far end of a device's line may have heard what was not sent."""
        return any(
            fault.injected and fault.kind.spoils_far_end and fault.target.owner.name == device
            for fault in self.faults
            if fault.target.device is not None
        )


def arm(
    plan: FaultPlan,
    board: Board,
    *,
    far_ends: Mapping[str, FarEndLike] | None = None,
    seed: int = 1,
) -> Armed:
    """Put the faults of `plan` in place on a board that is switched on.

    Args:
        plan: what goes wrong; later faults stand nearer to the driver.
        board: the machine.
        far_ends: what hangs on the line of each device, by the device's name.
        seed: seed of everything random; each fault draws from a generator of its own.

    Raises:
        InputError: the plan does not fit the board; everything that is wrong with it.

    Side effects: wraps ports, interrupt lines and receivers that faults are on, and answers the
    processor when it asks what makes an interrupt storm; no more.
    """
    far_ends = far_ends or {}
    flaws = check(plan, board) or _without_far_end(plan, far_ends)
    if flaws:
        raise InputError(_as_flaw(one) for one in flaws)
    log = FaultLog(board.clock, board.journal)
    faults = tuple(
        _attach(number, fault, board, far_ends, seed=seed, log=log)
        for number, fault in enumerate(plan)
    )
    board.cpu.storms.cause = StormCauses(faults, board).find
    return Armed(board, faults, log)


def _attach(
    number: int,
    fault: FaultSpec,
    board: Board,
    far_ends: Mapping[str, FarEndLike],
    *,
    seed: int,
    log: FaultLog,
) -> Attached:
    kind = FAULT_KINDS[fault.kind]
    target = resolve(fault.target, inventory(board))
    attached = Attached(
        number,
        fault,
        kind,
        target,
        full_settings(fault, kind),
        board=board,
        far_end=far_ends.get(target.device.name) if target.device is not None else None,
        generator=random.Random(f"fault {seed} {number} {fault.kind}"),
        log=log,
    )
    kind.attach(attached)
    return attached


def _without_far_end(plan: FaultPlan, far_ends: Mapping[str, FarEndLike]) -> list[FaultFlaw]:
    """Return the faults that need a far end where there is none."""
    return [
        FaultFlaw(
            fault,
            f"nothing with a clock of its own hangs on {fault.target}",
            ", ".join(f"{name}.sin" for name in sorted(far_ends)) or "a board with a far end",
            nearest(fault.target, (f"{name}.sin" for name in far_ends)),
        )
        for fault in plan
        if fault.kind == "baud-drift" and fault.target.partition(".")[0] not in far_ends
    ]


def _as_flaw(one: FaultFlaw) -> Flaw:
    what = f"{one.fault.kind} on {one.fault.target}: {one.what}"
    return Flaw("fault plan", one.fault.row, 1, what, allowed=one.allowed, fix=one.fix)
