"""What a fitted template is made of: archives, packages, numbers of accounts. Pure.

Nothing that differs between two surveys of the same server may get in: each would cost a
new template.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator, Mapping
from urllib.parse import urlsplit

from forerun.errors import RecordDamaged
from forerun.model.blueprint import (
    AllowedArchive,
    Gap,
    PinnedPackage,
    RecipeSource,
    StandInPackage,
    SystemId,
    TemplateRecipe,
)
from forerun.model.profile import Profile
from forerun.model.survey import ArchiveSource, CleanSurvey, Mount, Package
from forerun.stages.template_scripts import LOADER_PACKAGES, write_stand_in_control

GIB = 1024**3
MIN_SYSTEM_BYTES = 8 * GIB
# Debian Policy 9.2.2: 100 to 999 are given out as packages are installed.
_DRAWN = range(100, 1000)
_OWN_ORIGIN = "Debian"
_SUITES_BESIDE = ("updates", "security", "backports", "backports-sloppy", "proposed-updates")
_COMPONENTS = frozenset({"main", "contrib", "non-free", "non-free-firmware"})


def design_recipe(
    survey: CleanSurvey, profile: Profile, keys: Mapping[str, bytes], gaps: list[Gap]
) -> TemplateRecipe:
    """The recipe of the fitted template; what it leaves out is added to `gaps`."""
    if survey.machine.boot_mode not in LOADER_PACKAGES:
        raise RecordDamaged(
            "The survey names a boot mode that there is not.",
            where=f"{survey.id}: machine.boot_mode",
            wanted=" or ".join(LOADER_PACKAGES),
            found=repr(survey.machine.boot_mode)[:80],
            hint="Survey the server again.",
        )
    sources, refused = _choose_sources(survey, profile, keys)
    if refused:
        gaps.append(
            Gap(
                "third-party archives",
                "absent",
                f"{', '.join(dict.fromkeys(refused))}: no key to check them with is in the "
                "copy, so their packages are stand-ins without content",
            )
        )
    odd_entries = len(tuple(_list_archives(survey, plain=False)))
    if odd_entries:
        gaps.append(
            Gap("odd archive entries", "absent", f"{odd_entries}: of more than plain words")
        )
    named = tuple(package for package in survey.packages if _is_named(package))
    if len(named) < len(survey.packages):
        odd = len(survey.packages) - len(named)
        gaps.append(
            Gap("packages without a proper name", "absent", f"{odd}: no archive can have them")
        )
    wanted, stand_ins, absent = _split_packages(named, third_party=not refused)
    _note_packages(wanted, stand_ins, absent, gaps)
    root_uuid, root_label, root_partition = _find_root_ids(survey)
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
        ids=_list_ids(survey),
        root_uuid=root_uuid,
        root_label=root_label,
        root_partition=root_partition,
    )


# What is in a recipe becomes an argument or a line of a script of the template's build,
# which is root's: so nothing but a name gets in, whatever production or a record says.
# Names: dpkg, lib/dpkg/parsehelp.c (wider than Debian Policy 5.6.1); versions: Debian Policy
# 5.6.12; accounts: useradd(8), with room for the capitals and dots that others allow.
_PACKAGE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9+._-]{0,127}(?::[a-z0-9-]{1,32})?")
_VERSION = re.compile(r"(?:[0-9A-Za-z][0-9A-Za-z.+~:-]{0,127})?")
_ARCHITECTURE = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
_ACCOUNT = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}\$?")
_ARCHIVE_WORD = re.compile(r"[A-Za-z0-9.][A-Za-z0-9._+~/-]{0,127}")
_ARCHIVE_URI = re.compile(r"https?://[!-~]{1,1000}")


def _is_named(package: Package) -> bool:
    return bool(
        _PACKAGE_NAME.fullmatch(package.name)
        and _VERSION.fullmatch(package.version)
        and _ARCHITECTURE.fullmatch(package.architecture)
    )


_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def _find_root_ids(survey: CleanSurvey) -> tuple[str, str, str]:
    """Production's UUID, label and PARTUUID of the root file system: start-up files and
    scripts find it by them. Another type's ids (an 8-digit serial, say) fit no template."""
    root = next((mount for mount in survey.mounts if mount.target == "/"), None)
    if root is None or not _UUID.fullmatch(root.uuid):
        return "", "root", ""
    block = next((b for b in survey.system.blocks if b.uuid == root.uuid), None)
    # ext2(5) has room for 16 bytes of label; other types' may be longer.
    label = root.label.encode("utf-8")[:16].decode("utf-8", "ignore")
    return root.uuid, label, block.partition_uuid if block else ""


def _choose_sources(
    survey: CleanSurvey, profile: Profile, keys: Mapping[str, bytes]
) -> tuple[list[RecipeSource], list[str]]:
    """(archives to build from, third-party ones that cannot be checked)."""
    sources: list[RecipeSource] = []
    refused: list[str] = []
    for source, uri, suite in _list_archives(survey):
        if _is_own(source, suite, profile):
            sources.append(RecipeSource(through_gateway(uri), suite, source.components))
        elif key := keys.get(source.signed_by, b""):
            text = base64.b64encode(key).decode("ascii")
            sources.append(RecipeSource(through_gateway(uri), suite, source.components, text))
        else:
            place = _split_uri(uri)
            refused.append(f"{place.host if place else uri} {suite}")
    return sources, refused


