"""What a binary package brings: its configuration files, its scripts, its questions.

Reads .deb files (deb(5)) without unpacking them. Only members that are asked for are
read, and never more than a fixed amount: what an archive sends is data from outside.
"""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import re
import tarfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import IO, BinaryIO, cast

from debian.arfile import ArError
from debian.deb822 import Deb822
from debian.debfile import DebFile

from forerun.distro.debian_scripts import (
    ConffileCall,
    InputCall,
    UcfCall,
    fill_words,
    find_conffile_calls,
    find_input_calls,
    find_ucf_calls,
    match_words,
    read_calls,
)

# Unpacked sizes. The largest control part of Debian 13 is below 2 MiB (from memory); a
# kernel's data part is some 600 MiB.
CONTROL_CAP = 16 << 20
DATA_CAP = 1 << 30
_TEXT_CAP = 4 << 20
_BLOCK = 1 << 16
_SCRIPTS = ("config", "preinst", "postinst")  # those that an upgrade runs from the new version
_MD5 = re.compile(r"\b[0-9a-f]{32}\b")


@dataclass(frozen=True, slots=True)
class NewConffile:
    """A line of DEBIAN/conffiles (deb-conffiles(5)). `md5` is that of the packaged file,
    empty where nobody asked for it or the package does not hold the file; `remove` is
    the flag remove-on-upgrade."""

    path: str
    md5: str = ""
    remove: bool = False


@dataclass(frozen=True, slots=True)
class Template:
    """A debconf template: `kind` is its Type, `description` the short description."""

    name: str
    kind: str
    description: str


