"""The leak scan: finds an original in each coding, at any place, and says only where."""

from __future__ import annotations

import ast
import base64
import bz2
import gzip
import hashlib
import html
import json
import lzma
import random
import shlex
import urllib.parse
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.errors import LeakFound
from forerun.stages import leakscan, leakscan_forms
from forerun.stages.leakscan import CHUNK, LeakScanner, check_no_leak
from forerun.stages.leakscan_forms import is_worth_searching


@dataclass(frozen=True)
class FakeOriginal:
    value: bytes = field(repr=False)
    rule: str = "planted"

    def reveal(self) -> bytes:
        return self.value


class FakeOriginals:
    def __init__(self, *values: bytes) -> None:
        self._values = values

    def originals(self) -> Iterable[FakeOriginal]:
        return [FakeOriginal(value) for value in self._values]


SECRET = b"tr0ub4dor&3/plain+text"


def forms(secret: bytes) -> Iterator[tuple[str, bytes]]:
    yield "plain", secret
    for shift in range(3):
        yield f"base64 {shift}", base64.b64encode(b"abc"[:shift] + secret + b"tail")
    yield "urlsafe", base64.urlsafe_b64encode(secret)
    yield "hex", secret.hex().encode()
    yield "HEX", secret.hex().upper().encode()
    yield "quoted", urllib.parse.quote(secret, safe="").encode()
    yield "quoted lower", urllib.parse.quote(secret, safe="").lower().encode()
    yield "url-safe shifted", base64.urlsafe_b64encode(b"user:" + secret + b"??>>")
    yield "utf-16", secret.decode().encode("utf-16-le")
    yield "json", json.dumps(secret.decode()).replace("/", "\\/").encode()
    yield "html", html.escape(secret.decode()).encode()
    yield "shell", shlex.quote(secret.decode()).encode()
    for name in ("md5", "sha1", "sha256", "sha512"):
        yield name, hashlib.new(name, secret).hexdigest().encode()
        yield f"{name} of a line", hashlib.new(name, secret + b"\n").hexdigest().encode()
        yield f"{name} in base64", base64.b64encode(hashlib.new(name, secret).digest())


@pytest.mark.parametrize(("form", "coded"), list(forms(SECRET)))
def test_each_coding_is_found(form: str, coded: bytes) -> None:
    """Plain, base64 at all three alignments, hexadecimal, percent-encoded, escaped, wide,
    and as a digest; the forms are made by the standard library."""
    hits = list(LeakScanner(FakeOriginals(SECRET)).scan_stream("x", [b"head " + coded + b" end"]))
    assert hits, form
    assert hits[0].place == "x" and hits[0].rule == "planted"
    assert 5 <= hits[0].offset <= 5 + len(b"user:") * 2


@given(
    st.binary(min_size=9, max_size=60).filter(is_worth_searching),
    st.integers(0, 3000),
    st.integers(1, 700),
)
def test_found_at_any_offset_and_chunking(secret: bytes, at: int, chunk: int) -> None:
    """An original is found wherever it lies and however the stream is cut."""
    data = b"\0" * at + secret + b"\x01" * 50
    chunks = [data[n : n + chunk] for n in range(0, len(data), chunk)]
    offsets = {hit.offset for hit in LeakScanner(FakeOriginals(secret)).scan_stream("x", chunks)}
    assert data.find(secret) in offsets


@pytest.mark.parametrize("back", [0, 1, 2, 3, 5, 11, 21, 22, 23])
def test_found_across_the_border_of_two_chunks(back: int) -> None:
    """An original that lies across a chunk's end is found once, with its true offset."""
    at = CHUNK - back
    data = bytearray(random.Random(1).randbytes(2 * CHUNK + 100))
    data[at : at + len(SECRET)] = SECRET
    chunks = [bytes(data[n : n + CHUNK]) for n in range(0, len(data), CHUNK)]
    hits = list(LeakScanner(FakeOriginals(SECRET)).scan_stream("x", chunks))
    assert [hit.offset for hit in hits] == [at]


def test_clean_data_gives_no_hits() -> None:
    """Random data and zeros hold none of two hundred originals."""
    draw = random.Random(3)
    originals = FakeOriginals(*(draw.randbytes(12).hex().encode() for _ in range(200)))
    scanner = LeakScanner(originals)
    assert scanner.patterns >= 1000
    assert list(scanner.scan_stream("x", [draw.randbytes(CHUNK), b"\0" * CHUNK])) == []


@pytest.mark.parametrize(
    "value", [b"abc", b"short", b"public", b"Password", b"12345678", b"monkey", b"example.com"]
)
def test_what_is_not_searched(value: bytes) -> None:
    """Shorter than 6, common words, short numbers and short plain words: the rule as
    documented. Their places are the sanitiser's business."""
    assert not is_worth_searching(value)
    assert LeakScanner(FakeOriginals(value)).patterns == 0


def test_what_is_searched() -> None:
    """Six characters with a digit, eight letters, ten digits."""
    for value in (b"hunt3r", b"correcth", b"4929123456", b"Zx!9aq"):
        assert is_worth_searching(value)