def _is_own(source: ArchiveSource, suite: str, profile: Profile) -> bool:
    """Whether the distribution's own keys, which the lab host has, check the archive. A
    third party's often has a suite of the same name (`bookworm`), but a key of its own or
    components of its own."""
    keyring = source.signed_by.rpartition("/")[2]
    if source.signed_by not in ("", profile.sources.keyring) and not keyring.startswith(
        "debian-archive-"
    ):
        return False
    own = {old for old, _ in profile.sources.suites}
    beside = {f"{old}-{more}" for old in own for more in _SUITES_BESIDE}
    return suite in own | beside and set(source.components) <= _COMPONENTS


def _list_archives(
    survey: CleanSurvey, *, plain: bool = True
) -> Iterator[tuple[ArchiveSource, str, str]]:
    """The web archives that are in use; without `plain` those whose entry is more than plain
    words. Discs and folders are out of reach."""
    for source in survey.sources:
        if not source.enabled or "deb" not in source.types:
            continue
        for uri in source.uris:
            for suite in source.suites if uri.startswith(("http://", "https://")) else ():
                words = all(map(_ARCHIVE_WORD.fullmatch, (suite, *source.components)))
                if (words and bool(_ARCHIVE_URI.fullmatch(uri))) is plain:
                    yield source, uri, suite


def list_key_files(survey: CleanSurvey) -> tuple[str, ...]:
    """Files of the copy that archives are checked with, as `design_clone` wants them."""
    copied = {entry.path for entry in survey.entries if entry.kind == "file"}
    named = (source.signed_by for source in survey.sources if source.enabled)
    return tuple(dict.fromkeys(path for path in named if path in copied))


def _note_packages(
    wanted: tuple[PinnedPackage, ...],
    stand_ins: tuple[StandInPackage, ...],
    absent: list[str],
    gaps: list[Gap],
) -> None:
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


def _split_packages(
    packages: tuple[Package, ...], *, third_party: bool
) -> tuple[tuple[PinnedPackage, ...], tuple[StandInPackage, ...], list[str]]:
    wanted: list[PinnedPackage] = []
    stand_ins: list[StandInPackage] = []
    absent: list[str] = []
    for package in packages:
        if not package.state.startswith(("ii", "hi")):
            continue
        foreign = bool(package.origin) and not package.origin.startswith(_OWN_ORIGIN)
        stanza = package.stanza
        if foreign and not third_party and not stanza:
            stanza = _write_stanza(package)
        elif package.candidate:
            stanza = ""
        if not stanza:
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
                    write_stand_in_control(stanza),
                    package.automatic,
                    package.held,
                )
            )
    return tuple(wanted), tuple(stand_ins), absent


def _write_stanza(package: Package) -> str:
    """A control stanza of what the survey kept (Debian Policy 5.3)."""
    fields = [
        ("Package", package.name.partition(":")[0]),
        ("Version", package.version),
        ("Architecture", package.architecture),
        *((name, value.replace("\n", " ")) for name, value in package.relations),
    ]
    return "".join(f"{name}: {value}\n" for name, value in fields)


def _list_ids(survey: CleanSurvey) -> tuple[SystemId, ...]:
    """Numbers that packages draw at installation; those below 100 are the same everywhere
    (Debian Policy 9.2.2), those from 1000 belong to people and come with each clone."""
    users = [
        SystemId(account.name, account.number, account.group)
        for account in survey.system.accounts
        if account.number in _DRAWN and _ACCOUNT.fullmatch(account.name)
    ]
    groups = [
        SystemId(group.name, group.number)
        for group in survey.system.groups
        if group.number in _DRAWN and _ACCOUNT.fullmatch(group.name)
    ]
    return (*sorted(users, key=lambda i: i.name), *sorted(groups, key=lambda i: i.name))


def _system_size(mounts: tuple[Mount, ...]) -> int:
    """The root file system's size, rounded up to a GiB, at least 8 GiB (thin)."""
    root = next((mount for mount in mounts if mount.target == "/"), None)
    size = root.size_bytes if root else 0
    return max(MIN_SYSTEM_BYTES, -(-size // GIB) * GIB)


def list_allowed(sources: tuple[ArchiveSource, ...]) -> tuple[AllowedArchive, ...]:
    """The gateway's allow-list: exactly the archives that production uses."""
    allowed: dict[AllowedArchive, None] = {}
    for source in sources:
        if not source.enabled:
            continue
        for uri in source.uris:
            place = _split_uri(uri)
            if place is not None:
                allowed.setdefault(place)
    return tuple(allowed)


def _split_uri(uri: str) -> AllowedArchive | None:
    """Where an archive is; None for what is no web address, whoever wrote it there."""
    try:
        parts = urlsplit(uri)
        port = parts.port or (443 if parts.scheme == "https" else 80)
    except ValueError:  # an open bracket, a port that is no number
        return None
    if parts.scheme not in ("http", "https") or not parts.hostname:
        return None
    return AllowedArchive(parts.scheme, parts.hostname, port, parts.path.rstrip("/") or "/")


def list_recipe_archives(recipe: TemplateRecipe) -> tuple[AllowedArchive, ...]:
    """The allow-list for building one template."""
    entries = (
        ArchiveSource("", 0, ("deb",), (source.uri,), (source.suite,), source.components)
        for source in recipe.sources
    )
    return list_allowed(tuple(entries))


def through_gateway(uri: str) -> str:
    """A clone speaks plain HTTP to the gateway, which asks by https where production
    does."""
    return "http://" + uri.split("://", 1)[-1].rstrip("/")
