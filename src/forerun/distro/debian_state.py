"""Parsers for the package manager's own state: diversions, overrides, alternatives, pins,
files of ucf, questions of debconf, modules of dkms. Text in, records out; no I/O.

Sources: dpkg-divert(1) and dpkg-statoverride(1) with the files of dpkg's database,
update-alternatives(1), apt_preferences(5), ucf(1), debconf-devel(7), dkms(8).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

from forerun.distro.base import Sections
from forerun.model.survey import Package
from forerun.model.system import (
    Alternative,
    Diversion,
    Loader,
    ManagedFile,
    Module,
    Override,
    Pin,
    Question,
)


def parse_diversions(lines: Iterable[str]) -> tuple[Diversion, ...]:
    """Diversions from dpkg's file of three lines each: path, new path, package."""
    rows = [line for line in lines if line]
    return tuple(
        Diversion(rows[at], rows[at + 1], rows[at + 2])
        for at in range(0, len(rows) - 2, 3)
        if rows[at].startswith("/") and rows[at + 1].startswith("/")
    )


def parse_overrides(lines: Iterable[str]) -> tuple[Override, ...]:
    """Overrides from dpkg's file: `OWNER GROUP MODE PATH`, the mode in octal."""
    rows: list[Override] = []
    for line in lines:
        cells = line.split(" ", 3)
        if len(cells) == 4 and re.fullmatch(r"[0-7]{1,5}", cells[2]):
            rows.append(Override(cells[3], cells[0], cells[1], int(cells[2], 8)))
    return tuple(rows)


def parse_alternatives(
    files: Mapping[str, tuple[str, ...]], links: Mapping[str, str]
) -> tuple[Alternative, ...]:
    """Link groups from dpkg's files (status, link, slaves, an empty line, choices) and
    where /etc/alternatives points; without that, the best choice of an automatic one."""
    rows: list[Alternative] = []
    for name, lines in sorted(files.items()):
        if len(lines) < 2 or lines[0] not in {"auto", "manual"}:
            continue
        target = links.get(f"/etc/alternatives/{name}", "")
        if not target and lines[0] == "auto":
            target = max(_walk_choices(lines), default=(0, ""))[1]
        rows.append(Alternative(name, lines[1], lines[0], target))
    return tuple(rows)


def _walk_choices(lines: tuple[str, ...]) -> Iterator[tuple[int, str]]:
    end = next((at for at in range(2, len(lines)) if not lines[at]), len(lines))
    step = 2 + (end - 2) // 2
    for at in range(end + 1, len(lines) - 1, step):
        if lines[at].startswith("/") and re.fullmatch(r"-?[0-9]{1,9}", lines[at + 1]):
            yield int(lines[at + 1]), lines[at]


_PREFERENCE_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*")


def parse_pins(sections: Sections) -> tuple[Pin, ...]:
    """Records of apt's preferences, with the file and line each starts at. As apt does,
    only files without an extension or with `.pref` count."""
    rows: list[Pin] = []
    for path, lines in sections.lines.items():
        folder, _, name = path.rpartition("/")
        counts = _PREFERENCE_NAME.fullmatch(name) and ("." not in name or name.endswith(".pref"))
        if path == "/etc/apt/preferences" or (folder == "/etc/apt/preferences.d" and counts):
            rows += _walk_pins(path, lines)
    return tuple(rows)


def _walk_pins(path: str, lines: tuple[str, ...]) -> Iterator[Pin]:
    fields: dict[str, str] = {}
    start, last = 0, ""
    for number, line in enumerate((*lines, ""), 1):
        if line.startswith("#"):
            continue
        if not line.strip():
            priority = fields.get("pin-priority", "")
            if "package" in fields and re.fullmatch(r"-?[0-9]{1,9}", priority):
                yield Pin(path, start, fields["package"], fields.get("pin", ""), int(priority))
            fields, start = {}, 0
        elif line[0] in " \t" and last in fields:
            fields[last] = f"{fields[last]} {line.strip()}"
        else:
            key, _, value = line.partition(":")
            last = key.strip().lower()
            fields[last] = value.strip()
            start = start or number


_SUM_LINE = re.compile(r"^([0-9a-f]{32})\s+(/.+)$")


def parse_managed(
    registry: Iterable[str],
    hashes: str,
    sums: tuple[Mapping[str, str], frozenset[str]],
    packages: Iterable[Package],
) -> tuple[ManagedFile, ...]:
    """ucf's files: its registry (`PACKAGE PATH`), its hashes (`MD5  PATH`), and what is
    on the disk: (path to MD5, missing paths)."""
    on_disk, missing = sums
    installed = {package.name for package in packages if package.state[1:2] not in ("n", "c")}
    owners: dict[str, str] = {}
    for line in registry:
        cells = line.split(None, 1)
        if len(cells) == 2 and cells[1].startswith("/"):
            owners[cells[1].strip()] = cells[0]
    recorded = {m[2]: m[1] for line in hashes.splitlines() if (m := _SUM_LINE.match(line))}
    rows: list[ManagedFile] = []
    for path in sorted({*owners, *recorded}):
        owner, known, found = owners.get(path, ""), recorded.get(path, ""), on_disk.get(path, "")
        state = ("unchanged" if found == known else "changed") if found and known else ""
        if path in missing:
            state = "missing"
        elif owner and owner not in installed:
            state = "obsolete"
        rows.append(ManagedFile(path, owner, state, known, found))
    return tuple(rows)


