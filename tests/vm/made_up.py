"""Made-up servers for tests with guests: a survey by hand, its copy by the real sanitiser."""

from __future__ import annotations

import io
import tarfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from forerun.model.raw import ServerNames
from forerun.model.survey import (
    ArchiveSource,
    CleanSurvey,
    ConfigEntry,
    Machine,
    Mount,
    Package,
    Release,
    SurveyCost,
    Unit,
)
from forerun.model.system import SystemFacts
from forerun.stages.sanitise import CleanFile, Sanitiser
from forerun.stages.sanitise_vault import Vault
from tests.vm import lab

NAMES = ServerNames(
    node="shelf01",
    hosts="192.0.2.10 shelf01.lindenholm.test shelf01\n",
    resolver="search lindenholm.test\n",
)


@dataclass(frozen=True, slots=True)
class File:
    """A file of production: text, permission bits, numbers of owner and group."""

    text: str
    mode: int = 0o644
    user: int = 0
    group: int = 0


@dataclass(frozen=True, slots=True)
class MadeUp:
    """A survey, its copy on a disk, and what each path holds after sanitising."""

    survey: CleanSurvey
    copy: Path
    clean: Mapping[str, str]


def make(
    folder: Path,
    files: Mapping[str, File],
    *,
    links: Mapping[str, str] | None = None,
    packages: tuple[str, ...] = (),
    mounts: tuple[Mount, ...] = (),
    units: tuple[Unit, ...] = (),
    system: SystemFacts | None = None,
) -> MadeUp:
    """Sanitise the files and write the copy as a survey does."""
    sanitiser = Sanitiser(Vault(), NAMES, host="shelf01.lindenholm.test")
    for path, file in files.items():
        assert sanitiser.take(path, file.text.encode()) == ""
    sanitiser.close()
    copy = folder / "copy.tar"
    clean: dict[str, str] = {}
    entries: list[ConfigEntry] = []
    with tarfile.open(copy, "w", format=tarfile.PAX_FORMAT) as tar:
        for made, (path, file) in zip(sanitiser.finish(), files.items(), strict=True):
            assert isinstance(made, CleanFile), path
            clean[path] = made.content.decode()
            info = tarfile.TarInfo(made.path.lstrip("/"))
            info.size, info.mode = len(made.content), file.mode
            info.uid, info.gid = file.user, file.group
            tar.addfile(info, io.BytesIO(made.content))
            entries.append(ConfigEntry(made.path, "file", file.mode, str(file.user), "0"))
        for path, target in (links or {}).items():
            info = tarfile.TarInfo(path.lstrip("/"))
            info.type, info.linkname = tarfile.SYMTYPE, target
            tar.addfile(info)
            entries.append(ConfigEntry(path, "symlink", 0o777, "root", "root", link=target))
    sources = tuple(
        ArchiveSource(
            "/etc/apt/sources.list", n, ("deb",), (s.uri,), (s.suite,), s.components
        )
        for n, s in enumerate(lab.write_recipe("bios").sources)
    )  # fmt: skip
    survey = CleanSurvey(
        id="survey-made-up",
        taken_at="2026-01-31T22:00:00Z",
        host=sanitiser.clean_name("shelf01.lindenholm.test").partition(".")[0],
        release=Release("debian", "12", "bookworm", "Debian GNU/Linux 12 (bookworm)"),
        machine=Machine("bios", "6.1.0-0-cloud-amd64", "amd64", 1, 768 << 20),
        packages=tuple(Package(name, "", "amd64", candidate="1") for name in packages),
        sources=sources,
        units=units,
        sockets=(),
        disks=(),
        mounts=mounts,
        conffiles=(),
        entries=tuple(entries),
        withheld=(),
        replacements=(),
        not_readable=(),
        cost=SurveyCost(0.0, 0.0, 0),
        system=system or SystemFacts(),
    )
    return MadeUp(survey, copy, clean)
