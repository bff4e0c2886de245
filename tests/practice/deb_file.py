"""Binary packages made in memory, without programs (formats: deb(5), ar(5), tar(5))."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import tarfile
from collections.abc import Callable, Mapping, Sequence

_SQUEEZE: dict[str, Callable[[bytes], bytes]] = {
    "xz": lzma.compress,
    "gz": gzip.compress,
    "bz2": bz2.compress,
    "": lambda content: content,
    "odd": lambda content: content,
}


def build_deb(
    name: str,
    version: str,
    *,
    files: Mapping[str, bytes] | None = None,
    conffiles: Sequence[str] = (),
    scripts: Mapping[str, str] | None = None,
    templates: str = "",
    fields: Mapping[str, str] | None = None,
    squeeze: str = "xz",
) -> bytes:
    """A package of Architecture all. `conffiles` are lines of DEBIAN/conffiles."""
    control = {
        "Package": name,
        "Version": version,
        "Architecture": "all",
        "Maintainer": "Practice Archive <archive@practice.example>",
        **(fields or {}),
        "Description": f"practice package {name}",
    }
    inner = {"control": "".join(f"{key}: {value}\n" for key, value in control.items())}
    if conffiles:
        inner["conffiles"] = "".join(f"{line}\n" for line in conffiles)
    if templates:
        inner["templates"] = templates
    inner |= scripts or {}
    executable = {"preinst", "postinst", "postrm", "prerm", "config"}
    ending = f".{squeeze}" if squeeze else ""
    parts = {
        "debian-binary": b"2.0\n",
        f"control.tar{ending}": _SQUEEZE[squeeze](
            _build_tar({f"./{n}": (t.encode(), n in executable) for n, t in inner.items()})
        ),
        f"data.tar{ending}": _SQUEEZE[squeeze](
            _build_tar({f".{path}": (content, False) for path, content in (files or {}).items()})
        ),
    }
    return b"!<arch>\n" + b"".join(_frame(part, content) for part, content in parts.items())


def _build_tar(members: Mapping[str, tuple[bytes, bool]]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.GNU_FORMAT) as archive:
        folders = {"/".join(name.split("/")[:n]) for name in members for n in range(1, 20)}
        for folder in sorted((folders & {f for f in folders if f not in members}) - {""}):
            entry = tarfile.TarInfo(f"{folder}/")
            entry.type, entry.mode = tarfile.DIRTYPE, 0o755
            archive.addfile(entry)
        for name, (content, executable) in members.items():
            entry = tarfile.TarInfo(name)
            entry.size, entry.mode = len(content), 0o755 if executable else 0o644
            archive.addfile(entry, io.BytesIO(content))
    return out.getvalue()


def _frame(name: str, content: bytes) -> bytes:
    head = f"{name:<16}{0:<12}{0:<6}{0:<6}{'100644':<8}{len(content):<10}`\n"
    return head.encode("ascii") + content + (b"\n" if len(content) % 2 else b"")
