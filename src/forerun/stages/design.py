"""From a survey and a profile to the blueprint of a clone. Pure.

What cannot be made like production is said in `gaps`, never left out silently.
"""

from __future__ import annotations

import fnmatch
from dataclasses import replace
from urllib.parse import urlsplit

from forerun.model.blueprint import (
    AllowedArchive,
    Blueprint,
    Gap,
    PinnedPackage,
    RecipeSource,
    StandInDisk,
    StandInPackage,
    TemplateRecipe,
)
from forerun.model.profile import Profile, Site
from forerun.model.survey import ArchiveSource, CleanSurvey, Mount, Package
from forerun.stages.template_scripts import EMULATED_WORDS, write_stand_in_control

GIB = 1024**3
MIN_SYSTEM_BYTES = 8 * GIB
MAX_STAND_IN_BYTES = 4 * GIB
STAND_IN_TYPES = ("ext2", "ext3", "ext4", "swap")
ACCESS_PORT = 20022

# Paths of the sanitised copy that a clone must not take over, and why.
HELD_BACK = (
    ("/etc/fstab", "the clone has its own disks; data mounts are added by stand-ins"),
    ("/etc/machine-id", "each clone has its own"),
    ("/etc/hostname", "set by the seed"),
    ("/etc/hosts", "set by the seed"),
    ("/etc/resolv.conf", "the sealed link has no name service"),
    ("/etc/network/*", "the clone has one sealed link of its own"),
    ("/etc/netplan/*", "the clone has one sealed link of its own"),
    ("/etc/systemd/network/*", "the clone has one sealed link of its own"),
    ("/etc/cloud/*", "the clone has its own seed"),
    ("/etc/ssh/ssh_host_*", "each clone has its own host keys"),
    ("/etc/passwd*", "user and group numbers belong to the clone's own packages"),
    ("/etc/shadow*", "user and group numbers belong to the clone's own packages"),
    ("/etc/group*", "user and group numbers belong to the clone's own packages"),
    ("/etc/gshadow*", "user and group numbers belong to the clone's own packages"),
    ("/etc/subuid*", "user and group numbers belong to the clone's own packages"),
    ("/etc/subgid*", "user and group numbers belong to the clone's own packages"),
    ("/etc/mtab", "a view of the running kernel"),
    ("/etc/ld.so.cache", "made by the packages"),
    ("/etc/ssl/certs/*", "made by the packages"),
    ("/etc/default/grub.d/forerun.cfg", "the clone's console"),
    ("/etc/forerun/*", "the clone's own access"),
    ("/etc/udev/rules.d/*net*", "interface names belong to production's hardware"),
)

CORE_UNITS = (
    "cloud-*",
    "dbus*",
    "forerun-*",
    "getty@*",
    "serial-getty@*",
    "ifup@*",
    "networking*",
    "systemd-*",
    "user@*",
    "user-runtime-dir@*",
    "init*",
    "kmod*",
    "grub-*",
)


def design_clone(
    survey: CleanSurvey,
    profile: Profile,
    site: Site,
    *,
    run_id: str,
    cpus: int,
    memory_bytes: int,
    emulated: bool,
) -> Blueprint:
    """The blueprint of a clone of that server, for that profile; `emulated` when its
    processors are software."""
    gaps: list[Gap] = []
    recipe = _design_recipe(survey, profile, gaps)
    if emulated:
        recipe = replace(recipe, kernel_words=EMULATED_WORDS)
        gaps.append(Gap("kernel command line", "approximated", f"{EMULATED_WORDS} added"))
    stand_ins = _design_stand_ins(survey.mounts, gaps)
    copied, held_back = _split_copy(survey)
    _note_standing_gaps(survey, held_back, gaps)
    ports = [(ACCESS_PORT, "forerun's own access")]
    ports += [(probe.port, f"service {probe.name}") for probe in site.services]
    return Blueprint(
        run_id=run_id,
        survey_id=survey.id,
        hostname=survey.host,
        recipe=recipe,
        cpus=cpus,
        memory_bytes=memory_bytes,
        stand_ins=stand_ins,
        guest_ports=tuple(ports),
        allowed=list_allowed(survey.sources),
        copy_paths=copied,
        held_back_paths=held_back,
        enable_units=find_running_units(survey),
        gaps=tuple(gaps),
    )


