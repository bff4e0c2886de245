"""A file stream from a server that means harm, or is broken: a row or SurveyFailed, never
a traceback, never memory without bound."""

from __future__ import annotations

import io
import tarfile
import tracemalloc
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forerun.errors import SurveyFailed
from forerun.model.raw import ServerNames
from forerun.model.survey import ConfigEntry
from forerun.ports.production import CopyScope
from forerun.stages import survey_tar
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey_copy import CopyWriter, FileTaker
from forerun.stages.survey_tar import MEMBER_LIMIT

SCOPE = CopyScope(("/etc", "/usr/local/bin"), (".git",), 1 << 20)
END = bytes(1024)
Taken = tuple[dict[str, str], dict[str, ConfigEntry], bytes]


def header(name: str, size: int = 0, kind: bytes = tarfile.REGTYPE, link: str = "") -> bytes:
    info = tarfile.TarInfo(name)
    info.size, info.type, info.linkname = size, kind, link
    return info.tobuf(tarfile.GNU_FORMAT, "utf-8", "surrogateescape")


def member(name: str, content: bytes = b"a = 1\n", **more: object) -> bytes:
    head = header(name, len(content), **more)  # type: ignore[arg-type]
    return head + content + bytes(-len(content) % 512)


def take(chunks: Iterator[bytes] | list[bytes], *, hold_limit: int = 1 << 24) -> Taken:
    out = io.BytesIO()
    sanitiser = Sanitiser(Vault(), ServerNames(), hold_limit=hold_limit)
    copy = CopyWriter(out)
    taker = FileTaker(SCOPE, sanitiser, copy)
    taker.take_all(chunks)
    sanitiser.close()
    entries, _ = taker.write_rest()
    copy.close()
    withheld = {row.path: row.reason for row in taker.withheld}
    return withheld, {entry.path: entry for entry in entries}, out.getvalue()


def peak_of(work: Callable[[], object]) -> int:
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_links_out_of_the_scope_are_recorded_and_never_followed() -> None:
    """A link's target is text; what a second entry would put behind it is withheld."""
    withheld, entries, out = take([
        member("etc/out", b"", kind=tarfile.SYMTYPE, link="/root/.ssh"),
        member("etc/out/authorized_keys"),
        member("etc/out/deeper/file"),
        END,
    ])  # fmt: skip
    assert entries["/etc/out"].link == "/root/.ssh"
    assert withheld == dict.fromkeys(
        ["/etc/out/authorized_keys", "/etc/out/deeper/file"], "below a symbolic link"
    )
    with tarfile.open(fileobj=io.BytesIO(out)) as tar:
        assert tar.getnames() == ["etc/out"]


def test_a_link_in_place_of_a_folder_is_withheld() -> None:
    """Files were taken below it already: unpacking would lead them elsewhere."""
    link = member("etc/a", b"", kind=tarfile.SYMTYPE, link="/root")
    withheld, entries, _ = take([member("etc/a/b"), link, END])
    assert set(entries) == {"/etc/a/b"}
    assert withheld == {"/etc/a": "a second entry of this name"}


@pytest.mark.parametrize(
    "kind", [tarfile.FIFOTYPE, tarfile.CHRTYPE, tarfile.BLKTYPE, tarfile.LNKTYPE, b"V", b"M"]
)
def test_devices_pipes_and_hard_links_are_withheld(kind: bytes) -> None:
    """Whatever is neither a file, a folder nor a link; the next member is still read."""
    withheld, entries, _ = take([header("etc/odd", 0, kind), member("etc/app.conf"), END])
    assert withheld == {"/etc/odd": "neither a file, a folder nor a symbolic link"}
    assert set(entries) == {"/etc/app.conf"}


