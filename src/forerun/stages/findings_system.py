"""What the rehearsal saw of the clone's system: kernel settings, mounts, accounts, room,
boot, journal. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence

from forerun.model.finding import Finding, Severity
from forerun.model.inventory import Inventory, JournalLine
from forerun.model.observation import DiskSample, RunRecord
from forerun.model.survey import CleanSurvey
from forerun.stages.findings_run import list_changed_settings, list_lost_interfaces
from forerun.stages.findings_scene import MOST_LISTED, Scene, list_some, make_seen
from forerun.stages.inventory import strip_numbers

_FULL = 0.9
# Kernel values that count or are drawn, and differ between any two boots.
_MOVING = re.compile(
    r"^(kernel\.random\.|kernel\.ns_last_pid|kernel\.pty\.nr|kernel\.(osrelease|version|tainted)"
    r"|fs\.(dentry-state|file-nr|inode-(nr|state)|aio-nr|quota\.)|net\.netfilter\.nf_conntrack_count"
    r"|vm\.stat_|kernel\.sched_domain|net\..*\.(stable_secret|mc_forwarding)$|dev\.)"
)


def tell_settings(scene: Scene, before: Inventory, after: Inventory) -> Iterator[Finding]:
    """A setting that a file of the server sets is missed; the others are the new kernel's."""
    if not before.settings or not after.settings:
        return
    wanted = {}
    for where, _ in scene.survey.settings:
        path, _, key = where.rpartition(" ")
        if path.startswith("/"):
            wanted[key.replace("/", ".")] = path
    others = []
    for key, was, now in list_changed_settings(before, after):
        if key in wanted:
            yield make_seen(
                "setting-lost",
                Severity.SERVICE_DOWN,
                f"The kernel setting {key} is lost.",
                key,
                [f"{wanted[key]} sets it; it was {was or 'not there'}, is {now or 'not there'}"],
                advice="Move the line to a file in /etc/sysctl.d that is read.",
                source="package systemd, sysctl.d(5)",
            )
        elif was and now and not _MOVING.match(key):
            others.append(f"{key}: {was} to {now}")
    if others:
        yield make_seen(
            "settings-changed",
            Severity.COSMETIC,
            f"{len(others)} kernel settings have other values.",
            "kernel settings",
            [list_some(others)],
            advice="Read the list once: they are the new kernel's own, which no file here sets.",
        )


def tell_mounts(before: Inventory, after: Inventory) -> Iterator[Finding]:
    """File systems that are gone, or of another kind, or new."""
    if not before.mounts or not after.mounts:
        return
    was, now = ({m.target: m for m in one.mounts if _is_real(m.target)} for one in (before, after))
    for target in sorted(was.keys() - now.keys()):
        yield make_seen(
            "mount-gone",
            Severity.SERVICE_DOWN,
            f"{target} is not mounted any more.",
            target,
            [f"before: {was[target].fstype} from {was[target].source}"],
            advice="Look at /etc/fstab and the journal of its mount unit.",
        )
    for target in sorted(now.keys() & was.keys()):
        if was[target].fstype != now[target].fstype:
            yield make_seen(
                "mount-changed",
                Severity.DATA_AT_RISK,
                f"{target} is another kind of file system.",
                target,
                [f"was {was[target].fstype}, is {now[target].fstype}"],
                advice="What lay there before is hidden below it.",
            )
    news = [f"{t}: {now[t].fstype}" for t in sorted(now.keys() - was.keys())]
    if news:
        yield make_seen(
            "mounts-new",
            Severity.COSMETIC,
            f"{len(news)} file systems are mounted that were not.",
            "mounts",
            [list_some(news)],
            advice="What lay in these folders before is hidden below them.",
        )


def _is_real(target: str) -> bool:
    """Not the kernel's own views, nor what forerun mounts."""
    return not target.startswith(("/proc", "/sys", "/dev", "/run"))


def tell_interfaces(before: Inventory, after: Inventory) -> Iterator[Finding]:
    """Interfaces by whose name nothing goes any more."""
    for name in list_lost_interfaces(before, after):
        yield make_seen(
            "interface-renamed",
            Severity.LOSES_ACCESS,
            f"The network interface {name} is gone, or has another name.",
            name,
            [f"before: {', '.join(before.interfaces)}", f"after: {', '.join(after.interfaces)}"],
            advice="Pin the name with a .link file on the hardware address.",
            source="package udev, systemd.net-naming-scheme(7), systemd.link(5)",
        )


