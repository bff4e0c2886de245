"""What apt needs to plan an upgrade without the server, and what it answers. Pure.

apt reads a status file, the automatic marks, the sources, its preferences and a few
settings; given the same of them and the same indexes, it plans the same. Sources:
apt.conf(5) (the order in which configuration is read, `#clear`), apt-get(8) (`-s`,
`--print-uris`), apt_preferences(5), deb822(5), dpkg(1) (states of a package).
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Iterator, Sequence
from urllib.parse import unquote

from debian.deb822 import Deb822

from forerun.distro.debian import compare_versions
from forerun.distro.debian_apt_conf import read_settings
from forerun.distro.debian_logs import (
    PlannedChange,
    Simulation,
    parse_print_uris,
    parse_simulation,
)
from forerun.model.likeness import PlannedPackage, PlannedStep, UpgradePlan
from forerun.model.survey import Package
from forerun.model.system import Pin

# dpkg-query(1), db:Status-Abbrev: wanted, state, error.
_WANTED = {"u": "unknown", "i": "install", "h": "hold", "r": "deinstall", "p": "purge"}
_STATES = {
    "n": "not-installed",
    "c": "config-files",
    "H": "half-installed",
    "U": "unpacked",
    "F": "half-configured",
    "W": "triggers-awaited",
    "t": "triggers-pending",
    "i": "installed",
}
_NO_FIELD = re.compile(r"[^A-Za-z0-9-]")


def write_status(packages: Iterable[Package]) -> str:
    """dpkg's status file with what apt's plan depends on.

    apt takes an installed version and an archive's for the same only when Installed-Size
    and the relations agree too (apt-pkg, VersionHash), so `Package.relations` must hold
    them all; a field that would start a stanza of its own is left out."""
    return "\n".join(_write_package(package) for package in packages if package.name)


def _write_package(package: Package) -> str:
    state = f"{package.state:<2}"
    wanted = "hold" if package.held else _WANTED.get(state[0], "unknown")
    error = "reinstreq" if state[2:3] == "R" else "ok"
    fields = {
        "Package": package.name,
        "Status": f"{wanted} {error} {_STATES.get(state[1], 'not-installed')}",
        "Version": package.version,
        "Architecture": package.architecture,
    }
    # A package of no archive has its whole stanza instead.
    relations = package.relations or tuple(
        (name, str(value)) for name, value in Deb822(package.stanza).items()
    )
    for name, value in relations:
        if not _NO_FIELD.search(name) and name.lower() not in _OWN_FIELDS:
            fields.setdefault(name, " ".join(value.split()))
    return "".join(f"{name}: {value}\n" for name, value in fields.items() if value)


_OWN_FIELDS = frozenset(
    {"package", "status", "version", "architecture", "conffiles", "config-version", "description"}
)


def write_extended_states(packages: Iterable[Package], native: str) -> str:
    """apt's list of automatic marks. apt files packages of architecture "all" under the
    native one."""
    return "\n".join(
        f"Package: {package.name}\n"
        f"Architecture: {native if package.architecture == 'all' else package.architecture}\n"
        "Auto-Installed: 1\n"
        for package in packages
        if package.automatic
    )


def write_preferences(pins: Iterable[Pin]) -> str:
    """apt_preferences(5) records, for a survey whose copy has none of the files."""
    return "\n".join(
        f"Package: {pin.packages}\nPin: {pin.what}\nPin-Priority: {pin.priority}\n" for pin in pins
    )


def list_architectures(packages: Iterable[Package], native: str) -> tuple[str, ...]:
    """The native architecture and those that installed packages have besides."""
    return order_architectures(native, (package.architecture for package in packages))


def order_architectures(native: str, others: Iterable[str]) -> tuple[str, ...]:
    """The native architecture, then the others by name (Debian Policy 5.6.8, 11.1); what is
    no name of one is left out."""
    found = {name for name in others if _ARCHITECTURE.fullmatch(name)}
    return (native, *sorted(found - {native, "all"}))


_ARCHITECTURE = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")


# Settings of the server that change a plan. No other is taken over: apt would run the
# commands that some of them name, and write where others say.
_PLANNING = re.compile(
    r"APT::(?:Install-Recommends|Install-Suggests|Default-Release|Ignore-Hold|Solver"
    r"|Get::(?:AutomaticRemove|Upgrade|Upgrade-Allow-New|Fix-Missing|Never-Include-Phased-Updates"
    r"|Always-Include-Phased-Updates|Only-Include-Phased-Updates)"
    r"|(?:AutoRemove|NeverAutoRemove|Never-MarkAuto-Sections|Move-Autobit-Sections"
    r"|Install-Recommends-Sections|VersionedKernelPackages|Protect-Kernels)(?:::.*)?"
    r"|Immediate-Configure|Force-LoopBreak)|pkgProblemResolver::.*",
    re.IGNORECASE,
)
# A solver is a program: one of the lab host's own, by its plain name.
_SOLVER = re.compile(r"[A-Za-z0-9][A-Za-z0-9.-]*")


def pick_settings(text: str) -> tuple[tuple[str, str], ...]:
    """Of an apt configuration file, the settings that change a plan."""
    return tuple(
        (name, value)
        for name, value in read_settings(text)
        if value
        and _PLANNING.fullmatch(name)
        and (name.lower() != "apt::solver" or _SOLVER.fullmatch(value))
    )


# The same on every side that plans. Hooks are cleared, so that asking changes nothing and
# runs nothing; translations, contents and differences of indexes are no part of a plan.
_CLEARED = (
    "APT::Update::Pre-Invoke",
    "APT::Update::Post-Invoke",
    "APT::Update::Post-Invoke-Success",
    "Acquire::IndexTargets",
    "Acquire::http::Proxy-Auto-Detect",
    "DPkg::Pre-Invoke",
    "DPkg::Post-Invoke",
)
_INDEX_TARGET = """Acquire::IndexTargets::deb::Packages {
  MetaKey "$(COMPONENT)/binary-$(ARCHITECTURE)/Packages";
  flatMetaKey "Packages";
  ShortDescription "Packages";
  Description "$(RELEASE)/$(COMPONENT) $(ARCHITECTURE) Packages";
  flatDescription "$(RELEASE) Packages";
  Optional "0";
};
"""
COMMON = (
    ("Acquire::Languages", "none"),
    ("Acquire::PDiffs", "false"),
    ("Acquire::Retries", "2"),
    ("APT::Get::List-Cleanup", "false"),
    ("APT::Get::Show-User-Simulation-Note", "false"),
    ("Debug::NoLocking", "true"),
    ("Dir::Etc::sourcelist", "/dev/null"),
    ("quiet::NoProgress", "true"),
)


def write_settings(settings: Iterable[tuple[str, str]]) -> str:
    """apt.conf(5) lines; a value with a quotation mark or a line end is left out."""
    return "".join(
        f'{name} "{value}";\n' for name, value in settings if not re.search(r'["\n\\]', value)
    )


def write_question(proxy: str) -> str:
    """The configuration that every side is asked with, read after all other. `proxy` is
    "http://127.0.0.1:PORT" or "" for none."""
    cleared = "".join(f"#clear {name};\n" for name in _CLEARED)
    through = (("Acquire::http::Proxy", proxy or "DIRECT"),)
    return cleared + _INDEX_TARGET + write_settings((*COMMON, *through))


_MARK = "-- forerun: "
_PARTS = ("manager", "update", "indexes", "full", "first", "addresses")
# One reading of the indexes at a time: together they would need their memory at once. apt
# gives MD5 with --print-uris unless another digest is asked for (observed, apt 2.6).
_ASK = f"""conf="$work/question.conf"
ask() {{ apt-get -c "$conf" "$@" 2>&1 </dev/null; echo "{_MARK}exit $?"; }}
echo "{_MARK}manager"; apt-get --version | head -n 1
echo "{_MARK}update"; @UPDATE@
echo "{_MARK}indexes"; ls "$work/lists" | grep -c _Packages
echo "{_MARK}full"; ask -s -q dist-upgrade
echo "{_MARK}first"; ask -s -q upgrade
echo "{_MARK}addresses"; ask -o Acquire::ForceHash=SHA256 --print-uris -qq -y dist-upgrade
"""
_KNOWN = 'echo "indexes are here"'


def write_private_script(*, fresh: bool = True) -> str:
    """Ask apt with $work as its only state; `fresh` fetches the indexes first."""
    return "set -u\nexport LC_ALL=C.UTF-8\n" + _ASK.replace(
        "@UPDATE@", "ask -q update" if fresh else _KNOWN
    )


def write_plan_script(sources: str, *, proxy: str = "") -> str:
    """A shell script that asks a Debian system itself for the same plan, from its own
    packages, marks, preferences and settings, with `sources` (deb822) in place of its own
    archives. It works in a folder of its own, which it removes, and changes nothing."""
    return f"""set -u