def test_allowed_texts_do_not_count() -> None:
    """An archive's host name may stay although the domain is an original; the same
    domain elsewhere counts."""
    scanner = LeakScanner(FakeOriginals(b"corp.example"), allowed=["deb.corp.example"])
    assert list(scanner.scan_stream("x", [b"uri http://deb.corp.example/debian"])) == []
    assert len(list(scanner.scan_stream("x", [b"http://deb.corp.example www.corp.example"]))) == 1


def test_folders_names_and_links(tmp_path: Path) -> None:
    """Contents, file names and link targets are searched; links are not followed."""
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "a.txt").write_bytes(b"x" * 100 + SECRET)
    (tmp_path / "corp.example.conf").write_text("nothing")
    (tmp_path / "link").symlink_to("/srv/corp.example/data")
    scanner = LeakScanner(FakeOriginals(SECRET, b"corp.example"))
    places = sorted(hit.place.removeprefix(str(tmp_path)) for hit in scanner.scan_path(tmp_path))
    assert places == ["/corp.example.conf (name)", "/link (link)", "/sub/a.txt"]


def test_the_error_names_places_and_never_the_value(tmp_path: Path) -> None:
    """LeakFound says file, offset, rule and form."""
    (tmp_path / "f").write_bytes(b"----" + SECRET)
    with pytest.raises(LeakFound) as caught:
        check_no_leak(FakeOriginals(SECRET), [tmp_path])
    assert "at byte 4: planted, plain" in caught.value.found
    assert SECRET.decode() not in str(caught.value) + caught.value.hint
    assert caught.value.exit_code == 60


def test_a_clean_folder_passes(tmp_path: Path) -> None:
    """Nothing found: the number of patterns is returned, so that 0 can be noticed."""
    (tmp_path / "f").write_bytes(b"clean")
    assert check_no_leak(FakeOriginals(SECRET), [tmp_path]) > 5


@pytest.mark.parametrize("pack", [gzip.compress, lzma.compress, bz2.compress])
@pytest.mark.parametrize("chunk", [7, 1000, 1 << 20])
def test_packed_data_is_opened(pack: Callable[[bytes], bytes], chunk: int) -> None:
    """A packed file in the middle of an image, however the stream is cut."""
    inside = random.Random(5).randbytes(3000) + SECRET + b"." * 100
    data = b"x" * 4321 + pack(inside) + b"y" * 500
    chunks = [data[n : n + chunk] for n in range(0, len(data), chunk)]
    hits = list(LeakScanner(FakeOriginals(SECRET)).scan_stream("img", chunks))
    assert {(hit.place, hit.offset) for hit in hits} == {("img (packed at byte 4321)", 3000)}


def test_packed_in_packed_is_opened_to_a_depth() -> None:
    """Twice packed is opened, three times is not: the work stays bounded."""
    twice = gzip.compress(lzma.compress((SECRET + b" ") * 50))
    scanner = LeakScanner(FakeOriginals(SECRET))
    places = {hit.place for hit in scanner.scan_stream("x", [twice])}
    assert places == {"x (packed at byte 0) (packed at byte 0)"}
    assert list(scanner.scan_stream("x", [gzip.compress(twice + b"a" * 5000)])) == []


def test_a_packed_bomb_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """What unpacks to more than the limit is read up to it and no further."""
    monkeypatch.setattr(leakscan, "MEMBER_LIMIT", 1 << 20)
    bomb = gzip.compress(b"a" * (5 << 20) + SECRET)
    assert list(LeakScanner(FakeOriginals(SECRET)).scan_stream("x", [bomb])) == []


def test_what_only_begins_like_packed_data_does_no_harm() -> None:
    """The magic numbers by chance, then the original in plain."""
    data = b"\x1f\x8b\x08\x00zz\xfd7zXZ\x00??BZh91AY&SY" + SECRET
    hits = list(LeakScanner(FakeOriginals(SECRET)).scan_stream("x", [data]))
    assert [hit.place for hit in hits] == ["x"]


def test_holes_are_skipped_and_offsets_are_true(tmp_path: Path) -> None:
    """Two places of a sparse file of 8 GB."""
    path = tmp_path / "disk"
    with path.open("wb") as out:
        for at in (5_000_000, 8_000_000_000):
            out.seek(at)
            out.write(SECRET)
        out.truncate(8_500_000_000)
    hits = list(LeakScanner(FakeOriginals(SECRET)).scan_path(path))
    assert [hit.offset for hit in hits] == [5_000_000, 8_000_000_000]


def test_printed_forms_hold_no_value() -> None:
    """repr of the scanner and of its patterns shows nothing."""
    scanner = LeakScanner(FakeOriginals(SECRET))
    shown = repr(scanner) + repr(scanner._rows)
    assert SECRET.decode() not in shown


def test_no_code_is_shared_with_sanitising() -> None:
    """The scan would not find what a common mistake hides: it imports no sanitise module."""
    trees = [ast.parse(Path(str(m.__file__)).read_text()) for m in (leakscan, leakscan_forms)]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    modules = {node.module for node in nodes if isinstance(node, ast.ImportFrom)}
    assert not any("sanitise" in (module or "") for module in modules)
