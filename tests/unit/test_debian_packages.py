"""Binary packages are read for what matters, and damaged or hostile ones refused."""

from __future__ import annotations

import hashlib
import io
import tarfile

import pytest
from tests.practice.deb_file import build_deb

from forerun.distro import debian_packages
from forerun.distro.debian_packages import (
    NewConffile,
    PackageContents,
    parse_conffile_list,
    parse_names,
    parse_templates,
    read_package,
)


def read(package: bytes, *wanted: str) -> PackageContents:
    return read_package(io.BytesIO(package), wanted)


def digest(content: bytes) -> str:
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


@pytest.mark.parametrize("squeeze", ["xz", "gz", "bz2", ""])
def test_conffiles_have_the_digest_of_the_packaged_file(squeeze: str) -> None:
    """In every compression that deb(5) names and Debian's archive takes or took."""
    package = build_deb(
        "shelf",
        "2.0",
        files={"/etc/a": b"one\n", "/etc/b": b"two\n", "/usr/share/c": b"three\n"},
        conffiles=["/etc/a", "/etc/b", "/etc/gone", "remove-on-upgrade /etc/old"],
        squeeze=squeeze,
    )
    contents = read(package, "/etc/a", "/etc/gone", "/etc/old")
    assert (contents.name, contents.version, contents.architecture) == ("shelf", "2.0", "all")
    assert contents.conffiles == (
        NewConffile("/etc/a", digest(b"one\n")),
        NewConffile("/etc/b"),  # nobody asked for it
        NewConffile("/etc/gone"),  # listed, but not in the package: dpkg ignores it
        NewConffile("/etc/old", remove=True),
    )


def test_the_data_part_stays_closed_when_nobody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Most packages are large and none of their files matters."""

    def refuse(*_: object) -> None:
        pytest.fail("the data part was read")

    monkeypatch.setattr(debian_packages, "_read_data", refuse)
    package = build_deb("shelf", "2.0", files={"/etc/a": b"one\n"}, conffiles=["/etc/a"])
    assert read(package, "/etc/other").conffiles == (NewConffile("/etc/a"),)


def test_ucf_templates_are_followed_to_the_packaged_file() -> None:
    """Literal ones, and those that a variable of the script leads to; with the lists of
    earlier versions that ucf(1) looks at."""
    package = build_deb(
        "shelf",
        "2.0",
        files={
            "/usr/share/shelf/a.conf": b"a\n",
            "/usr/share/shelf/a.conf.md5sum": f"{digest(b'old')}  1.0\n".encode(),
            "/usr/share/shelf/more/b.conf": b"b\n",
        },
        scripts={
            "postinst": "#!/bin/sh\nucf /usr/share/shelf/a.conf /etc/shelf/a.conf\n"
            "for f in $(list); do ucf /usr/share/shelf/more/$f /etc/shelf/more/$f; done\n"
        },
    )
    contents = read(package, "/etc/shelf/a.conf", "/etc/shelf/more/b.conf")
    assert dict(contents.files) == {
        "/usr/share/shelf/a.conf": digest(b"a\n"),
        "/usr/share/shelf/more/b.conf": digest(b"b\n"),
    }
    assert dict(contents.history) == {"/usr/share/shelf/a.conf.md5sum": (digest(b"old"),)}


@pytest.mark.parametrize(
    ("package", "said"),
    [
        (b"", "no whole binary package"),
        (b"<html>not here</html>", "no whole binary package"),
        (build_deb("shelf", "2.0")[:300], "no whole binary package"),
        (build_deb("shelf", "2.0", squeeze="odd"), "package"),
        (build_deb("shelf", ""), "no version"),
    ],
)
def test_what_is_no_package_is_refused_with_a_reason(package: bytes, said: str) -> None:
    """ValueError, and nothing else, whatever the archive sent."""
    with pytest.raises(ValueError, match=said):
        read(package, "/etc/a")


@pytest.mark.parametrize("cut", range(0, 900, 37))
def test_a_package_cut_anywhere_is_refused_or_read(cut: int) -> None:
    """A transfer that broke off leads to no other exception and to no wrong contents;
    where only the very end is missing, all that matters has been read before it."""
    package = build_deb("shelf", "2.0", files={"/etc/a": b"one\n"}, conffiles=["/etc/a"])
    try:
        found = read(package[:cut], "/etc/a")
    except ValueError:
        return
    assert found == read(package, "/etc/a")


def test_a_part_that_grows_without_end_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """50 MiB of blanks are 8 KiB in the archive: unpacking stops at the limit."""
    monkeypatch.setattr(debian_packages, "DATA_CAP", 1 << 20)
    package = build_deb("shelf", "2.0", files={"/etc/a": b" " * (50 << 20)}, conffiles=["/etc/a"])
    assert len(package) < 1 << 20
    with pytest.raises(ValueError, match="data part is larger"):
        read(package, "/etc/a")
    assert read(package).conffiles


def test_links_and_folders_are_no_contents() -> None:
    """Only regular members count; a control part full of odd ones is harmless."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        link = tarfile.TarInfo("./conffiles")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
        archive.addfile(link)
    out.seek(0)
    with tarfile.open(fileobj=out) as part:
        assert dict(debian_packages._read_texts(part)) == {}


def test_the_list_of_conffiles_is_that_of_the_man_page() -> None:
    """The example of deb-conffiles(5)."""
    text = (
        "/etc/alternatives/README\n/etc/cron.daily/dpkg \nremove-on-upgrade /etc/some-old\nx /y\n"
    )
    assert parse_conffile_list(text) == (
        NewConffile("/etc/alternatives/README"),
        NewConffile("/etc/cron.daily/dpkg"),
        NewConffile("/etc/some-old", remove=True),
    )


def test_templates_and_relations_are_parsed() -> None:
    """debconf-devel(7)'s fields, and names without versions (Policy 7.1)."""
    text = (
        "Template: a/b\nType: boolean\nDescription: Is it so?\n Long text.\n"
        "Description-de.UTF-8: Ist es so?\n\nTemplate: a/c\nType: note\nDescription: So it is\n"
    )
    first, second = parse_templates(text)
    assert (first.name, first.kind, first.description) == ("a/b", "boolean", "Is it so?")
    assert (second.name, second.kind) == ("a/c", "note")
    assert parse_names("shelf (<< 2.0), base-shelf:any | x11, shelf (= 1)") == (
        "shelf",
        "base-shelf",
        "x11",
    )
