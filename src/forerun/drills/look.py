"""What a clone's state says of a drill: one look, and what looks have shown so far.

Nothing here knows what was typed. One script answers all questions of a look, since starting
a program costs an emulated clone most; it changes nothing there.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from forerun.distro.debian_sources import parse_sources
from forerun.errors import CloneUnreachable, ForerunError
from forerun.model.profile import SourcePlan
from forerun.model.survey import ArchiveSource
from forerun.ports.guest import Guest

LOOK_S = 60.0
MANAGERS = ("apt", "apt-get", "aptitude", "dpkg", "unattended-upgr")
LOCKS = ("/var/lib/dpkg/lock", "/var/lib/dpkg/lock-frontend", "/var/lib/apt/lists/lock")
_PART = "@@ "
_INSECURE = r"AllowInsecure|AllowUnauthenticated|AllowWeak|Check-Valid-Until"
_UNSIGNED = re.compile(
    r"\[[^\]]*\b(trusted|allow-insecure|allow-weak)=yes"
    r"|^\s*(trusted|allow-insecure|allow-weak):\s*yes",
    re.IGNORECASE | re.MULTILINE,
)
_OPTION = re.compile(
    r"--allow-unauthenticated|AllowUnauthenticated=(1|true|yes)|AllowInsecureRepositories=(1|true|yes)"
    r"|--allow-insecure-repositories",
    re.IGNORECASE,
)
_SIMULATES = re.compile(
    r"(^|\s)(-[a-zA-Z]*s[a-zA-Z]*|--simulate|--just-print|--dry-run|--no-act|--recon)(\s|$)"
)


@dataclass(frozen=True, slots=True)
class Manager:
    """A process of the package manager: its id, its parent's, its name and command line."""

    pid: int
    parent: int
    name: str
    command: str


@dataclass(frozen=True, slots=True)
class Look:
    """One look. `resting` are the watched units that are not active; `locks` are inodes by
    path; `insecure` are settings that switch signatures off; `sources` are the files below
    /etc/apt by path; `indexed` are names of fetched indexes. `reachable` is False where the
    clone gave no answer, and then nothing else is known. `changes` counts the packages that
    dpkg's log says were begun to be changed, `half_way` those that are half way now."""

    at_s: float
    reachable: bool = True
    boot_id: str = ""
    kernel: str = ""
    newest_kernel: str = ""
    resting: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    managers: tuple[Manager, ...] = ()
    locks: tuple[tuple[str, str], ...] = ()
    insecure: tuple[str, ...] = ()
    sources: tuple[tuple[str, str], ...] = ()
    indexed: tuple[str, ...] = ()
    changes: int = 0
    held: tuple[str, ...] = ()
    half_way: int = 0

    def parse_sources(self) -> tuple[ArchiveSource, ...]:
        """The archive entries in force or switched off."""
        return parse_sources(dict(self.sources))


@dataclass(frozen=True, slots=True)
class History:
    """What the looks of one attempt have shown. Times are `at_s`, -1 for not seen. At `changed_s`
    any package had changed, at `upgraded_s` one after the sources led to the new release: what
    a procedure brings up to date before that is not the upgrade. `active` are watched units that
    ran when that began; `insecure`, `two_managers` and
    `locks_removed` are evidence in words, the first of each kind."""

    changed_s: float = -1.0
    upgraded_s: float = -1.0
    simulated_s: float = -1.0
    switched_s: float = -1.0
    indexed_s: float = -1.0
    rested_s: float = -1.0
    restarted_s: float = -1.0
    active: tuple[str, ...] = ()
    insecure: str = ""
    two_managers: str = ""
    locks_removed: str = ""
    changes: int = 0
    boot_id: str = ""
    last: Look = field(default_factory=lambda: Look(-1.0))