export LC_ALL=C.UTF-8
work=$(mktemp -d) || exit 1
trap 'rm -rf "$work"' EXIT
chmod 711 "$work"
mkdir -p "$work/lists/partial" "$work/cache/archives/partial" "$work/sources" || exit 1
printf %s {shlex.quote(sources)} > "$work/sources/forerun.sources"
printf %s {shlex.quote(write_question(proxy))} > "$work/question.conf"
cat >> "$work/question.conf" <<END
Dir::State::lists "$work/lists";
Dir::Cache "$work/cache";
Dir::Cache::archives "$work/cache/archives";
Dir::Log "$work";
Dir::Etc::sourceparts "$work/sources";
END
""" + _ASK.replace("@UPDATE@", "ask -q update")


def parse_plan(text: str) -> UpgradePlan:
    """The plan in the output of either script. Nothing is raised: what is missing or
    ended badly is the plan's `reason`."""
    parts = _split_parts(text)
    manager = parts["manager"].split()[1] if len(parts["manager"].split()) > 1 else ""
    problems = tuple(dict.fromkeys(_find_problems(parts["update"])))
    if not manager:
        return UpgradePlan(reason="apt-get is not there or did not start")
    if parts["indexes"] in {"", "0"}:
        why = "; ".join(problems[:3]) or "the archives gave none"
        return UpgradePlan(manager=manager, problems=problems, reason=f"no package index: {why}")
    for part in ("full", "first"):
        if not parts[part].endswith(f"{_MARK}exit 0"):
            said = [line for line in parts[part].splitlines() if line.startswith("E:")]
            why = "; ".join(said[:3]) or "it ended without a plan"
            return UpgradePlan(
                manager=manager, problems=problems, reason=f"apt made no plan: {why}"
            )
    full, first = parse_simulation(parts["full"]), parse_simulation(parts["first"])
    return UpgradePlan(
        installs=tuple(_walk_installs(full)),
        removes=tuple(_walk_removals(full)),
        kept=full.kept_back,
        first_part=(*_walk_installs(first), *_walk_removals(first)),
        uris=parse_addresses(parts["addresses"]),
        manager=manager,
        problems=problems,
    )


