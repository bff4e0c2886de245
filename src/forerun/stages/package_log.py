"""The package manager's own log on the clone, read as it grows, step by step."""

from __future__ import annotations

import re
from dataclasses import dataclass

from forerun.distro.debian_logs import PackageTimes, list_changes, parse_dpkg_log
from forerun.errors import ForerunError
from forerun.model.observation import PackageChange
from forerun.ports.guest import Guest

DPKG_LOG = "/var/log/dpkg.log"
MOST_LOG = 64 << 20
_MARK = "-- files --"
# Sizes of what is installed (KiB, Debian Policy 5.6.20) and of the package files that apt
# still has; a colon of a version is written %3a in their names.
_ASK_SIZES = (
    "dpkg-query -W -f='${Package} ${Architecture} ${Version} ${Installed-Size}\\n'; "
    f"echo '{_MARK}'; "
    "find /var/cache/apt/archives -maxdepth 1 -name '*.deb' -printf '%f %s\\n'"
)
_INSTALLED = re.compile(r"(\S+) (\S+) (\S+) ([0-9]{1,10})")
_FILE = re.compile(r"([^_\s]+)_([^_\s]+)_([^_\s]+)\.deb ([0-9]{1,13})")


@dataclass(frozen=True, slots=True)
class PackageWork:
    """What the package manager did in one step: seconds by what it was at (its log has whole
    ones), bytes of the package files it unpacked and of what they became; -1 where unknown."""

    unpacking_s: float = -1.0
    configuring_s: float = -1.0
    triggers_s: float = -1.0
    packed_bytes: int = -1
    unpacked_bytes: int = -1


class PackageLog:
    """Follows the log. Trouble with the clone is left to others: nothing is new then."""

    def __init__(self, guest: Guest) -> None:
        self._guest = guest
        self._since = ""
        self._text = ""
        self._offset = 0
        self._told = 0

    def start(self) -> None:
        """Package changes before now belong to the template, not to the rehearsal."""
        self._since = self._guest.run("date '+%Y-%m-%d %H:%M:%S'", timeout_s=60).text().strip()

    def read(self) -> bool:
        """Read what is new; whether the log could be read at all."""
        parts: list[bytes] = []
        try:
            while self._offset < MOST_LOG:
                chunk = self._guest.read_file(DPKG_LOG, offset=self._offset)
                if not chunk:
                    break
                parts.append(chunk)
                self._offset += len(chunk)
        except (ForerunError, FileNotFoundError):
            return bool(self._text)
        finally:
            self._text += b"".join(parts).decode("utf-8", "replace")
        return True

    def changes(self) -> tuple[PackageChange, ...]:
        """All changes so far."""
        return list_changes(parse_dpkg_log(self._text, since=self._since))

    def take_step(self) -> PackageWork:
        """What was done since the step before; asks the clone for sizes where packages were
        unpacked."""
        if not self.read():
            return PackageWork()
        new, self._told = self._text[self._told :], len(self._text)
        times = parse_dpkg_log(new, since=self._since)
        unpacked = [one for one in times if one.kind in ("upgraded", "installed")]
        packed, size = (0, 0) if not unpacked else self._ask_sizes(unpacked)
        return PackageWork(
            unpacking_s=sum(one.unpack_s for one in times),
            configuring_s=sum(one.configure_s for one in times),
            triggers_s=sum(one.trigger_s for one in times),
            packed_bytes=packed,
            unpacked_bytes=size,
        )

    def _ask_sizes(self, unpacked: list[PackageTimes]) -> tuple[int, int]:
        try:
            told = self._guest.run(_ASK_SIZES, timeout_s=120).text()
        except ForerunError:
            return -1, -1
        return sum_sizes(told, unpacked)


def sum_sizes(told: str, unpacked: list[PackageTimes]) -> tuple[int, int]:
    """(bytes of the package files, bytes they became) of these packages, each -1 unless it is
    known of all of them: a sum with holes would pass for the whole. A package may do without
    Installed-Size (Debian Policy 5.6.20): it counts as its own file, which is the least."""
    installed, _, files = told.partition(f"{_MARK}\n")
    sizes = {
        (match[1], match[2], match[3]): int(match[4]) * 1024
        for line in installed.splitlines()
        if (match := _INSTALLED.fullmatch(line.strip()))
    }
    packed = {
        (match[1], match[3], match[2].replace("%3a", ":")): int(match[4])
        for line in files.splitlines()
        if (match := _FILE.fullmatch(line.strip()))
    }
    keys = [(one.name, one.architecture, one.new) for one in unpacked]
    sums = [
        sum(known[key] for key in keys) if all(key in known for key in keys) else -1
        for known in (packed, {**packed, **sizes})
    ]
    return sums[0], sums[1]
