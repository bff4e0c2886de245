"""The copy that lies in the store, bent: what a survey did not write is refused, whoever put
it there, and nothing is unpacked or written on the lab host."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import tarfile
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from tests.practice.bent_tar import (
    SPARSE_PAX,
    find_headers,
    make_member,
    pack,
    set_field,
    spoil_tar,
)
from tests.practice.mutation import HOSTILE
from tests.practice.watch import make_surroundings, no_hang, writes_stay_in

from forerun.errors import RecordDamaged
from forerun.stages.copy_tar import filter_copy, part_copy, read_files, walk_copy
from forerun.stages.plan import _read_tar
from forerun.stages.seed_network import find_names

KINDS = (tarfile.REGTYPE, tarfile.AREGTYPE, tarfile.DIRTYPE, tarfile.SYMTYPE)
WANTED = ("/etc/hosts", "/etc/app.conf", "/etc/link", "/etc/conf.d", "/etc/ü.conf")
SOUND = pack(
    make_member("etc/hosts", b"127.0.0.1 localhost shelf01.example\n"),
    make_member("etc/app.conf", b"x" * 700, uid=33, uname="www-data"),
    make_member("etc/ü.conf", b"y"),
    make_member(f"etc/{'n' * 120}", b"zz"),
    make_member("etc/link", type=tarfile.SYMTYPE, linkname="hosts"),
    make_member("etc/conf.d", type=tarfile.DIRTYPE, mode=0o755),
)


def read_all(path: Path) -> dict[str, bytes]:
    """All that is done with a copy on the lab host."""
    packed = filter_copy(path, WANTED)
    laid, read = part_copy(packed, frozenset({"/etc/hosts"}))
    find_names(packed)
    for archive in (packed, laid, read):
        for member in walk_copy(io.BytesIO(archive), "made by us"):
            assert member.path in WANTED
            assert member.info.type in KINDS
            assert not member.info.pax_headers.keys() - {"path", "linkpath", "uname", "gname"}
    return read_files(path, WANTED)


def test_a_sound_copy_is_read(tmp_path: Path) -> None:
    """The ground for the others."""
    path = tmp_path / "copy.tar"
    path.write_bytes(SOUND)
    assert read_all(path)["/etc/app.conf"] == b"x" * 700


def test_spoilt_copies(tmp_path: Path) -> None:
    """800 archives: read, or refused with the file's name; nothing else is written. The same
    archives from a clone, read for a plan, give files or none."""
    folder = tmp_path / "store"
    folder.mkdir()
    make_surroundings(folder)
    path = folder / "copy.tar"
    outcomes = {True: 0, False: 0}
    with writes_stay_in(folder):
        for seed in range(800):
            path.write_bytes(spoil_tar(SOUND, Random(seed)))
            with no_hang():
                try:
                    read_all(path)
                    outcomes[True] += 1
                except RecordDamaged as problem:
                    assert problem.where
                    assert "survey" in problem.hint
                    outcomes[False] += 1
                _read_tar(path.read_bytes())
    assert min(outcomes.values()) > 100, outcomes


BAD = {
    "leads up": make_member("etc/../../etc/passwd", b"x"),
    "leads up at once": make_member("../etc/hosts", b"x"),
    "two names": make_member("etc/hosts", b"x"),
    "control characters": make_member("etc/\x1b[2Jx", b"x"),
    "direction marks": make_member("etc/\u202ex", b"x"),
    "link with controls": make_member("etc/l", type=tarfile.SYMTYPE, linkname="\x1b]0;t\x07"),
    "hard link": make_member("etc/l", type=tarfile.LNKTYPE, linkname="/etc/shadow"),
    "character device": make_member("etc/l", type=tarfile.CHRTYPE, devmajor=1, devminor=5),
    "block device": make_member("etc/l", type=tarfile.BLKTYPE, devmajor=8, devminor=0),
    "pipe": make_member("etc/l", type=tarfile.FIFOTYPE),
    "sparse": make_member("etc/l", b"0\n" + bytes(510), pax_headers=SPARSE_PAX),
    "no time": make_member("etc/l", b"x", pax_headers={"mtime": "nan"}),
    "endless time": make_member("etc/l", b"x", pax_headers={"mtime": "1e400"}),
    "size of its own": make_member("etc/l", b"x", pax_headers={"size": "-512"}),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_a_survey_never_writes(name: str, tmp_path: Path) -> None:
    """Names that lead elsewhere or are there twice, control characters, links of the hard
    kind, devices, holes, times and sizes that cannot be: wherever it stands in the copy."""
    folder = tmp_path / "store"
    folder.mkdir()
    path = folder / "copy.tar"
    path.write_bytes(pack(make_member("etc/hosts", b"1"), BAD[name]))
    with writes_stay_in(folder), no_hang():
        for use in (
            lambda: filter_copy(path, WANTED),
            lambda: read_files(path, WANTED),
            lambda: find_names(path.read_bytes()),
        ):
            with pytest.raises(RecordDamaged):
                use()


@pytest.mark.parametrize(("written", "read"), [(-5, 0), (1 << 90, (1 << 33) - 1), (7.9, 7)])
def test_odd_times_are_a_servers_right(written: float, read: int, tmp_path: Path) -> None:
    """Files of before 1970, of a far future, with a fraction: taken, with a time that every
    unpacker knows."""
    path = tmp_path / "copy.tar"
    path.write_bytes(pack(make_member("etc/hosts", b"1", mtime=written)))
    with tarfile.open(fileobj=io.BytesIO(filter_copy(path, WANTED))) as tar:
        assert [member.mtime for member in tar] == [read]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_files_name_is_looked_up_and_nothing_else(name: str, tmp_path: Path) -> None:
    """`forerun review ID --file NAME` reads members of the copy, never the lab host."""
    path = tmp_path / "copy.tar"
    path.write_bytes(SOUND)
    assert read_files(path, {name}) == {}


@pytest.mark.parametrize(
    "compress", [gzip.compress, bz2.compress, lzma.compress], ids=["gzip", "bzip2", "xz"]
)
def test_a_compressed_copy_is_not_unpacked(
    compress: Callable[[bytes], bytes], tmp_path: Path
) -> None:
    """A survey writes none, and a few kilobytes may stand for terabytes."""
    path = tmp_path / "copy.tar"
    path.write_bytes(compress(SOUND))
    with pytest.raises(RecordDamaged):
        filter_copy(path, WANTED)
    assert _read_tar(path.read_bytes()) == {}


@pytest.mark.parametrize("field", ["size", "uid"])
@pytest.mark.parametrize("value", [b"\x80" + b"\xff" * 11, b"\xff" * 12], ids=["huge", "negative"])
def test_numbers_in_base_256(field: str, value: bytes, tmp_path: Path) -> None:
    """GNU tar's form for large numbers holds 2^95 and -1; a size of either must neither be
    asked for at once nor lead backwards (CVE-2025-8194)."""
    spoilt = bytearray(SOUND)
    for header in find_headers(SOUND):
        if bytes(spoilt[header + 156 : header + 157]) in (b"0", b"x"):
            set_field(spoilt, header, field, value)
    path = tmp_path / "copy.tar"
    path.write_bytes(spoilt)
    with no_hang(), pytest.raises(RecordDamaged):
        read_all(path)
