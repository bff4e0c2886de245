"""The shell commands that read a Debian server.

Every command reads; none writes, not even a cache: `apt-cache` is told to keep its cache
in memory, and nothing is redirected to a file. The one exception is run only when asked for
(CALIBRATION): how fast a server writes cannot be told by reading. Starting a process is what
costs most on a small or emulated server (about 35 ms there), so that one awk reads many files.
"""

from __future__ import annotations

import shlex

from forerun.distro.base import ABSENT, BASE_PROBES
from forerun.distro.debian_data import DATA_KEEPERS
from forerun.distro.speed_kit import KIT, LINK
from forerun.ports.production import CopyScope, ProbeName

SCOPE = CopyScope(
    roots=(
        "/etc",
        "/usr/local/bin",
        "/usr/local/sbin",
        "/usr/local/etc",
        "/usr/local/lib/systemd",
        "/var/spool/cron/crontabs",
    ),
    # Histories of a folder hold every secret that was ever in it.
    closed=(".git", ".hg", ".bzr", ".svn", "CVS"),
)

_SHOW = 'show() { for f; do [ -f "$f" ] && { echo "#file $f"; cat "$f"; echo; }; done; :; }; '
_NAMES = "dpkg-query --show --showformat='${binary:Package}\\n'"
_NO_CACHE = "-o Dir::Cache::pkgcache= -o Dir::Cache::srcpkgcache="
# A dead disk or a service manager that hangs must not hold the survey.
_LIMIT = 'limit() { if command -v timeout >&2; then timeout 25 "$@"; else "$@"; fi; }; '


def _or_absent(command: str, reason: str) -> str:
    return f"{{ {command}; }} 2>/dev/null || echo '{ABSENT.decode()}{reason}'"


# Files that awk shows line by line after a tab, so that no content passes for a mark.
# Of accounts everything but the password field and the full name; of the installer's
# questions names, owners and flags, never a value; of the processor its first entry.
_SHOW_FILES = r"""awk 'BEGIN {
  for (i = 1; i < ARGC && whole < 16000000; i++) {
    f = ARGV[i]; size = 0; first = 1; shown = 0
    if (f ~ /[[:cntrl:]]/) continue
    r = (getline line < f)
    if (r < 0) continue
    print "#file " f
    while (r == 1) {
      size += length(line) + 1
      if (4000000 < size) { print "#absent " f " is larger than 4000000 bytes"; break }
      out = line
      if (f == "/etc/passwd" || f == "/etc/group") {
        n = split(line, a, ":")
        out = a[1] ":" a[3] ":" a[4] ":" a[6] ":" a[7]
      } else if (f == "/proc/cpuinfo") {
        if (line == "") break
      } else if (f ~ /\/config\.dat$/) {
        if (line ~ /^Template: /) used[substr(line, 11)] = 1
        if (line !~ /^((Name|Template|Owners|Flags): |$)/) out = "#"
      } else if (f ~ /\/templates\.dat$/) {
        if (line ~ /^Name: /) shown = (substr(line, 7) in used)
        if (!shown || line !~ /^(Name|Type): /) out = "#"
      } else if (f ~ /Release$/) {
        if (line !~ /^(Origin|Label): /) out = "#"
        if (line ~ /^(MD5Sum|SHA1|SHA256|SHA512):/) break
      }
      if (out != "#" || line == "#") { print "\t" out; whole += length(out) + 2 }
      r = (getline line < f)
    }
    close(f)
  }
  if (i < ARGC) print "#absent files beyond 16000000 bytes"
}' """

_FILES = " ".join((
    "/etc/passwd",
    "/etc/group",
    "/proc/cpuinfo",
    "/etc/timezone",
    "/var/lib/dpkg/diversions",
    "/var/lib/dpkg/statoverride",
    "/etc/apt/preferences",
    "/etc/apt/preferences.d/*",
    "/var/lib/ucf/registry",
    "/run/reboot-required",
    "/run/reboot-required.pkgs",
    "/var/cache/debconf/config.dat",
    "/var/cache/debconf/templates.dat",
    "/sys/class/net/*/address",
    "/sys/class/net/*/ifindex",
    "/run/udev/data/n*",
    "/var/lib/dpkg/alternatives/*",
))  # fmt: skip

