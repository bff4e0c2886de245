"""What a request asks for, whether it may, and what kind of file it is. Pure.

Sources: RFC 9112 section 3.2 (forms of the request target; the absolute form wins over
Host), RFC 3986 sections 2.1 and 5.2.4 (percent-encoding, dot segments), the Debian
repository format (dists/, pool/, by-hash).
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from urllib.parse import quote, unquote_to_bytes, urljoin

from forerun.model.blueprint import AllowedArchive

_DEFAULT_PORT = {"http": 80, "https": 443}
_AUTHORITY = re.compile(r"(?:\[([0-9A-Fa-f:.]{2,45})\]|([A-Za-z0-9_.-]{1,253}))(?::([0-9]{1,5}))?")
_ABSOLUTE = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://([^/?#]*)([^?#]*)(\?[^#]*)?(#.*)?", re.DOTALL)
_BAD_PERCENT = re.compile(r"%(?![0-9A-Fa-f]{2})")
# Decoded once, these would become structure in a server that decodes twice.
_TWICE_ENCODED = re.compile(rb"%(?:2e|2f|5c|00|25)", re.IGNORECASE)
# "+" is left out: some archives on object stores read a bare "+" as a space, which is
# why apt itself asks for %2b.
_SAFE = "/-._~:@!$&'()*,;="
_INDEX_NAMES = re.compile(
    r"(?:InRelease|Release|Release\.gpg|(?:Packages|Sources|Index|Translation-[\w@.-]+"
    r"|Contents(?:-[\w-]+)?|Commands-[\w-]+)(?:\.(?:gz|xz|bz2|lzma|lz4|zst))?)"
)
_PACKAGE_NAMES = re.compile(
    r".+\.(?:deb|udeb|ddeb|dsc|buildinfo|changes|diff\.(?:gz|xz|bz2)|tar(?:\.[a-z0-9]+)?(?:\.asc)?)"
)
_BINARY_NAMES = re.compile(r".+\.(?:deb|udeb|ddeb)")
_BY_HASH = re.compile(r"/by-hash/(MD5Sum|SHA1|SHA256|SHA512)/([0-9a-f]{32,128})$")
_HASH_IN_NAME = re.compile(
    r"(?<![0-9a-f])(?:[0-9a-f]{128}|[0-9a-f]{64}|[0-9a-f]{40}|[0-9a-f]{32})(?![0-9a-f])"
)


@dataclass(frozen=True, slots=True)
class Refused:
    """A request turned away: one line for the client, an HTTP status."""

    reason: str
    status: int = 403


@dataclass(frozen=True, slots=True)
class Placed:
    """A request on the allow-list. `url` is what the client asks for, in one canonical
    spelling (the cache's key); `upstream` is what the gateway asks for; `path` is the
    canonical path of `url`."""

    url: str
    upstream: str
    path: str


@dataclass(frozen=True, slots=True)
class FileKind:
    """`index`: an archive index, metered apart. `immutable`: the content of this name
    never changes. `sha256`: the digest the name promises, or ""."""

    index: bool
    immutable: bool
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class _Address:
    scheme: str
    host: str
    port: int
    path: str
    query: str = ""

    def text(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port == _DEFAULT_PORT[self.scheme] else f":{self.port}"
        return f"{self.scheme}://{host}{port}{self.path}{self.query}"


def place_request(
    method: str, target: str, hosts: Sequence[str], allowed: Iterable[AllowedArchive]
) -> Placed | Refused:
    """Where a request may go. `target` is the request target as sent, `hosts` the
    values of its Host fields (read only when `target` is a bare path)."""
    if method not in {"GET", "HEAD"}:
        return Refused("only GET and HEAD are served here")
    asked = _read_target(target, hosts)
    if isinstance(asked, Refused):
        return asked
    entry = _find_entry(asked, allowed)
    if entry is None:
        return Refused(f"{asked.host} port {asked.port} {asked.path} is not on the allow-list")
    upstream = _Address(entry.scheme, asked.host, entry.port, asked.path)
    return Placed(asked.text(), upstream.text(), asked.path)


def place_redirect(current: str, location: str, allowed: Iterable[AllowedArchive]) -> str | Refused:
    """The address a redirect from `current` leads to, if it is on the allow-list.

    An archive listed as https is never asked over http, whatever the redirect says.
    """
    unreadable = Refused("the archive redirects to an unreadable address", 502)
    if not location or not _is_printable(location):
        return unreadable
    try:
        joined = urljoin(current, location)
    except ValueError:  # "[" without "]"
        return unreadable
    asked = _read_absolute(joined, schemes=("http", "https"), query=True)
    if isinstance(asked, Refused):
        return Refused(f"the archive redirects elsewhere: {asked.reason}", 502)
    entry = _find_entry(asked, allowed)
    if entry is None:
        return Refused(
            f"the archive redirects to {asked.host} port {asked.port},"
            " which is not on the allow-list",
            502,
        )
    if entry.scheme == "https" and asked.scheme == "http":
        return _Address("https", asked.host, entry.port, asked.path, asked.query).text()
    return asked.text()


def archive_url(entry: AllowedArchive, relative: str) -> str | Refused:
    """The upstream address of a file below an archive's prefix."""
    prefix = entry.path_prefix.strip("/")
    path = _clean_path(f"/{prefix}/{relative}")
    if isinstance(path, Refused):
        return path
    return _Address(entry.scheme, _plain_host(entry.host), entry.port, path).text()


def classify_file(path: str) -> FileKind:
    """What kind of file a canonical path names."""
    parts = [part for part in path.split("/") if part]
    name = parts[-1] if parts else ""
    by_hash = _BY_HASH.search(path)
    if by_hash:
        digest = by_hash[2] if by_hash[1] == "SHA256" and len(by_hash[2]) == 64 else ""
        return FileKind(index=True, immutable=True, sha256=digest)
    if _BINARY_NAMES.fullmatch(name) or ("pool" in parts and _PACKAGE_NAMES.fullmatch(name)):
        return FileKind(index=False, immutable=True)
    index = "dists" in parts or _INDEX_NAMES.fullmatch(name) is not None
    return FileKind(index=index, immutable=_HASH_IN_NAME.search(name) is not None)


def release_urls(url: str) -> tuple[str, ...]:
    """The addresses at which the release file that covers an index may be: in its own
    folder and, below dists/, in each folder up to the suite's."""
    base = url.rpartition("/")[0]
    found = []
    while True:
        found += [f"{base}/InRelease", f"{base}/Release"]
        base = base.rpartition("/")[0]
        if "/dists/" not in base:
            break
    return tuple(one for one in found if one != url)


def plain_text(text: str, limit: int = 200) -> str:
    """Untrusted text on one line: control and non-ASCII characters become "?"."""
    return "".join(one if " " <= one <= "~" else "?" for one in text[:limit])


def _read_target(target: str, hosts: Sequence[str]) -> _Address | Refused:
    if not _is_printable(target):
        return Refused("the address has control characters or unencoded characters")
    if not target.startswith("/"):
        return _read_absolute(target, schemes=("http",), query=False)
    if len(hosts) != 1:
        return Refused("a request for a bare path needs exactly one Host field")
    return _read_absolute(f"http://{hosts[0]}{target}", schemes=("http",), query=False)


def _read_absolute(text: str, *, schemes: tuple[str, ...], query: bool) -> _Address | Refused:
    parts = _ABSOLUTE.fullmatch(text)
    if parts is None:
        return Refused("this is not an address of the form http://host/path")
    scheme = parts[1].lower()
    if scheme not in schemes:
        return Refused("only http:// addresses are served here")
    if "@" in parts[2]:
        return Refused("an address with a user name or password is not served")
    if not query and (parts[4] or parts[5]):
        return Refused("an address with a query or fragment is not served")
    authority = _AUTHORITY.fullmatch(parts[2])
    if authority is None:
        return Refused("the host or port cannot be read")
    port = int(authority[3]) if authority[3] else _DEFAULT_PORT[scheme]
    if not 1 <= port <= 65535:
        return Refused("the port is out of range")
    path = _clean_path(parts[3] or "/")
    if isinstance(path, Refused):
        return path
    host = _plain_host(authority[1] or authority[2])
    return _Address(scheme, host, port, path, parts[4] or "")


def _clean_path(raw: str) -> str | Refused:
    """One spelling for each path: decoded once, no dot segments, no empty segments."""
    if _BAD_PERCENT.search(raw):
        return Refused("the path has a broken percent-encoding")
    if "%2f" in raw.lower():
        return Refused("the path has an encoded slash")
    decoded = unquote_to_bytes(raw)
    if any(one < 0x20 or one in (0x5C, 0x7F) for one in decoded):
        return Refused("the path has control characters or a backslash")
    if _TWICE_ENCODED.search(decoded):
        return Refused("the path is percent-encoded twice")
    kept: list[bytes] = []
    parts = decoded.split(b"/")[1:]
    for part in parts:
        if part == b"..":
            if not kept:
                return Refused("the path leaves the archive")
            kept.pop()
        elif part not in (b"", b"."):
            kept.append(part)
    slash = "/" if kept and parts[-1] in (b"", b".", b"..") else ""
    return "/" + quote(b"/".join(kept), safe=_SAFE) + slash


def _find_entry(asked: _Address, allowed: Iterable[AllowedArchive]) -> AllowedArchive | None:
    """The entry that covers an address; of several, one to be asked by https."""
    found = [entry for entry in allowed if _covers(entry, asked)]
    return max(found, key=lambda entry: entry.scheme == "https", default=None)


def _covers(entry: AllowedArchive, asked: _Address) -> bool:
    if entry.scheme not in _DEFAULT_PORT or _plain_host(entry.host) != asked.host:
        return False
    # A clone says http://host/ also for an archive that is asked by https.
    both_default = (
        asked.port == _DEFAULT_PORT[asked.scheme] and entry.port == _DEFAULT_PORT[entry.scheme]
    )
    if not both_default and asked.port != entry.port:
        return False
    prefix = _clean_path("/" + entry.path_prefix.strip("/"))
    if isinstance(prefix, Refused):
        return False
    return prefix in ("/", asked.path) or asked.path.startswith(prefix + "/")


def _plain_host(host: str) -> str:
    bare = host.lower().strip("[]")
    if ":" not in bare:
        return bare
    try:
        return ipaddress.IPv6Address(bare).compressed
    except ValueError:
        return bare


def _is_printable(text: str) -> bool:
    return all("!" <= one <= "~" for one in text)
