"""The leak scan: finds an original in each coding, at any place, and says only where."""

from __future__ import annotations

import ast
import base64
import random
import urllib.parse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.errors import LeakFound
from forerun.stages import leakscan
from forerun.stages.leakscan import CHUNK, LeakScanner, check_no_leak, is_worth_searching


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


@pytest.mark.parametrize(("form", "coded"), list(forms(SECRET)))
def test_each_coding_is_found(form: str, coded: bytes) -> None:
    """Plain, base64 at all three alignments, hexadecimal, percent-encoded."""
    hits = list(LeakScanner(FakeOriginals(SECRET)).scan_stream("x", [b"head " + coded + b" end"]))
    assert hits, form
    assert hits[0].place == "x" and hits[0].rule == "planted"
    assert 5 <= hits[0].offset <= 8


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


def test_printed_forms_hold_no_value() -> None:
    """repr of the scanner and of its patterns shows nothing."""
    scanner = LeakScanner(FakeOriginals(SECRET))
    shown = repr(scanner) + repr(scanner._by_word) + repr(scanner._short)
    assert SECRET.decode() not in shown


def test_no_code_is_shared_with_sanitising() -> None:
    """The scan would not find what a common mistake hides: it imports no sanitise module."""
    tree = ast.parse(Path(leakscan.__file__).read_text())
    modules = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not any("sanitise" in (module or "") for module in modules)