def _split_parts(text: str) -> dict[str, str]:
    """Part to what was printed in it; the marks of how each command ended stay."""
    found = dict.fromkeys(_PARTS, "")
    part = ""
    for line in text.splitlines():
        name = line[len(_MARK) :] if line.startswith(_MARK) else ""
        if name in found:
            part = name
        elif part:
            found[part] += line + "\n"
    return {name: body.strip() for name, body in found.items()}


# Who fetches changes nothing of the plan; signatures are checked in any case.
_NO_PROBLEM = re.compile("Download is performed unsandboxed")


def _find_problems(text: str) -> Iterator[str]:
    for line in text.splitlines():
        if re.match(r"(?:E|W|Err:\d+)[: ]", line) and not _NO_PROBLEM.search(line):
            yield line.strip()[:300]


def _walk_installs(plan: Simulation) -> Iterator[PlannedStep]:
    for change in sorted(plan.upgrades + plan.installs, key=lambda c: (c.name, c.architecture)):
        yield PlannedStep(
            change.name, change.architecture, _name_action(change), change.old, change.new
        )


def _name_action(change: PlannedChange) -> str:
    if not change.old:
        return "install"
    order = compare_versions(change.old, change.new)
    return "upgrade" if order < 0 else "downgrade" if order > 0 else "reinstall"


def _walk_removals(plan: Simulation) -> Iterator[PlannedStep]:
    for change in sorted(plan.removals, key=lambda c: c.name):
        yield PlannedStep(change.name, change.name.partition(":")[2], "remove", change.old)


def parse_addresses(text: str) -> tuple[PlannedPackage, ...]:
    """The package files in `--print-uris` output. Name, version and architecture are those
    of the file that apt would store, in which it quotes what a file name may not hold."""
    rows: list[PlannedPackage] = []
    for file in parse_print_uris(text).files:
        stem, deb, _ = file.file.rpartition(".deb")
        parts = stem.split("_")
        if deb and len(parts) == 3:
            name, version, architecture = (unquote(part) for part in parts)
            rows.append(
                PlannedPackage(name, architecture, version, file.uri, file.digest, file.size_bytes)
            )
    return tuple(rows)


def through_gateway(sources: str) -> str:
    """deb822 sources with plain http addresses: the gateway asks by https where the
    server does."""
    return re.sub(r"^URIs:.*$", lambda m: m[0].replace("https://", "http://"), sources, flags=re.M)


def find_keyrings(sources: str) -> tuple[str, ...]:
    """The keyring files that enabled entries of deb822 sources name."""
    found: dict[str, None] = {}
    for stanza in Deb822.iter_paragraphs(sources):
        if str(stanza.get("Enabled", "yes")) != "no":
            words = str(stanza.get("Signed-By", "")).split()
            found.update(dict.fromkeys(word for word in words if word.startswith("/")))
    return tuple(found)


def rename_keys(sources: str, keys: Sequence[tuple[str, str]]) -> str:
    """deb822 sources with each Signed-By path replaced by where that keyring lies here."""
    renamed = dict(keys)

    def swap(match: re.Match[str]) -> str:
        return match[1] + " ".join(renamed.get(word, word) for word in match[2].split())

    return re.sub(r"^(Signed-By: *)(.+)$", swap, sources, flags=re.MULTILINE)