def list_allowed(sources: tuple[ArchiveSource, ...]) -> tuple[AllowedArchive, ...]:
    """The gateway's allow-list: exactly the archives that production uses."""
    allowed: dict[tuple[str, str, int, str], AllowedArchive] = {}
    for source in sources:
        if not source.enabled:
            continue
        for uri in source.uris:
            parts = urlsplit(uri)
            if parts.scheme not in ("http", "https") or not parts.hostname:
                continue
            port = parts.port or (443 if parts.scheme == "https" else 80)
            key = (parts.scheme, parts.hostname, port, parts.path.rstrip("/") or "/")
            allowed[key] = AllowedArchive(*key)
    return tuple(allowed.values())


def list_recipe_archives(recipe: TemplateRecipe) -> tuple[AllowedArchive, ...]:
    """The allow-list for building one template."""
    entries = (
        ArchiveSource("", 0, ("deb",), (source.uri,), (source.suite,), source.components)
        for source in recipe.sources
    )
    return list_allowed(tuple(entries))


def _design_recipe(survey: CleanSurvey, profile: Profile, gaps: list[Gap]) -> TemplateRecipe:
    own_suites = {old for old, _ in profile.sources.suites}
    sources = tuple(
        RecipeSource(through_gateway(uri), suite, source.components)
        for source in survey.sources
        if source.enabled and "deb" in source.types
        for uri in source.uris
        if uri.startswith(("http://", "https://"))  # discs and folders are out of reach
        for suite in source.suites
        if suite in own_suites
    )
    wanted, stand_ins, absent = _split_packages(survey.packages)
    if stand_ins:
        names = ", ".join(package.name for package in stand_ins)
        gaps.append(
            Gap(
                "packages no archive offers",
                "approximated",
                f"{names}: same name, version and relations, no content; what they do at "
                "run time and in their scripts is not rehearsed",
            )
        )
    if absent:
        gaps.append(Gap("old kernels no archive offers", "absent", ", ".join(absent)))
    gaps.append(
        Gap(
            "packages",
            "approximated",
            f"{len(wanted)} packages at production's version where the archive still has it, "
            "else at the nearest",
        )
    )
    return TemplateRecipe(
        family=survey.release.family,
        codename=survey.release.codename,
        architecture=survey.machine.architecture,
        boot_mode=survey.machine.boot_mode,
        size_bytes=_system_size(survey.mounts),
        sources=tuple(dict.fromkeys(sources)),
        packages=wanted,
        stand_ins=stand_ins,
        variant="fitted",
    )


def through_gateway(uri: str) -> str:
    """A clone speaks plain HTTP to the gateway, which asks by https where production
    does."""
    return "http://" + uri.split("://", 1)[-1].rstrip("/")


def _split_packages(
    packages: tuple[Package, ...],
) -> tuple[tuple[PinnedPackage, ...], tuple[StandInPackage, ...], list[str]]:
    wanted: list[PinnedPackage] = []
    stand_ins: list[StandInPackage] = []
    absent: list[str] = []
    for package in packages:
        if not package.state.startswith(("ii", "hi")):
            continue
        if package.candidate or not package.stanza:
            wanted.append(
                PinnedPackage(
                    package.name,
                    package.version,
                    package.architecture,
                    package.automatic,
                    package.held,
                )
            )
        elif package.name.startswith(("linux-image-", "linux-headers-")):
            absent.append(package.name)
        else:
            stand_ins.append(
                StandInPackage(
                    package.name,
                    package.version,
                    package.architecture,
                    write_stand_in_control(package.stanza),
                )
            )
    return tuple(wanted), tuple(stand_ins), absent


