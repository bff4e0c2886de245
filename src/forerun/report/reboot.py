"""Each reboot, cut into its parts and checked twice: the parts against the whole, and
the console's view against the service manager's own figures."""

from __future__ import annotations

from forerun.model.observation import RebootSplit, RunRecord
from forerun.report.figures import known
from forerun.report.sections import RebootAccount, RebootPart

# The console is read once a second, so two views of the same instant may be that far
# apart.
AGREES_WITHIN_S = 1.0


def account_reboots(record: RunRecord) -> tuple[RebootAccount, ...]:
    """Every reboot in order; `main` marks the first into another kernel, or else the
    last one."""
    main = next(
        (
            place
            for place, split in enumerate(record.reboots)
            if split.kernel_before
            and split.kernel_after
            and split.kernel_before != split.kernel_after
        ),
        len(record.reboots) - 1,
    )
    return tuple(
        _account(split, place + 1, main=place == main) for place, split in enumerate(record.reboots)
    )


def _account(split: RebootSplit, number: int, *, main: bool) -> RebootAccount:
    parts = (
        RebootPart("down", "Going down", known(split.down_s)),
        RebootPart("firmware", "Firmware and boot loader", known(split.loader_s)),
        RebootPart("kernel", "Kernel", known(split.kernel_s), known(split.own_kernel_s)),
        RebootPart(
            "userspace", "User space", known(split.userspace_s), known(split.own_userspace_s)
        ),
        RebootPart("settle", "Until every watched service answered", known(split.settle_s)),
    )
    seconds = [part.seconds for part in parts if part.seconds is not None]
    whole = sum(seconds) if len(seconds) == len(parts) else None
    total = known(split.total_s)
    return RebootAccount(
        number=number,
        parts=parts,
        sum_s=whole,
        total_s=total,
        sums=None if whole is None or total is None else _agree(whole, total),
        own_agrees=_judge_own(parts),
        to_ssh_s=known(split.ssh_s),
        to_ready_s=known(split.ready_s),
        kernel_before=split.kernel_before,
        kernel_after=split.kernel_after,
        note=split.note,
        main=main,
    )


def _agree(one: float, other: float) -> bool:
    # Rounded first: 0.1-second figures must not differ by a binary hair.
    return round(abs(one - other), 3) <= AGREES_WITHIN_S


def _judge_own(parts: tuple[RebootPart, ...]) -> bool | None:
    pairs = [(p.seconds, p.own_s) for p in parts if p.seconds is not None and p.own_s is not None]
    return all(_agree(seen, own) for seen, own in pairs) if pairs else None