@dataclass(frozen=True, slots=True)
class PackageContents:
    """What was read of one package. `files` are (path, MD5) of the templates that its
    scripts give to ucf(1); `history` (path, MD5s) of the lists of earlier versions."""

    name: str
    version: str
    architecture: str
    replaces: tuple[str, ...] = ()
    conffiles: tuple[NewConffile, ...] = ()
    templates: tuple[Template, ...] = ()
    conffile_calls: tuple[ConffileCall, ...] = ()
    ucf_calls: tuple[UcfCall, ...] = ()
    input_calls: tuple[InputCall, ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    history: tuple[tuple[str, tuple[str, ...]], ...] = ()


class _Capped(io.RawIOBase):
    """A stream that ends with ValueError once it has given `most` bytes."""

    def __init__(self, inner: IO[bytes], most: int, what: str) -> None:
        self._inner = inner
        self._left = most
        self._what = what

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        block = self._inner.read(_BLOCK if size is None or size < 0 else size)
        self._left -= len(block)
        if self._left < 0:
            raise ValueError(f"its {self._what} part is larger than is read of one package")
        return block


def read_package(stream: BinaryIO, wanted: Iterable[str]) -> PackageContents:
    """The contents of one .deb file.

    `wanted` are the paths of configuration files whose new version matters: only their
    MD5s are found, and the data part is not read at all where none of them is in the
    package. Raises ValueError that says what is wrong with the file."""
    paths = frozenset(wanted)
    try:
        with DebFile(fileobj=stream) as package:
            texts = dict(_read_texts(_open_part(package, "control", CONTROL_CAP)))
            bare = _read_control(texts)
            sources, sums = _list_sources(bare.ucf_calls, paths)
            in_data = {c.path for c in bare.conffiles if not c.remove} & paths | sources
            found: dict[str, str] = {}
            lists: dict[str, tuple[str, ...]] = {}
            if in_data:
                part = _open_part(package, "data", DATA_CAP)
                _read_data(part, in_data, sums, found, lists)
    except (ArError, tarfile.TarError, lzma.LZMAError, OSError, EOFError) as problem:
        raise ValueError(f"it is no whole binary package: {problem}") from problem
    return PackageContents(
        **{
            **{name: getattr(bare, name) for name in bare.__dataclass_fields__},
            "conffiles": tuple(
                NewConffile(c.path, found.get(c.path, ""), c.remove) for c in bare.conffiles
            ),
            "files": tuple(sorted((path, found[path]) for path in sources & found.keys())),
            "history": tuple(sorted(lists.items())),
        }
    )


def _open_part(package: DebFile, part: str, cap: int) -> tarfile.TarFile:
    name = next(n for n in package.getnames() if n == f"{part}.tar" or n.startswith(f"{part}.tar."))
    member = cast("IO[bytes]", package.getmember(name))
    kind = name.rpartition(".")[2]
    openers: dict[str, Callable[[IO[bytes]], IO[bytes]]] = {
        "xz": lzma.LZMAFile,
        "gz": lambda stream: cast("IO[bytes]", gzip.GzipFile(fileobj=stream)),
        "bz2": bz2.BZ2File,
        "tar": lambda stream: stream,
    }
    if kind not in openers:  # Debian's own archive takes gz and xz only
        raise ValueError(f"its {part} part is compressed in a way that is not read: {kind}")
    inner = openers[kind](member)
    return tarfile.open(fileobj=_Capped(inner, cap, part), mode="r|")


def _read_texts(part: tarfile.TarFile) -> Iterator[tuple[str, str]]:
    for member in part:
        name = member.name.removeprefix("./")
        stream = part.extractfile(member) if member.isreg() else None
        if stream is not None and name in ("control", "conffiles", "templates", *_SCRIPTS):
            yield name, stream.read(_TEXT_CAP).decode("utf-8", "replace")


def _read_control(texts: Mapping[str, str]) -> PackageContents:
    control = Deb822(texts.get("control", ""))
    if not control.get("Package") or not control.get("Version"):
        raise ValueError("its control file names no package or no version")
    scripts = [(name, texts[name]) for name in _SCRIPTS if name in texts]
    calls = read_calls(scripts)
    return PackageContents(
        name=control["Package"],
        version=control["Version"],
        architecture=control.get("Architecture", ""),
        replaces=parse_names(control.get("Replaces", "")),
        conffiles=parse_conffile_list(texts.get("conffiles", "")),
        templates=parse_templates(texts.get("templates", "")),
        conffile_calls=find_conffile_calls(calls),
        ucf_calls=find_ucf_calls(calls),
        input_calls=find_input_calls(scripts, calls),
    )


def parse_names(relation: str) -> tuple[str, ...]:
    """The package names in a relation field (Debian Policy 7.1), versions left out."""
    names = (re.match(r"\s*([a-z0-9][a-z0-9+.-]+)", part) for part in re.split(r"[,|]", relation))
    return tuple(dict.fromkeys(match[1] for match in names if match))


def parse_conffile_list(text: str) -> tuple[NewConffile, ...]:
    """DEBIAN/conffiles, as deb-conffiles(5) has it; lines with other flags are left out."""
    found = []
    for line in text.splitlines():
        flag, _, path = line.strip().rpartition(" /")
        if not flag and line.startswith("/"):
            found.append(NewConffile(line.strip()))
        elif flag == "remove-on-upgrade":
            found.append(NewConffile(f"/{path}", remove=True))
    return tuple(found)


def parse_templates(text: str) -> tuple[Template, ...]:
    """A debconf templates file (debconf-devel(7)), in English."""
    found = []
    for stanza in Deb822.iter_paragraphs(io.StringIO(text), use_apt_pkg=False):
        name = stanza.get("Template", "")
        description = stanza.get("Description", "").split("\n")[0].strip()
        if name:
            found.append(Template(name, stanza.get("Type", "string"), description))
    return tuple(found)


def resolve_ucf(calls: Iterable[UcfCall], path: str) -> tuple[UcfCall, ...]:
    """The calls that are for `path`, with the variables that follow from it put in."""
    found = []
    for call in calls:
        table = match_words(call.target, path)
        if call.target == path:
            found.append(call)
        elif table is not None:
            sums = fill_words(call.sum_file, table)
            source = fill_words(call.source, table)
            found.append(UcfCall(source, path, sums, call.script, sure=False))
    return tuple(found)


def _list_sources(calls: Iterable[UcfCall], paths: Iterable[str]) -> tuple[set[str], set[str]]:
    """The new files that the calls offer for these paths, and where the sums of earlier
    versions may lie (ucf(1), "--sum-file" and the source folder)."""
    sources: set[str] = set()
    sums: set[str] = set()
    for path in paths:
        for call in resolve_ucf(calls, path):
            if "$" not in call.source:
                sources.add(call.source)
                sums |= {f"{call.source}.md5sum", call.sum_file} - {""}
    return sources, sums


def _read_data(
    part: tarfile.TarFile,
    wanted: set[str],
    sums: set[str],
    found: dict[str, str],
    lists: dict[str, tuple[str, ...]],
) -> None:
    """Fill in the MD5s of the wanted members and the sums; end as soon as all are there."""
    for member in part:
        path = "/" + member.name.removeprefix("./").lstrip("/")
        folder = path.rpartition("/")[0].removesuffix(".d")
        stream = part.extractfile(member) if member.isreg() else None
        if stream is None:
            continue
        if path in wanted:
            digest = hashlib.md5(usedforsecurity=False)
            while block := stream.read(_BLOCK):
                digest.update(block)
            found[path] = digest.hexdigest()
        elif path in sums or folder in sums:
            key = path if path in sums else folder
            text = stream.read(_TEXT_CAP).decode("utf-8", "replace")
            lists[key] = (*lists.get(key, ()), *_MD5.findall(text))
        if not sums and wanted <= found.keys():
            return