_LINKS = (
    "find /etc/alternatives /etc/localtime /dev/disk /dev/mapper /dev/md"
    " /sys/class/net/*/device/driver /sys/class/net/*/device/subsystem"
    " /var/lib/dkms /lib/modules/*/updates/dkms -maxdepth 4"
    r" \( -type l -o -path '/var/lib/dkms/*/*/*/*' -o -name '*.ko*' \)"
    r" -printf '%p\t%l\0'"
)
_SECURE_BOOT = "/sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"

_SYSTEM = (
    f"{_SHOW_FILES}{_FILES} || echo '#absent files awk ended early'\n"
    "echo '#file addresses'\n"
    "ip -o addr show 2>/dev/null || echo '#absent addresses there is no ip program'\n"
    f"f={_SECURE_BOOT}\n"
    '[ -r "$f" ] && { echo "#file secure-boot"; od -A n -t u1 "$f"; }\n'
    "echo '#links'\n"
    f"{_LINKS} 2>/dev/null; :"
)

_HISTORY = (
    f"{_LIMIT}echo '#file boots'\n"
    "limit journalctl --list-boots --utc --no-pager 2>/dev/null"
    " || echo '#absent boots the journal did not answer'\n"
    "echo '#file startup'\n"
    "limit systemd-analyze --no-pager time 2>/dev/null"
    " || echo '#absent startup the service manager did not answer'\n"
    "echo '#file data'\n"
    f"for d in {' '.join(one.path for one in DATA_KEEPERS if one.path)}; do "
    '[ ! -d "$d" ] || limit du -D -s -x --block-size=1 -- "$d" 2>/dev/null; done\n'
    "set --\n"
    "for n in 1 2 3 4 5 6 7 8 9 10 11 12; do f=/var/log/apt/history.log.$n.gz; "
    '[ -f "$f" ] && set -- "$f" "$@"; done\n'
    "echo '#file transactions'\n"
    '{ [ $# = 0 ] || gzip -d -c "$@"; [ ! -f /var/log/apt/history.log ] ||'
    " cat /var/log/apt/history.log; } 2>/dev/null"
    r""" | awk '{ size += length($0) + 1; if (4000000 < size) exit; print "\t" $0 }'"""
    "\n:"
)