def write_look(units: Sequence[str]) -> str:
    """The script of a look."""
    names = " ".join(shlex.quote(unit) for unit in units)
    return f"""set -f
p() {{ echo '{_PART}'"$1"; }}
p boot; cat /proc/sys/kernel/random/boot_id; uname -r
set +f
p kernels; ls /boot | sed -n 's/^vmlinuz-//p' | sort -V | tail -n 1
p units; [ -z {shlex.quote(names)} ] || systemctl is-active {names or "x"}
p failed; systemctl --failed --plain --no-legend | cut -d ' ' -f 1
p managers
for d in /proc/[0-9]*; do
  read -r name < $d/comm || continue
  case $name in {"|".join(MANAGERS)})
    read -r stat < $d/stat || continue; stat=${{stat##*) }}; set -- $stat
    echo "${{d#/proc/}} $2 $name $(tr '\\0' ' ' < $d/cmdline)";;
  esac
done 2>/dev/null
p locks; stat -c '%n %i' {" ".join(LOCKS)} 2>/dev/null
p insecure
grep -rhsE '^[^#/]*({_INSECURE})' /etc/apt/apt.conf /etc/apt/apt.conf.d
p status; grep -c -E '^[-0-9]+ [0-9:]+ (upgrade|install|remove|purge) ' /var/log/dpkg.log
grep -c -E '^Status: .* (half-installed|half-configured|unpacked|triggers-awaited)$' \\
  /var/lib/dpkg/status
p held; grep -s -B 8 '^Status: hold ' /var/lib/dpkg/status | sed -n 's/^Package: //p'
p indexed; cd /var/lib/apt/lists && ls
p sources
for f in /etc/apt/sources.list /etc/apt/sources.list.d/*.list /etc/apt/sources.list.d/*.sources; do
  [ -f "$f" ] && {{ p "file $f"; cat "$f"; echo; }}
done
:"""


def take_look(guest: Guest, units: Sequence[str], at_s: float) -> Look:
    """Look at the clone; one that gives no answer is a result."""
    try:
        said = guest.run(write_look(units), timeout_s=LOOK_S).text()
    except (CloneUnreachable, ForerunError):
        return Look(at_s, reachable=False)
    return parse_look(said, units, at_s)


def parse_look(said: str, units: Sequence[str], at_s: float) -> Look:
    """What that script said. What is no answer of its shape counts as nothing."""
    parts: dict[str, list[str]] = {}
    files: dict[str, str] = {}
    name, path = "", ""
    for line in said.splitlines():
        if line.startswith(_PART):
            name = line.removeprefix(_PART)
            path = name.removeprefix("file ") if name.startswith("file ") else ""
            if path:
                files[path] = ""
        elif path:
            files[path] += f"{line}\n"
        else:
            parts.setdefault(name, []).append(line.strip())
    boot = [*parts.get("boot", []), "", ""]
    states = parts.get("units", [])
    status = [*parts.get("status", []), "0", "0"]
    unsigned = [f"{file}: {found[0].strip()}" for file, text in files.items()
                if (found := _UNSIGNED.search(_strip_remarks(text)))]  # fmt: skip
    return Look(
        at_s=at_s,
        boot_id=boot[0],
        kernel=boot[1],
        newest_kernel=next(iter(parts.get("kernels", [])), ""),
        resting=tuple(
            unit for unit, state in zip(units, states, strict=False) if state != "active"
        ),
        failed=tuple(line for line in parts.get("failed", []) if line),
        managers=tuple(_walk_managers(parts.get("managers", []))),
        locks=tuple(
            (words[0], words[1])
            for line in parts.get("locks", [])
            if len(words := line.split()) == 2
        ),
        insecure=(*(line for line in parts.get("insecure", []) if line), *unsigned),
        sources=tuple(files.items()),
        indexed=tuple(parts.get("indexed", [])),
        changes=_read_count(status[0]),
        half_way=_read_count(status[1]),
        held=tuple(parts.get("held", [])),
    )


def _read_count(text: str) -> int:
    return int(text) if text.isdigit() and len(text) < 10 else 0


def _strip_remarks(text: str) -> str:
    return "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))


def _walk_managers(lines: Iterable[str]) -> Iterable[Manager]:
    for line in lines:
        words = line.split(" ", 3)
        if len(words) >= 3 and words[0].isdigit() and words[1].isdigit():
            yield Manager(int(words[0]), int(words[1]), words[2], words[3] if words[3:] else "")


def is_simulation(manager: Manager) -> bool:
    """Whether it only asks for a plan."""
    return bool(_SIMULATES.search(manager.command))


def find_changers(look: Look) -> tuple[Manager, ...]:
    """Processes that change packages now: dpkg at its work, and who drives it."""
    return tuple(
        one
        for one in look.managers
        if one.name == "dpkg"
        and re.search(
            r"--(unpack|configure|remove|purge|install|auto)|\s-[iriP]\s", f"{one.command} "
        )
    )


def find_trees(look: Look) -> tuple[Manager, ...]:
    """The topmost process of each package manager at work, those that only ask left out."""
    by_pid = {one.pid: one for one in look.managers}
    return tuple(
        one
        for one in look.managers
        if one.parent not in by_pid and not is_simulation(one) and not _only_asks(one)
    )


def _only_asks(one: Manager) -> bool:
    words = one.command.split()
    asking = {"list", "policy", "show", "search", "--audit", "-l", "-s", "-L", "-S", "-V",
              "--get-selections", "--print-architecture", "--compare-versions", "--version",
              "update", "changelog", "download"}  # fmt: skip
    return bool(asking & set(words[1:]))


