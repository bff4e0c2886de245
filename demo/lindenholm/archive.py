"""Which package archive to use: the lab host's own, unless told otherwise."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from forerun.distro.debian_sources import parse_sources
from forerun.errors import UsageError
from forerun.model.survey import ArchiveSource

CODENAME = "bookworm"
# The lab host itself may run the older or the newer of the two releases.
_LAB_SUITES = ("bookworm", "trixie")


@dataclass(frozen=True, slots=True)
class Archives:
    """Base addresses of the main and the security archive."""

    main: str
    security: str

    def sources(self) -> tuple[ArchiveSource, ...]:
        """The entries of shelf01's source list."""
        rows = (
            (self.main, CODENAME),
            (self.main, f"{CODENAME}-updates"),
            (self.security, f"{CODENAME}-security"),
        )
        return tuple(
            ArchiveSource("/etc/apt/sources.list", number, ("deb",), (uri,), (suite,), ("main",))
            for number, (uri, suite) in enumerate(rows, 1)
        )

    def source_list(self) -> str:
        """The same as text."""
        return "".join(
            f"{source.types[0]} {source.uris[0]} {source.suites[0]} {source.components[0]}\n"
            for source in self.sources()
        )


def find_archives(main: str = "", security: str = "", apt: Path = Path("/etc/apt")) -> Archives:
    """The archives given, or else those of the lab host's own sources.

    Raises UsageError when an address is missing or is not http or https."""
    own = _read_own(apt)
    main = main or _find(own, _LAB_SUITES)
    security = security or _find(own, tuple(f"{suite}-security" for suite in _LAB_SUITES))
    for option, uri in (("--archive", main), ("--security-archive", security)):
        if urlsplit(uri).scheme not in ("http", "https"):
            raise UsageError(
                "No package archive is known for the demonstration.",
                where=str(apt),
                wanted="an http or https address of a Debian archive",
                found=uri or "none in the lab host's own sources",
                hint=f"Name one: demo/run {option} URL.",
            )
    return Archives(main.rstrip("/"), security.rstrip("/"))


def _read_own(apt: Path) -> tuple[ArchiveSource, ...]:
    folder = apt / "sources.list.d"
    files = [
        apt / "sources.list",
        *sorted(folder.glob("*.list")),
        *sorted(folder.glob("*.sources")),
    ]
    texts = {str(file): file.read_text("utf-8", "replace") for file in files if file.is_file()}
    return parse_sources(texts)


def _find(sources: tuple[ArchiveSource, ...], suites: tuple[str, ...]) -> str:
    for source in sources:
        if source.enabled and "deb" in source.types and set(source.suites) & set(suites):
            for uri in source.uris:
                if urlsplit(uri).scheme in ("http", "https"):
                    return uri
    return ""