def _system_size(mounts: tuple[Mount, ...]) -> int:
    """The root file system's size, rounded up to a GiB, at least 8 GiB (thin)."""
    root = next((mount for mount in mounts if mount.target == "/"), None)
    size = root.size_bytes if root else 0
    return max(MIN_SYSTEM_BYTES, -(-size // GIB) * GIB)


def _design_stand_ins(mounts: tuple[Mount, ...], gaps: list[Gap]) -> tuple[StandInDisk, ...]:
    """A thin disk for each data file system of the mount table."""
    system = ("/", "/boot", "/boot/efi")
    disks: list[StandInDisk] = []
    for mount in mounts:
        if not mount.in_fstab or mount.target in system:
            continue
        if mount.fstype in ("tmpfs", "proc", "sysfs", "devpts", "none", "nfs", "nfs4", "cifs"):
            if mount.fstype in ("nfs", "nfs4", "cifs"):
                gaps.append(Gap(f"network share {mount.target}", "absent", "left out of the clone"))
            continue
        if mount.fstype not in STAND_IN_TYPES or not mount.uuid:
            gaps.append(
                Gap(f"data disk {mount.target}", "absent", f"no stand-in for {mount.fstype} yet")
            )
            continue
        size = min(mount.size_bytes or GIB, MAX_STAND_IN_BYTES)
        options = mount.options or "defaults"
        spec = mount.fstab_spec or f"UUID={mount.uuid}"
        line = f"{spec} {mount.target} {mount.fstype} {options} 0 2"
        disks.append(StandInDisk(mount.target, mount.fstype, mount.uuid, mount.label, size, line))
        gaps.append(
            Gap(
                f"data disk {mount.target}",
                "approximated",
                "empty stand-in with the same type, label and UUID; its data and size are not "
                "rehearsed",
            )
        )
    return tuple(disks)


def _split_copy(survey: CleanSurvey) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    copied: list[str] = []
    held_back: list[tuple[str, str]] = []
    for entry in survey.entries:
        reason = find_held_back(entry.path)
        if reason:
            held_back.append((entry.path, reason))
        else:
            copied.append(entry.path)
    return tuple(copied), tuple(held_back)


def find_held_back(path: str) -> str:
    """Why a path of the copy does not go to the clone; "" when it does."""
    for pattern, reason in HELD_BACK:
        if fnmatch.fnmatchcase(path, pattern):
            return reason
    return ""


def find_running_units(survey: CleanSurvey) -> tuple[str, ...]:
    """Services that run on production and are not part of the machinery underneath."""
    return tuple(
        unit.name
        for unit in survey.units
        if unit.name.endswith(".service")
        and unit.active == "active"
        and unit.sub == "running"
        and not any(fnmatch.fnmatchcase(unit.name, pattern) for pattern in CORE_UNITS)
    )


def _note_standing_gaps(
    survey: CleanSurvey, held_back: tuple[tuple[str, str], ...], gaps: list[Gap]
) -> None:
    reasons = sorted({reason for _, reason in held_back})
    if held_back:
        gaps.append(
            Gap(
                "configuration files",
                "approximated",
                f"{len(held_back)} files held back: {'; '.join(reasons)}",
            )
        )
    gaps.extend(
        (
            Gap(
                "secrets, names and addresses",
                "approximated",
                "replaced by stand-ins of the same form",
            ),
            Gap("boot mode", "matched", f"{survey.machine.boot_mode}, through its own boot loader"),
            Gap(
                "firmware and hardware start",
                "absent",
                "a real machine's firmware can take minutes",
            ),
            Gap(
                "network interfaces",
                "absent",
                "one sealed virtual link; names are not production's",
            ),
            Gap(
                "name service, mail, time and directory peers",
                "absent",
                "nothing answers on the sealed link",
            ),
            Gap("users' data and load", "absent", "never copied; the clone was idle"),
            Gap("users and groups", "absent", "only those that packages make"),
            Gap(
                "access",
                "approximated",
                "forerun's own SSH service, and its reader of the seed at the first boot",
            ),
        )
    )