def tell_accounts(before: Inventory, after: Inventory) -> Iterator[Finding]:
    """Users and groups that are gone or have another number."""
    if not before.accounts or not after.accounts:
        return
    was, now = (dict(row.rsplit(" ", 1) for row in one.accounts) for one in (before, after))
    for name in sorted(was):
        if was[name] != now.get(name):
            yield make_seen(
                "account-changed",
                Severity.DATA_AT_RISK,
                f"The {name} {'has another number' if name in now else 'is gone'}.",
                name,
                [f"was {was[name]}, is {now.get(name, 'not there')}"],
                advice="Find the files of the old number, and give them to the new one.",
            )


def tell_kernel(run: RunRecord) -> Iterator[Finding]:
    """A reboot into the kernel of before, where another was to come: the release is another
    one, or a kernel's package changed."""
    kernels = any(one.name.startswith("linux-image-") for one in run.packages)
    if run.release_before == run.release_after and not kernels:
        return
    for reboot in run.reboots[-1:]:
        if reboot.kernel_before and reboot.kernel_before == reboot.kernel_after:
            yield make_seen(
                "old-kernel-runs",
                Severity.DATA_AT_RISK,
                "The old kernel still runs after the reboot.",
                "kernel",
                [f"before and after: {reboot.kernel_after}"],
                advice="Look at the boot loader's default entry and for a kernel metapackage.",
                source="release notes 4.6.1 (number from memory)",
            )


def tell_room(run: RunRecord) -> Iterator[Finding]:
    """A file system that was nearly full at some moment."""
    fullest: dict[str, tuple[float, DiskSample]] = {}
    for sample in run.disk:
        share = sample.used_bytes / sample.size_bytes if sample.size_bytes > 0 else 0.0
        if share >= max(_FULL, fullest.get(sample.target, (0.0, sample))[0]):
            fullest[sample.target] = (share, sample)
    for target, (share, sample) in sorted(fullest.items()):
        boot = target.startswith("/boot")
        yield make_seen(
            "room-short",
            Severity.STOPS_BOOT if boot else Severity.SERVICE_DOWN,
            f"{target} was nearly full.",
            target,
            [f"{sample.used_bytes} of {sample.size_bytes} bytes ({share:.0%}) were used"],
            advice="Make room before the window: old kernels, the package cache, logs."
            " The threshold, 90 %, is ours.",
            source="sampled on the clone",
        )


def tell_boot_mode(survey: CleanSurvey, after: Inventory) -> Iterator[Finding]:
    """A clone that starts in another way hides what the loader does."""
    if after.boot_mode and survey.machine.boot_mode not in ("", after.boot_mode):
        yield make_seen(
            "boot-mode-differs",
            Severity.STOPS_BOOT,
            "The clone does not start as production does.",
            "boot mode",
            [f"production: {survey.machine.boot_mode}; the clone: {after.boot_mode}"],
            advice="Rehearse again on a template of production's boot mode.",
        )


def tell_journal(
    before: Sequence[JournalLine], after: Sequence[JournalLine], marks: Collection[str] = ()
) -> Iterator[Finding]:
    """Errors that were not in the journal before, by who wrote them; warnings in one."""
    old = {(line.identifier, strip_numbers(line.text)) for line in before}
    news = [
        line
        for line in after
        if (line.identifier, strip_numbers(line.text)) not in old
        and f"journal:{line.text}" not in marks
    ]
    errors: dict[str, list[JournalLine]] = {}
    for line in news:
        if line.priority <= 3:
            errors.setdefault(line.identifier or "no name", []).append(line)
    for identifier, lines in list(errors.items())[:MOST_LISTED]:
        yield make_seen(
            "journal-errors",
            Severity.COSMETIC,
            f"{identifier.strip('()')} writes errors that it did not write before.",
            identifier.strip("()"),
            [f"{line.count} times: {line.text}" for line in lines[:MOST_LISTED]],
            advice="Read them; some are a service that works only in part.",
            source="the journal of the clone's last boot, numbers left out of the comparison",
        )
    warnings = [f"{line.identifier}: {line.text}" for line in news if line.priority == 4]
    if warnings:
        yield make_seen(
            "journal-warnings",
            Severity.COSMETIC,
            f"{len(warnings)} kinds of warnings are new in the journal.",
            "journal",
            warnings[:MOST_LISTED],
            advice="Read the list once.",
            source="the journal of the clone's last boot, numbers left out of the comparison",
        )