@pytest.mark.parametrize(
    ("name", "shown", "reason"),
    [
        ("etc/new\nline", "/etc/new\\x0aline", "not plain text"),
        ("etc/\x1b[2Jred", "/etc/\\x1b[2Jred", "not plain text"),
        ("etc/caf\udce9", "/etc/caf\\xe9", "not plain text"),
        ("etc/\u202egnp", "/etc/\\xe2\\x80\\xaegnp", "not plain text"),
        ("/etc/passwd", "/etc/passwd", "absolute"),
        ("etc/../root/.bashrc", "/etc/../root/.bashrc", "leads elsewhere"),
        ("etc/./x", "/etc/./x", "leads elsewhere"),
        ("etc//x", "/etc//x", "leads elsewhere"),
        ("..", "/..", "leads elsewhere"),
        ("root/.ssh/id_rsa", "/root/.ssh/id_rsa", "outside"),
        ("etcetera", "/etcetera", "outside"),
        ("usr/local/binary", "/usr/local/binary", "outside"),
        ("etc/.git/config", "/etc/.git/config", "history"),
    ],
)
def test_names_that_are_not_taken(name: str, shown: str, reason: str) -> None:
    """Control characters, undecodable bytes, absolute names, dots, other places."""
    withheld, entries, _ = take([member(name), END])
    assert not entries
    ((path, why),) = withheld.items()
    assert path == shown and path.isprintable() and reason in why


def test_a_link_to_an_odd_name_is_withheld() -> None:
    """The target would be written into the copy."""
    odd = member("etc/x", b"", kind=tarfile.SYMTYPE, link="a\x1b]0;b")
    withheld, entries, _ = take([odd, END])
    assert not entries and withheld == {"/etc/x": "a link to a name that is not plain text"}


def test_a_long_name_is_read() -> None:
    """GNU tar's manual, "Basic Tar Format": names above 100 bytes stand in a header `L`."""
    name = "etc/" + "d" * 90 + "/" + "f" * 90 + ".conf"
    _, entries, out = take([member(name), END])
    assert set(entries) == {"/" + name}
    with tarfile.open(fileobj=io.BytesIO(out)) as tar:
        assert tar.getnames() == [name]


def test_a_second_entry_of_one_name_is_withheld() -> None:
    """The first one stands; nothing is overwritten."""
    withheld, entries, out = take([member("etc/a", b"first\n"), member("etc/a", b"second\n"), END])
    assert entries["/etc/a"].size_bytes == 6 and b"second" not in out
    assert withheld == {"/etc/a": "a second entry of this name"}


def zeros(size: int) -> Iterator[bytes]:
    piece = bytes(1 << 20)
    for _ in range(size >> 20):
        yield piece


def test_a_gigabyte_in_one_member_is_passed_over() -> None:
    """A size beyond the limit is a row; its bytes go by without being kept."""

    def stream() -> Iterator[bytes]:
        yield header("etc/huge", 1 << 30)
        yield from zeros(1 << 30)
        yield member("etc/app.conf") + END

    found: list[Taken] = []
    peak = peak_of(lambda: found.append(take(stream())))
    withheld, entries, _ = found[0]
    assert withheld == {"/etc/huge": f"larger than 1048576 bytes: {1 << 30}"}
    assert set(entries) == {"/etc/app.conf"}
    assert peak < 40 << 20


def test_a_gigabyte_that_never_comes_is_a_failed_survey() -> None:
    """The header promises more than the stream holds."""
    with pytest.raises(SurveyFailed) as caught:
        take([header("etc/huge", 1 << 30), b"only this"])
    assert caught.value.where == "files" and "early" in caught.value.found


def sparse() -> bytes:
    return header("etc/sparse", 512, tarfile.GNUTYPE_SPARSE) + bytes(512)


def pax() -> bytes:
    info = tarfile.TarInfo("etc/" + "x" * 300)
    return info.tobuf(tarfile.PAX_FORMAT)


def negative() -> bytes:
    block = bytearray(header("etc/x", 1))
    block[124:136] = b"\xff" * 12  # base 256, two's complement: GNU tar's manual
    block[148:156] = b"%06o\0 " % (sum(block[:148]) + 256 + sum(block[156:512]))
    return bytes(block)