def parse_questions(config: Iterable[str], templates: Iterable[str]) -> tuple[Question, ...]:
    """debconf's questions: name, owners, kind ("boolean", ...), whether it was seen."""
    kinds = {row.get("Name", ""): row.get("Type", "") for row in _walk_stanzas(templates)}
    rows: list[Question] = []
    for fields in _walk_stanzas(config):
        name = fields.get("Name", "")
        if name:
            owners = tuple(owner.strip() for owner in fields.get("Owners", "").split(","))
            kind = kinds.get(fields.get("Template", name), "")
            seen = "seen" in fields.get("Flags", "").replace(",", " ").split()
            rows.append(Question(name, tuple(filter(None, owners)), kind, seen))
    return tuple(rows)


def _walk_stanzas(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    """Fields of each stanza; a new Name starts one too, since empty lines may be gone."""
    fields: dict[str, str] = {}
    for line in (*lines, ""):
        key, colon, value = line.partition(": ")
        if not line.strip() or (key == "Name" and fields):
            if fields:
                yield fields
            fields = {}
        if colon:
            fields[key] = value.strip()


def parse_modules(links: Mapping[str, str], kernel: str) -> tuple[Module, ...]:
    """dkms's modules from the paths of its tree: "installed" (built for the running
    kernel, and modules lie in that kernel's tree), "built" or "added"."""
    built: dict[tuple[str, str], set[str]] = {}
    fitted: set[str] = set()
    for path in links:
        parts = path.strip("/").split("/")
        if path.startswith("/lib/modules/") and "/updates/dkms/" in path:
            fitted.add(parts[2])
        elif path.startswith("/var/lib/dkms/") and len(parts) in (6, 7):
            kernels = built.setdefault((parts[3], parts[4]), set())
            if len(parts) == 7 and parts[5] not in ("build", "source"):
                kernels.add(parts[5])
    rows = []
    for (name, version), kernels in sorted(built.items()):
        state = "added"
        if kernel in kernels:
            state = "installed" if kernel in fitted else "built"
        rows.append(Module(name, version, state))
    return tuple(rows)


_LOADERS = {
    "uefi": ("grub-efi-amd64", "grub-efi-arm64", "grub-efi-ia32", "grub-efi", "systemd-boot"),
    "bios": ("grub-pc", "grub2", "lilo", "extlinux"),
}


def find_loader(
    boot_mode: str,
    packages: Iterable[Package],
    settings: Iterable[tuple[str, str]],
    links: Mapping[str, str],
    *,
    devices: Iterable[str],
    secure_boot: bool | None,
) -> Loader | None:
    """The boot loader of this boot mode, the devices its installation recorded, and what
    they lead to now; None when no known one is installed. `devices` are block devices'
    kernel names."""
    installed = {package.name for package in packages if package.state[1:2] == "i"}
    first = _LOADERS.get(boot_mode, ())
    others = [name for names in _LOADERS.values() for name in names if name not in first]
    package = next((name for name in (*first, *others) if name in installed), "")
    if not package:
        return None
    question = "grub-efi" if package.startswith("grub-efi") else "grub-pc"
    values = [value for key, value in settings if key == f"debconf {question}/install_devices"]
    targets = tuple(part.strip() for value in values for part in value.split(",") if part.strip())
    known = {f"/dev/{name}" for name in devices}
    return Loader(
        package=package,
        targets=targets,
        resolved=tuple(_resolve(target, links, known) for target in targets),
        secure_boot=secure_boot,
    )


def _resolve(path: str, links: Mapping[str, str], devices: set[str]) -> str:
    """The device a path leads to; empty when it leads to none."""
    for _ in range(8):
        target = links.get(path)
        if not target:
            break
        path = target if target.startswith("/") else f"{path.rpartition('/')[0]}/{target}"
        while "/../" in path:
            path = re.sub(r"/[^/]+/\.\./|^/\.\./", "/", path, count=1)
    return path if path in devices else ""


_IMAGE = re.compile(r"^linux-image-(\d+(?:\.\d+)*(?:[-+][a-z]*\d+)*-[a-z].*)$")
_KERNEL = re.compile(r"^(\d+(?:\.\d+)*(?:[-+][a-z]*\d+)*)-([a-z].*)$")


def find_pending_reboot(
    sections: Sections, kernel: str, packages: Iterable[Package]
) -> tuple[str, ...]:
    """Why the server waits for a reboot: the packages that asked for one, and a newer
    kernel of the running one's flavour. Empty when nothing does."""
    reasons: list[str] = []
    if "/run/reboot-required" in sections.lines:
        asked = (line.strip() for line in sections.find("/run/reboot-required.pkgs"))
        names = list(dict.fromkeys(filter(None, asked)))
        reasons += [f"package {name}" for name in names] or ["/run/reboot-required"]
    images = [
        match[1]
        for package in packages
        if package.state[1:2] == "i" and (match := _IMAGE.match(package.name))
    ]
    newest = max((kernel, *images), key=lambda name: _rank(name, kernel))
    if newest != kernel and _rank(newest, kernel) > _rank(kernel, kernel):
        reasons.append(f"kernel {newest} is installed, {kernel} runs")
    return tuple(reasons)


def _rank(name: str, running: str) -> tuple[int, ...]:
    """Numbers of a kernel's release, for one of the running kernel's flavour."""
    one, other = _KERNEL.match(name), _KERNEL.match(running)
    if not one or not other or one[2] != other[2]:
        return ()
    return tuple(int(number) for number in re.findall(r"\d+", one[1]))
