"""From a survey and a profile to the blueprint of a clone. Pure.

What cannot be made like production is said in `gaps`, never left out silently.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping
from dataclasses import replace

from forerun.model.blueprint import Blueprint, Gap, SampleFiles
from forerun.model.profile import Profile, Site
from forerun.model.survey import CleanSurvey
from forerun.stages.design_disks import GIB, design_disks
from forerun.stages.design_gaps import list_families
from forerun.stages.design_loader import design_loader
from forerun.stages.design_network import design_links
from forerun.stages.design_recipe import (
    design_recipe,
    list_allowed,
    list_key_files,
    list_recipe_archives,
    through_gateway,
)
from forerun.stages.template_scripts import EMULATED_WORDS

__all__ = [
    "ACCESS_PORT",
    "GIB",
    "design_clone",
    "find_disabled_units",
    "find_held_back",
    "find_running_units",
    "find_stopped_units",
    "list_allowed",
    "list_key_files",
    "list_recipe_archives",
    "through_gateway",
]

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
    ("/etc/passwd*", "merged with the accounts of the clone's own packages"),
    ("/etc/shadow*", "merged with the accounts of the clone's own packages"),
    ("/etc/group*", "merged with the accounts of the clone's own packages"),
    ("/etc/gshadow*", "merged with the accounts of the clone's own packages"),
    ("/etc/subuid*", "merged with the accounts of the clone's own packages"),
    ("/etc/subgid*", "merged with the accounts of the clone's own packages"),
    ("/etc/crypttab", "no boot may wait for a disk that the clone has not"),
    ("/etc/NetworkManager/system-connections/*", "the clone has one sealed link of its own"),
    ("/etc/systemd/system/systemd-networkd*", "the clone's own link is made by it"),
    ("/etc/mtab", "a view of the running kernel"),
    ("/etc/ld.so.cache", "made by the packages"),
    ("/etc/ssl/certs/*", "made by the packages"),
    ("/etc/default/grub.d/forerun.cfg", "the clone's console"),
    ("/etc/forerun/*", "the clone's own access"),
    ("/etc/udev/rules.d/*net*", "interface names belong to production's hardware"),
)

# Those of them that are read: the clone's own files take over what they say.
MERGED = frozenset({
    "/etc/passwd", "/etc/shadow", "/etc/group", "/etc/gshadow", "/etc/subuid", "/etc/subgid",
    "/etc/fstab", "/etc/hosts", "/etc/crypttab",
})  # fmt: skip

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
    keys: Mapping[str, bytes] | None = None,
) -> Blueprint:
    """The blueprint of a clone of that server, for that profile; `emulated` when its
    processors are software. `keys` are archive keyrings of the copy (`list_key_files`),
    path to content: third-party archives are used where theirs is there."""
    gaps: list[Gap] = []
    recipe = design_recipe(survey, profile, keys or {}, gaps)
    if emulated:
        recipe = replace(recipe, kernel_words=EMULATED_WORDS)
        gaps.append(Gap("kernel command line", "approximated", f"{EMULATED_WORDS} added"))
    disks = design_disks(survey)
    links, link_gaps = design_links(survey)
    loader, loader_gap = design_loader(survey)
    copied, held_back, merged = _split_copy(survey)
    gaps += [*disks.gaps, *link_gaps, loader_gap]
    _note_standing_gaps(survey, held_back, merged, gaps)
    ports = [(ACCESS_PORT, "forerun's own access")]
    ports += [(probe.port, f"service {probe.name}") for probe in site.services]
    blueprint = Blueprint(
        run_id=run_id,
        survey_id=survey.id,
        hostname=survey.host,
        recipe=recipe,
        cpus=cpus,
        memory_bytes=memory_bytes,
        stand_ins=disks.stand_ins,
        guest_ports=tuple(ports),
        allowed=list_allowed(survey.sources),
        copy_paths=copied,
        held_back_paths=held_back,
        enable_units=find_running_units(survey),
        gaps=tuple(gaps),
        merged_paths=merged,
        volumes=disks.volumes,
        table_lines=disks.table_lines,
        swap_files=disks.swap_files,
        root_options=disks.root_options,
        links=links,
        disable_units=find_disabled_units(survey),
        stop_units=find_stopped_units(survey),
        loader=loader,
        samples=tuple(
            SampleFiles(sample.folder, sample.files, sample.sizes) for sample in site.sample_content
        ),
    )
    families = list_families(survey, profile, blueprint, emulated=emulated)
    return replace(blueprint, gaps=(*blueprint.gaps, *families))


def _split_copy(
    survey: CleanSurvey,
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...], tuple[str, ...]]:
    """(laid over the clone, held back and why, those of them that are read instead)."""
    copied: list[str] = []
    held_back: list[tuple[str, str]] = []
    for entry in survey.entries:
        reason = find_held_back(entry.path)
        if reason:
            held_back.append((entry.path, reason))
        else:
            copied.append(entry.path)
    merged = tuple(path for path, _ in held_back if path in MERGED)
    return tuple(copied), tuple(held_back), merged


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


# Off on production, but the clone cannot do without: its own link and console.
_OWN_UNITS = ("systemd-networkd*", "systemd-network-generator*", "serial-getty@*", "forerun-*",
              "first-boot-seed*", "systemd-udev*", "systemd-journald*", "dbus*")  # fmt: skip


def find_disabled_units(survey: CleanSurvey) -> tuple[str, ...]:
    """Units that somebody switched off: their packages would have them started."""
    return tuple(
        unit.name
        for unit in survey.units
        if unit.enabled == "disabled"
        and not any(fnmatch.fnmatchcase(unit.name, pattern) for pattern in _OWN_UNITS)
    )


def find_stopped_units(survey: CleanSurvey) -> tuple[str, ...]:
    """Units that are off and did not run when production was read."""
    return tuple(
        unit.name
        for unit in survey.units
        if unit.enabled in ("disabled", "masked")
        and unit.active == "inactive"
        and unit.name.endswith((".service", ".socket", ".timer", ".path"))
        and "@." not in unit.name
        and not any(fnmatch.fnmatchcase(unit.name, pattern) for pattern in _OWN_UNITS)
    )


def _note_standing_gaps(
    survey: CleanSurvey,
    held_back: tuple[tuple[str, str], ...],
    merged: tuple[str, ...],
    gaps: list[Gap],
) -> None:
    reasons = sorted({reason for path, reason in held_back if path not in merged})
    if held_back:
        gaps.append(
            Gap(
                "configuration files",
                "approximated",
                f"{len(held_back)} files held back, {len(merged)} of them read for what they say"
                + "".join(f"; {reason}" for reason in reasons),
            )
        )
    known = "/etc/passwd" in merged and "/etc/group" in merged
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
                "users and groups",
                "approximated" if known else "absent",
                "names, numbers, homes and shells as on production; passwords are stand-ins and "
                "homes are empty"
                if known
                else "the account files were not read: only those that packages make",
            ),
            Gap(
                "units",
                "approximated",
                "on, off or masked as on production; the clone's own link and console are on",
            ),
            Gap(
                "access",
                "approximated",
                "forerun's own SSH service, and its reader of the seed at the first boot",
            ),
        )
    )