@pytest.mark.parametrize(
    "stream",
    [
        sparse(), pax(), negative(), b"\1" * 512, b"x" * 5000, header("etc/x")[:300],
        header("././@LongLink", 1 << 30, tarfile.GNUTYPE_LONGNAME) + b"n" * 4096,
        header("././@LongLink", 0, tarfile.GNUTYPE_LONGNAME), b"", member("etc/a"),
        member("etc/a") + bytes(100),
    ],
    ids=["sparse", "pax", "negative", "garbage", "text", "half a header", "huge name",
         "empty name", "nothing", "no end", "half an end"],
)  # fmt: skip
def test_what_is_no_whole_archive_is_a_failed_survey(stream: bytes) -> None:
    """Headers forerun's own tar command never makes, and every kind of early end."""
    with pytest.raises(SurveyFailed) as caught:
        take([stream])
    assert caught.value.where == "files" and caught.value.found and caught.value.hint


def test_the_senders_own_error_comes_first() -> None:
    """The stream knows that it was cut: that is said, not what the cut looks like."""

    def cut() -> Iterator[bytes]:
        yield header("etc/x")[:300]
        raise SurveyFailed("The stream of files was cut short.", where="files")

    with pytest.raises(SurveyFailed, match="cut short"):
        take(cut())


def test_a_bomb_of_members_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """300,000 empty members are past the limit; here with a twentieth of both."""
    assert MEMBER_LIMIT < 300_000
    monkeypatch.setattr(survey_tar, "MEMBER_LIMIT", MEMBER_LIMIT // 20)
    block = header("etc/fxxxxxx")
    base = sum(block[:148]) + sum(block[156:512]) + 256 - 6 * ord("x")

    def stream() -> Iterator[bytes]:
        for number in range(300_000 // 20):
            digits = b"%06d" % number
            made = block[:5] + digits + block[11:148]
            yield made + b"%06o\0 " % (base + sum(digits)) + block[156:]
        yield END

    with pytest.raises(SurveyFailed) as caught:
        take(stream())
    assert str(MEMBER_LIMIT // 20) in caught.value.found


def test_members_cost_little_memory() -> None:
    """What is kept of a member is below 1.5 KB, so that the limit bounds memory."""
    made = [member(f"etc/f{number:05d}", b"") for number in range(5_000)]
    assert peak_of(lambda: take([*made, END])) < 5_000 * 1_500 + (8 << 20)


def test_a_copy_that_does_not_fit_is_withheld_and_still_teaches() -> None:
    """Past the limit files are named as withheld; a secret of theirs is replaced in those
    that were taken before."""
    noise = bytes(range(33, 127)) * 40
    withheld, entries, out = take(
        [
            member("etc/early", b"see Tangerine-77-x\n"),
            member("etc/big", noise[::-1] + noise),
            member("etc/late", b"password = Tangerine-77-x\n" + noise),
            END,
        ],
        hold_limit=100,
    )
    assert set(entries) == {"/etc/early"}
    assert set(withheld) == {"/etc/big", "/etc/late"}
    assert all("memory" in reason for reason in withheld.values())
    assert b"Tangerine" not in out


WHOLE = b"".join([
    member("etc/a", b"password = Secr3t-x9\n"), member("etc/" + "n" * 150), END,
    member("etc/l", b"", kind=tarfile.SYMTYPE, link="/x"),
])  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.integers(0, len(WHOLE) - 1), st.binary(min_size=1, max_size=12), st.integers(1, 700))
def test_any_damage_ends_in_rows_or_a_failed_survey(at: int, junk: bytes, chunk: int) -> None:
    """Bytes overwritten anywhere, in any chunks: no other exception comes out."""
    damaged = WHOLE[:at] + junk + WHOLE[at + len(junk) :]
    try:
        take([damaged[n : n + chunk] for n in range(0, len(damaged), chunk)])
    except SurveyFailed as problem:
        assert problem.where == "files"