PROBES: dict[ProbeName, str] = {
    **BASE_PROBES,
    ProbeName.POINT_RELEASE: "cat /etc/debian_version",
    ProbeName.NAMES: 'echo "#file node"; uname -n; '
    + _SHOW
    + "show /etc/hostname /etc/mailname /etc/hosts /etc/resolv.conf",
    ProbeName.MACHINE: "uname -r; dpkg --print-architecture; getconf _NPROCESSORS_ONLN; "
    "if [ -d /sys/firmware/efi ]; then echo uefi; else echo bios; fi; "
    "grep '^MemTotal:' /proc/meminfo; cat /proc/cmdline",
    ProbeName.PACKAGES: "dpkg-query --show --showformat="
    "'${binary:Package}\\t${Version}\\t${Architecture}\\t${db:Status-Abbrev}\\n'",
    ProbeName.AUTOMATIC: "cat /var/lib/apt/extended_states 2>/dev/null; :",
    # `apt-cache policy` without names tells the archives' labels, but building its cache
    # in memory once more takes longer than all other probes together.
    ProbeName.ARCHIVES: _or_absent(
        f"{_NAMES} | xargs apt-cache {_NO_CACHE} policy",
        "apt-cache could not read its package indexes",
    )
    + f"\necho '#releases'\n{_SHOW_FILES}/var/lib/apt/lists/*Release; :",
    ProbeName.CONTROL: "dpkg-query --status",
    ProbeName.CONFFILE_SUMS: "dpkg-query --show --showformat='${Conffiles}\\n'"
    r" | sed -n -e 's|^ \(/.*\) [0-9a-f]\{32\}\( obsolete\)\{0,1\}$|\1|p'"
    r" -e 's|^[0-9a-f]\{32\}  \(/.*\)$|\1|p' - /var/lib/ucf/hashfile | sort -u"
    r" | tr '\n' '\0' | xargs -0 -r md5sum -- 2>&1; :",
    # ucf's files may be made on the server, with passwords in them: which of its digests
    # are those of a file that some package brought, and so no secret, is shown after it.
    ProbeName.MANAGED_SUMS: "[ ! -s /var/lib/ucf/hashfile ] || awk '"
    'FNR == NR { print; ucf[$1]; next } $1 in ucf && !shown[$1]++ { print "#public " $1 }\''
    " /var/lib/ucf/hashfile /var/lib/dpkg/info/*.md5sums 2>/dev/null; :",
    ProbeName.SOURCES: _SHOW
    + "show /etc/apt/sources.list /etc/apt/sources.list.d/*.list /etc/apt/sources.list.d/*.sources",
    ProbeName.ARCHIVE_KEYS: "for f in /etc/apt/trusted.gpg /etc/apt/trusted.gpg.d/*"
    " /etc/apt/keyrings/* /usr/share/keyrings/*; do"
    ' [ -f "$f" ] && { echo "#file $f"; base64 "$f"; }; done; :',
    ProbeName.UNITS: _LIMIT
    + _or_absent(
        "limit systemctl list-units --all --full --plain --no-legend --no-pager && echo '#files'"
        " && limit systemctl list-unit-files --full --plain --no-legend --no-pager",
        "the service manager did not answer",
    ),
    ProbeName.SOCKETS: _or_absent(
        "if command -v ss >&2; then ss -H -l -n -t -u -p; else for f in tcp tcp6 udp udp6; do"
        ' echo "#file $f"; cat "/proc/net/$f"; done; fi',
        "no list of listening sockets",
    ),
    ProbeName.DISKS: _LIMIT
    + _or_absent(
        "limit lsblk --json --bytes --output NAME,KNAME,PKNAME,TYPE,SIZE,SERIAL,FSTYPE,UUID,LABEL,"
        "MOUNTPOINT,PARTTYPE,PARTUUID,PTTYPE,MODEL,ROTA",
        "lsblk did not answer",
    ),
    ProbeName.MOUNTS: f'{_LIMIT}echo "#file mounts"; cat /proc/self/mounts; echo "#file room"; '
    "limit df --local --all --block-size=1 --output=size,used,avail,target 2>/dev/null; "
    'echo "#file fstab"; cat /etc/fstab 2>/dev/null; :',
    ProbeName.SETTINGS: _SHOW + "show /etc/sysctl.d/*.conf /etc/sysctl.conf; echo '#file debconf'; "
    "awk '/^Name: grub-(pc|efi)\\/install_devices$/,/^$/' /var/cache/debconf/config.dat"
    " 2>/dev/null; :",
    ProbeName.LARGE_FILES: "cd / && for root in "
    + " ".join(shlex.quote(root.lstrip("/")) for root in SCOPE.roots)
    + '; do [ -e "$root" ] && find "$root" -xdev -type d \\( '
    + " -o ".join(f"-name {shlex.quote(name)}" for name in SCOPE.closed)
    + f" \\) -prune -o -type f -size +{SCOPE.file_limit}c -printf '%s /%p\\0'; done; :",
    ProbeName.SYSTEM: _SYSTEM,
    ProbeName.HISTORY: _HISTORY,
}

# Run only when asked for: it takes seconds of the processor, and the first of them writes.
CALIBRATION: dict[ProbeName, str] = {ProbeName.CALIBRATION: KIT, ProbeName.LINK_RATE: LINK}