def has_switched(look: Look, plan: SourcePlan) -> bool:
    """Whether no entry in force names a suite of the old release, and some name the new."""
    old, new = {one for one, _ in plan.suites}, {one for _, one in plan.suites}
    suites = _list_suites(look)
    return bool(suites & new) and not suites & (old - new)


def _list_suites(look: Look) -> set[str]:
    return {
        suite.strip("/")
        for source in look.parse_sources()
        if source.enabled
        for suite in source.suites
    }


def list_verified(look: Look, plan: SourcePlan) -> tuple[str, ...]:
    """Fetched release files of the new suites: apt keeps those alone whose signature it found
    good (apt-secure(8))."""
    new = {one for old, one in plan.suites if one != old}
    return tuple(
        name
        for name in look.indexed
        if name.endswith(("InRelease", "_Release")) and any(f"_dists_{one}_" in name for one in new)
    )


def list_old(look: Look, plan: SourcePlan) -> tuple[str, ...]:
    """Entries in force of the old release, as `file:line suite`."""
    old = {one for one, new in plan.suites if one != new}
    return tuple(
        f"{source.file}:{source.line} {suite}"
        for source in look.parse_sources()
        if source.enabled
        for suite in source.suites
        if suite.strip("/") in old
    )


def extend_history(seen: History, look: Look, plan: SourcePlan, units: Sequence[str]) -> History:
    """The history with one look more. Pure; looks come in the order of time."""
    if not look.reachable:
        return seen
    last = seen.last
    made: dict[str, object] = {"last": look}
    changing = bool(find_changers(look))
    if seen.changed_s < 0 and (changing or look.changes > seen.changes):
        made["changed_s"] = look.at_s
    made |= _note_upgrade(seen, look, plan, units)
    if seen.simulated_s < 0 and any(is_simulation(one) for one in look.managers):
        made["simulated_s"] = look.at_s
    if seen.switched_s < 0 and has_switched(look, plan):
        made["switched_s"] = look.at_s
    if seen.indexed_s < 0 and has_switched(look, plan) and list_verified(look, plan):
        made["indexed_s"] = look.at_s
    if seen.rested_s < 0 and units and set(units) <= set(look.resting):
        made["rested_s"] = look.at_s
    if seen.boot_id and look.boot_id and look.boot_id != seen.boot_id:
        made["restarted_s"] = look.at_s if seen.restarted_s < 0 else seen.restarted_s
    made |= _note_wrongs(seen, look, last)
    return replace(seen, **made)  # type: ignore[arg-type]


def _note_upgrade(
    seen: History, look: Look, plan: SourcePlan, units: Sequence[str]
) -> Mapping[str, object]:
    """When packages first change while some source leads to the new release, and what runs then
    that ran before it, too. Later on packages start their own units (deb-systemd-invoke(1p))."""
    to = {new for old, new in plan.suites if new != old}
    if seen.upgraded_s >= 0 or not _list_suites(look) & to:
        return {}
    more = seen.last.reachable and look.changes > seen.last.changes
    if not find_changers(look) and not more:
        return {}
    at_rest = {*look.resting, *(seen.last.resting if seen.last.reachable else ())}
    return {
        "upgraded_s": look.at_s,
        "active": tuple(unit for unit in units if unit not in at_rest),
    }


def _note_wrongs(seen: History, look: Look, last: Look) -> Mapping[str, object]:
    made: dict[str, object] = {}
    when = f"{look.at_s:.0f} s after the start"
    options = [one.command for one in look.managers if _OPTION.search(one.command)]
    if not seen.insecure and (look.insecure or options):
        made["insecure"] = f"{when}: {(*look.insecure, *options)[0][:160]}"
    dpkgs = [one for one in find_trees(look) if one.name != "unattended-upgr"]
    if not seen.two_managers and len(dpkgs) > 1:
        before = {one.pid for one in find_trees(last)} if last.reachable else set()
        if {one.pid for one in dpkgs} <= before:  # seen twice: not one that ends at once
            shown = "; ".join(f"process {one.pid}: {one.command.strip()[:80]}" for one in dpkgs)
            made["two_managers"] = f"{when}: {shown}"
    old, new = dict(last.locks), dict(look.locks)
    gone = [path for path, inode in old.items() if new.get(path) != inode]
    if not seen.locks_removed and gone and look.boot_id == last.boot_id and last.managers:
        made["locks_removed"] = f"{when}: {', '.join(gone)} while a package manager ran"
    return made
