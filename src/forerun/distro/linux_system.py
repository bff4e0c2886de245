"""Processor, network interfaces, accounts and boots of any Linux server.

Sources: proc(5) (/proc/cpuinfo), sysfs as the kernel documents it (class/net), udev's
database (`E:` lines hold properties) and systemd.net-naming-scheme(7), ip-address(8),
passwd(5), group(5), journalctl(1) and systemd-analyze(1), and the UEFI specification 2.10
(3.3: SecureBoot is one byte; the kernel puts four bytes of attributes before it).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from forerun.distro.base import Sections, escape_value
from forerun.model.survey import Unit
from forerun.model.system import Account, Boot, DataStore, Group, Interface, Processor

_MOST_BOOTS = 30
_ID = re.compile(r"[0-9]{1,10}")


def parse_links(text: str) -> dict[str, str]:
    """Path to target, from NUL-ended `PATH<tab>TARGET` records; "" for what is no link."""
    found: dict[str, str] = {}
    for record in text.split("\0"):
        path, tab, target = record.strip("\n").partition("\t")
        if tab and path.startswith("/"):
            found[escape_value(path)] = escape_value(target)
    return found


def parse_processor(lines: Iterable[str]) -> Processor:
    """Name, clock and feature words of the first entry of /proc/cpuinfo. x86 calls them
    "flags", ARM "Features"."""
    rows: dict[str, str] = {}
    for line in lines:
        key, colon, value = line.partition(":")
        if colon:
            rows.setdefault(key.strip().lower(), value.strip())
    clock = rows.get("cpu mhz", "")
    return Processor(
        model=rows.get("model name") or rows.get("cpu", ""),
        mhz=float(clock) if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,6})?", clock) else 0.0,
        flags=tuple((rows.get("flags") or rows.get("features", "")).split()),
    )


def parse_accounts(lines: Iterable[str]) -> tuple[Account, ...]:
    """Users from `name:uid:gid:home:shell`."""
    rows: list[Account] = []
    for line in lines:
        cells = line.split(":")
        if len(cells) >= 5 and cells[0] and all(_ID.fullmatch(cell) for cell in cells[1:3]):
            rows.append(Account(cells[0], int(cells[1]), int(cells[2]), cells[3], cells[4]))
    return tuple(rows)


def parse_groups(lines: Iterable[str]) -> tuple[Group, ...]:
    """Groups from `name:gid:members::`."""
    rows: list[Group] = []
    for line in lines:
        cells = line.split(":")
        if len(cells) >= 3 and cells[0] and _ID.fullmatch(cells[1]):
            members = tuple(member for member in cells[2].split(",") if member)
            rows.append(Group(cells[0], int(cells[1]), members))
    return tuple(rows)


# -- network interfaces ----------------------------------------------------------------------

_MAC = re.compile(r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}")
_ADDRESS_LINE = re.compile(r"^[0-9]+: (\S+)\s+inet6? (\S+)")


def parse_interfaces(sections: Sections, links: Mapping[str, str]) -> tuple[Interface, ...]:
    """Every interface but the loopback, with its addresses, driver, bus and the names
    that udev computes for it."""
    addresses = _read_addresses(sections.find("addresses"))
    rows: list[Interface] = []
    for path, lines in sections.lines.items():
        match = re.fullmatch(r"/sys/class/net/([^/]+)/address", path)
        mac = lines[0].strip().lower() if lines else ""
        if not match or match[1] == "lo":
            continue
        base = f"/sys/class/net/{match[1]}"
        index = "".join(sections.find(f"{base}/ifindex")).strip()
        rows.append(
            Interface(
                name=match[1],
                mac=mac if _MAC.fullmatch(mac) else "",
                driver=links.get(f"{base}/device/driver", "").rpartition("/")[2],
                bus=links.get(f"{base}/device/subsystem", "").rpartition("/")[2],
                addresses=addresses.get(match[1], ()),
                names=tuple(
                    row
                    for row in _walk_properties(sections.find(f"/run/udev/data/n{index}"))
                    if row[0].startswith("ID_NET_NAME") and row[1]
                ),
            )
        )
    return tuple(sorted(rows, key=lambda row: row.name))


def find_naming_scheme(sections: Sections) -> str:
    """The scheme by which udev named the interfaces ("v252"), empty where it is unknown."""
    for path in sections.lines:
        if path.startswith("/run/udev/data/n"):
            for key, value in _walk_properties(sections.find(path)):
                if key == "ID_NET_NAMING_SCHEME":
                    return value
    return ""


def _walk_properties(lines: Iterable[str]) -> Iterable[tuple[str, str]]:
    for line in lines:
        kind, _, rest = line.partition(":")
        key, equals, value = rest.partition("=")
        if kind == "E" and equals:
            yield key, value


def _read_addresses(lines: Iterable[str]) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for line in lines:
        match = _ADDRESS_LINE.match(line)
        if match:
            # "eth0@if7" is eth0 with its other end.
            name = match[1].partition("@")[0]
            found[name] = (*found.get(name, ()), match[2])
    return found


# -- boots -----------------------------------------------------------------------------------

_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d) UTC")
_BOOT_LINE = re.compile(r"^\s*(-?\d+)\s+[0-9a-f]{32}\s")
_PART = re.compile(r"([0-9hminsu .]+?)\s\(([a-z]+)\)")
_UNITS_S = {"h": 3600.0, "min": 60.0, "s": 1.0, "ms": 0.001, "us": 0.000001}


def parse_boots(boots: Iterable[str], startup: Iterable[str]) -> tuple[Boot, ...]:
    """The latest boots, oldest first, from `journalctl --list-boots --utc`; the last one
    has the parts of its start-up from `systemd-analyze time`. Boot ids are not kept."""
    rows: list[Boot] = []
    for line in boots:
        instants = [f"{day}T{time}Z" for day, time in _INSTANT.findall(line)]
        if _BOOT_LINE.match(line) and len(instants) == 2:
            rows.append(Boot(instants[0], instants[1]))
    parts = parse_startup(startup)
    if parts:
        last = rows.pop() if rows else Boot("", "")
        rows.append(Boot(last.began, last.ended, parts))
    return tuple(rows[-_MOST_BOOTS:])


def parse_data(lines: Iterable[str]) -> tuple[DataStore, ...]:
    """Sizes of folders, from `du -s --block-size=1`."""
    rows = []
    for line in lines:
        size, tab, path = line.rstrip("\n").partition("\t")
        if tab and re.fullmatch(r"[0-9]{1,18}", size) and path.startswith("/"):
            rows.append(DataStore(path, int(size)))
    return tuple(rows)


def parse_startup(lines: Iterable[str]) -> tuple[tuple[str, float], ...]:
    """(part, seconds) of `Startup finished in 1.5s (kernel) + 1min 2s (userspace) = ...`."""
    for line in lines:
        if line.startswith("Startup finished in "):
            text = line.removeprefix("Startup finished in ").partition(" = ")[0]
            return tuple(
                (part, _read_span(span))
                for spoken in text.split(" + ")
                for span, part in _PART.findall(spoken)
            )
    return ()


def _read_span(text: str) -> float:
    pieces = re.findall(r"(\d+(?:\.\d+)?)\s*(h|min|ms|us|s)\b", text)
    return round(sum(float(number) * _UNITS_S[unit] for number, unit in pieces), 6)


def parse_secure_boot(lines: Iterable[str]) -> bool | None:
    """Whether secure boot is on, from the variable's bytes as `od -A n -t u1` shows them."""
    numbers = " ".join(lines).split()
    return numbers[4] == "1" if len(numbers) == 5 and numbers[4] in {"0", "1"} else None


_TIME_SERVICES = ("chrony", "ntpsec", "ntp", "openntpd", "systemd-timesyncd")


def find_time_sync(units: Iterable[Unit]) -> str:
    """The service that keeps the clock right: the one that runs, else an enabled one."""
    known = {unit.name.removesuffix(".service"): unit for unit in units}
    for wanted in ("active", "enabled"):
        for name in _TIME_SERVICES:
            unit = known.get(name)
            if unit and wanted in (unit.active, unit.enabled):
                return name
    return ""
