"""The further facts of a Debian server, put together from the probes' answers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from forerun.distro import debian_state, linux_system
from forerun.distro.base import Sections, split_sections
from forerun.distro.debian_facts import parse_sums
from forerun.distro.debian_logs import HistoryEntry, parse_history_log
from forerun.distro.linux_blocks import parse_blocks
from forerun.distro.linux_speed import parse_speed
from forerun.model.survey import Machine, Package, Unit, Withheld
from forerun.model.system import SystemFacts, Transaction
from forerun.ports.production import ProbeName

# A monthly log of years says nothing more; a record should stay readable.
_MOST_TRANSACTIONS = 200


def read_system(
    text: Mapping[ProbeName, str],
    *,
    machine: Machine,
    packages: tuple[Package, ...],
    units: tuple[Unit, ...],
    settings: tuple[tuple[str, str], ...],
) -> tuple[SystemFacts, tuple[Withheld, ...]]:
    """The facts, and what could not be read and why. An answer that is missing or of
    another shape leaves its fact empty."""
    answer, _, links_text = text[ProbeName.SYSTEM].partition("#links\n")
    system, links = split_sections(answer), linux_system.parse_links(links_text)
    history = split_sections(text[ProbeName.HISTORY])
    blocks = parse_blocks(text[ProbeName.DISKS])
    facts = SystemFacts(
        accounts=linux_system.parse_accounts(system.find("/etc/passwd")),
        groups=linux_system.parse_groups(system.find("/etc/group")),
        blocks=blocks,
        interfaces=linux_system.parse_interfaces(system, links),
        diversions=debian_state.parse_diversions(system.find("/var/lib/dpkg/diversions")),
        overrides=debian_state.parse_overrides(system.find("/var/lib/dpkg/statoverride")),
        alternatives=debian_state.parse_alternatives(
            system.below("/var/lib/dpkg/alternatives"), links
        ),
        pins=debian_state.parse_pins(system),
        managed=debian_state.parse_managed(
            system.find("/var/lib/ucf/registry"),
            text[ProbeName.MANAGED_SUMS],
            parse_sums(text[ProbeName.CONFFILE_SUMS]),
            packages,
        ),
        questions=debian_state.parse_questions(
            system.find("/var/cache/debconf/config.dat"),
            system.find("/var/cache/debconf/templates.dat"),
        ),
        boots=linux_system.parse_boots(history.find("boots"), history.find("startup")),
        data=linux_system.parse_data(history.find("data")),
        transactions=parse_transactions(history.find("transactions"), find_zone(system, links)),
        loader=debian_state.find_loader(
            machine.boot_mode,
            packages,
            settings,
            links,
            devices=[block.name for block in blocks],
            secure_boot=linux_system.parse_secure_boot(system.find("secure-boot")),
        ),
        modules=debian_state.parse_modules(links, machine.kernel),
        processor=linux_system.parse_processor(system.find("/proc/cpuinfo")),
        time_sync=linux_system.find_time_sync(units),
        naming_scheme=linux_system.find_naming_scheme(system),
        reboot_pending=debian_state.find_pending_reboot(system, machine.kernel, packages),
        speed=parse_speed(text[ProbeName.CALIBRATION], text[ProbeName.LINK_RATE]),
    )
    return facts, tuple(_list_unread(text, facts, (system, history)))


def _list_unread(
    text: Mapping[ProbeName, str], facts: SystemFacts, answers: Iterable[Sections]
) -> Iterable[Withheld]:
    for sections in answers:
        for name, reason in sections.absent:
            yield Withheld(name, reason)
    if text[ProbeName.DISKS].strip() and not facts.blocks:
        yield Withheld(ProbeName.DISKS.value, "lsblk gave an answer of another shape")
    for fact, rows, wanted in (
        ("accounts", facts.accounts, "lines of passwd(5)"),
        ("groups", facts.groups, "lines of group(5)"),
        ("processor", facts.processor.flags, "the kernel's list of its features"),
    ):
        if not rows:
            yield Withheld(fact, f"the server's answer has no {wanted}")
    if text[ProbeName.CALIBRATION].strip() and not (facts.speed and facts.speed.speeds):
        yield Withheld(ProbeName.CALIBRATION.value, "the timed work gave no times")


def find_zone(system: Sections, links: Mapping[str, str]) -> str:
    """The name of the server's time zone ("Europe/Vienna"), empty where it is unknown."""
    linked = links.get("/etc/localtime", "").partition("/zoneinfo/")[2]
    return linked or "".join(system.find("/etc/timezone")).strip()


def parse_transactions(lines: Iterable[str], zone: str) -> tuple[Transaction, ...]:
    """Past runs of apt, oldest first. Its log is in local time: `began` is in UTC where
    the zone is known here, else as the server wrote it and without a "Z".

    A reinstalled package counts as installed, one of a lower version as upgraded."""
    rows = [_read_transaction(entry, zone) for entry in parse_history_log("\n".join(lines))]
    return tuple(rows[-_MOST_TRANSACTIONS:])


def _read_transaction(entry: HistoryEntry, zone: str) -> Transaction:
    began, ended = _read_instant(entry.started), _read_instant(entry.ended)
    kinds = [change.kind for change in entry.changes]
    return Transaction(
        began=_write_instant(began, zone) if began else entry.started,
        seconds=max(0.0, (ended - began).total_seconds()) if began and ended else -1.0,
        upgraded=sum(kind in {"upgrade", "downgrade"} for kind in kinds),
        installed=sum(kind in {"install", "reinstall"} for kind in kinds),
        removed=sum(kind in {"remove", "purge"} for kind in kinds),
        command=entry.command,
    )


def _read_instant(text: str) -> datetime | None:
    try:
        return datetime.strptime(text, "%Y-%m-%d %H:%M:%S")
    except ValueError:
        return None


def _write_instant(moment: datetime, zone: str) -> str:
    """The zone's rules come from the lab host's own time zone data."""
    if not re.fullmatch(r"[A-Za-z0-9_+-]+(?:/[A-Za-z0-9_+-]+)*", zone):
        return f"{moment:%Y-%m-%dT%H:%M:%S}"
    try:
        known = ZoneInfo(zone)
    except (LookupError, OSError, ValueError):
        return f"{moment:%Y-%m-%dT%H:%M:%S}"
    return f"{moment.replace(tzinfo=known).astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
