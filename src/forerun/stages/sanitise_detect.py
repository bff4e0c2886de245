"""Generic detection: named values, credentials in addresses and commands, and tokens
that only their randomness gives away. No file format is needed."""

from __future__ import annotations

import base64
import binascii
import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from urllib.parse import unquote

from forerun.stages.sanitise_base64 import read_base64_text
from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_encoded import swap_written
from forerun.stages.sanitise_prefilter import LinePattern
from forerun.stages.sanitise_services import COMMANDS
from forerun.stages.sanitise_vault import Vault

# -- named values ------------------------------------------------------------------------

_KEYWORD = re.compile(
    r"passw|passphrase|pwd|pass\b|pass[\"'_]|passw?\d|secret|token|api[_-]?key|apikey|_key|-key"
    r"|(?:access|auth|private|encrypt\w*|signing|shared|master|account|license|licence|psk)[_-]?key"
    r"|credential|psk|communit|bindpw|rootpw|userpw|_pw\b|masterauth|requirepass|cookie|salt|authtok",
    re.IGNORECASE,
)
_KEYWORDS = LinePattern(_KEYWORD)
_SECRET_WORDS = frozenset({
    "password", "passwd", "passwort", "passphrase", "pass", "pwd", "pw", "secret", "secrets",
    "token", "apikey", "psk", "community", "credential", "credentials", "bindpw", "rootpw",
    "userpw", "masterauth", "requirepass", "cookie", "salt", "passcode", "privatekey",
    "accesskey", "secretkey", "authkey", "pskkey", "authtok",
})  # fmt: skip
_ENDINGS = ("password", "passwd", "passphrase", "secret", "token", "bindpw", "rootpw", "apikey")
_KEY_BEFORE = frozenset({
    "api", "access", "auth", "private", "encryption", "encrypt", "signing", "sign", "shared",
    "master", "account", "license", "licence", "secret", "psk", "pre", "preshared", "storage",
    "app", "deploy", "write", "admin", "ingest", "sas", "hmac", "wep", "session", "security",
})  # fmt: skip
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_NAME_CHARACTERS = re.compile(r"[\w.\-]")


def is_secret_name(name: str) -> bool:
    """Whether a setting's name says that its value is secret: the last word decides
    (`db_password` yes, `password_file` and `token_ttl` no)."""
    words = [word.lower() for word in _WORD.findall(name)]
    while words and (
        words[-1].isdigit() or words[-1] in {"base", "value", "text", "plain", "hash"}
    ):
        words.pop()
    if not words:
        return False
    last = words[-1]
    if last == "credential" and words[0] in {"load", "import", "set"}:
        return False  # systemd.exec(5): a name and a path, or by its place
    if last in {"bypass", "compass", "nopasswd", "nopass"}:
        return False
    if last == "key":
        return len(words) > 1 and words[-2] in _KEY_BEFORE
    return last in _SECRET_WORDS or last.endswith(_ENDINGS) or last.endswith("pass")


_SEPARATOR = re.compile(
    r"[\"']?\]?(?:[ \t]*(?::=|::|=>|==?|:)[ \t]*|(?<=[\"'])[ \t]*,[ \t]*|>)(?![=~])"
)
_CALLED = re.compile(r"\([ \t]*[\"']$")
_BLANK = re.compile(r"[ \t]+")
_QUOTED = re.compile(r"([\"'])((?:\\.|(?!\1)[^\\\n])*)\1")
_BARE = re.compile(r"[^\s\"'`<>]+")
_HARMLESS = frozenset({
    "none", "null", "nil", "true", "false", "yes", "no", "on", "off", "undef", "undefined",
    "optional", "required", "requisite", "sufficient", "disabled", "enabled", "ask", "prompt",
    "x", "*", "!", "-", "...", "default", "auto", "string", "str", "bytes", "|", ">", "|-", ">-",
    "{", "[", "(", "{}", "[]", "\'\'", '""', "\\", "files", "compat", "systemd", "0", "1",
    "scram-sha-256", "scram-sha-1", "sha-256", "sha256", "sha512", "sha-512", "md5", "bcrypt",
    "argon2", "yescrypt", "plain", "crypt", "pam", "ldap", "cram-md5", "digest-md5", "login",
})  # fmt: skip
_VARIABLE = re.compile(
    r"\$\{[^}]*\}|\$\([^)]*\)|\$[A-Z_][A-Z0-9_]*|\$\d|%\(\w+\)s|%[a-z]|%\{[^}]*\}|\{\{.*\}\}|<[^>]*>|@\w+@"
)
_SCHEME = re.compile(r"\{[\w.-]+\}")  # of a hash that was dealt with: `{SSHA}`
_PATH = re.compile(
    r"(?:file:|exec:|path:)?/(?:etc|var|usr|run|opt|srv|home|root|proc|dev|tmp|lib|mnt|boot|sys|bin|sbin)"
    r"(?:/[\w.@%+:-]*)*"
)
# Formats of their own, where these words are no names of secrets.
_NO_NAMES = re.compile(
    r"/etc/(?:nsswitch\.conf|login\.defs|services|mime\.types|pam\.d/.*|apparmor\.d/.*|"
    r"init\.d/.*|bash_completion\.d/.*|debconf\.conf|locale\.(?:gen|alias)|ssl/openssl\.cnf)"
)
_DIRECTIVE = re.compile(
    r"^[ \t]*(requirepass|masterauth|rootpw|bindpw|ldap_default_authtok|password|passwd|"
    r"passphrase|secret|psk|wpa-psk|wpa-passphrase|wireless-key|auth_pass|auth-token|"
    r"SSLPassPhrase|AuthToken|ApiKey|license_key|[\w.-]*(?:passw(?:or)?d|passphrase|secret|authtok))"
    r"[ \t]+"
    r"(\"[^\"\n]*\"|'[^'\n]*'|[^\s;#]+)[ \t]*;?[ \t]*$",
    re.MULTILINE | re.IGNORECASE,
)

_DIRECTIVES = LinePattern(_DIRECTIVE)


@dataclass(frozen=True, slots=True)
class _Context:
    """Where a value stands: in a comment, in a program's text."""

    comment: bool
    program: bool


def find_named_values(path: str, text: str, vault: Vault) -> Iterator[Edit]:
    """Values of settings whose name says they are secret, in any of the usual forms:
    ini, shell, YAML, JSON, XML elements, PHP, space-separated directives."""
    if _NO_NAMES.fullmatch(path):
        return
    program = is_program(text)
    seen_to = 0
    for hit in _KEYWORDS.finditer(text):
        if hit.start() < seen_to:
            continue
        start, end = _widen(text, hit.start(), hit.end())
        seen_to = end
        if is_secret_name(text[start:end]):
            span = _find_value(text, start, end, program)
            if span is not None:
                quoted = text[span[0] - 1] in "\"'"
                new = swap_written(text[span[0] : span[1]], vault, "named-value", quoted=quoted)
                yield Edit(span[0], span[1], new, "named-value", _kind_of(text[start:end]))
    if not program:
        for match in _DIRECTIVES.finditer(text):
            low, high = match.span(2)
            if text[low] in "\"'":
                low, high = low + 1, high - 1
            if high > low and _is_value(text[low:high], _Context(False, False)):
                new = vault.swap(text[low:high], rule="named-value")
                yield Edit(low, high, new, "named-value", match[1].lower())


def is_program(text: str) -> bool:
    """Whether the text is a script by its first line."""
    return text.startswith("#!")


def _kind_of(name: str) -> str:
    """The word that made the name a secret's. The whole name might name the server."""
    low = name.lower().rstrip("-._0123456789")
    found = [word for word in (*_SECRET_WORDS, "key") if low.endswith(word)]
    return max(found, key=len, default="secret")


def _widen(text: str, start: int, end: int) -> tuple[int, int]:
    while start > 0 and _NAME_CHARACTERS.match(text[start - 1]):
        start -= 1
    while end < len(text) and _NAME_CHARACTERS.match(text[end]):
        end += 1
    return start, end


def _find_value(text: str, start: int, end: int, program: bool) -> tuple[int, int] | None:
    """Where the value of the name at `start:end` stands, if it is to be replaced."""
    line_start = text.rfind("\n", 0, start) + 1
    before = text[line_start:start]
    comment = before.lstrip().startswith(("#", ";", "//", "*", "--", "!"))
    separator = _SEPARATOR.match(text, end)
    option = False
    if separator is None and before.endswith((" ", "\t")) and text.startswith("--", start):
        separator, option = _BLANK.match(text, end), True
    if separator is None or ("," in separator[0] and not _CALLED.search(before)):
        return None
    context = _Context(comment, program)
    at = separator.end()
    quoted = _QUOTED.match(text, at)
    if quoted:
        low, high = quoted.span(2)
        return (low, high) if _is_value(text[low:high], context) else None
    bare = _BARE.match(text, at)
    if bare is None or (program and not _is_assignment(text, start, separator, option)):
        return None
    low, high = bare.span()
    if separator[0] == ">":
        high = text.find("<", low)
    elif not program and not comment and not before.strip():
        high = _find_line_end(text, low)
    else:
        high = low + len(re.split(r"[;,&|)}\]]", text[low:high])[0])
    return (low, high) if high > low and _is_value(text[low:high], context) else None


def _is_assignment(text: str, start: int, separator: re.Match[str], option: bool) -> bool:
    """In a program only `NAME=value` of a shell, or an option, is a literal value."""
    before = text[max(0, start - 1) : start]
    return option or (separator[0] == "=" and before in {"", " ", "\t", "\n", ";"})


def _find_line_end(text: str, at: int) -> int:
    """The end of a value that takes the rest of its line: up to a comment or a closing
    mark, without trailing blanks."""
    end = text.find("\n", at)
    rest = text[at : end if end >= 0 else len(text)]
    rest = re.split(r"[ \t]+[#;]", rest)[0].rstrip()
    return at + len(rest.rstrip(",;").rstrip())


def _is_value(value: str, context: _Context) -> bool:
    if not value.strip() or value.lower() in _HARMLESS or _VARIABLE.fullmatch(value):
        return False
    if _PATH.fullmatch(value) or value.startswith("-----BEGIN") or _SCHEME.fullmatch(value):
        return False
    if context.program and (re.search(r"\$[\w({]|\s|[()\[\]]", value) or len(value) < 4):
        return False
    if context.comment:
        return len(value) >= 6 and " " not in value and _count_classes(value) >= 2
    return True


def _count_classes(value: str) -> int:
    tests = (str.islower, str.isupper, str.isdigit, lambda c: not c.isalnum())
    return sum(any(test(c) for c in value) for test in tests)


# -- credentials in addresses and commands -----------------------------------------------

_URL = re.compile(r"\b[a-z][a-z0-9+.-]{1,20}://([^\s/@:\"'<>]*):([^\s/@\"'<>]+)@", re.IGNORECASE)
_BASIC = re.compile(r"\b(Basic|Bearer|Token|token|Digest)[ \t]+([A-Za-z0-9+/=._~-]{8,})")
# "Token Revocation", "Digest Authentication": headings, not headers.
_PLAIN_WORD = re.compile(r"[A-Z]?[a-z]+(?:[-_.][A-Za-z]?[a-z]+)*|[A-Z]+")


def find_credentials(text: str, vault: Vault) -> Iterator[Edit]:
    """Passwords inside addresses, authorisation headers and well-known command lines."""
    if "://" in text:
        yield from _find_url_credentials(text, vault)
    for match in _BASIC.finditer(text):
        if _PLAIN_WORD.fullmatch(match[2]):
            continue
        if _count_classes(match[2]) >= 2 and (match[1] != "Basic" or _read_basic(match[2])):
            new = _swap_header(match[1], match[2], vault)
            yield Edit(match.start(2), match.end(2), new, "authorisation", match[1].lower())
    for rule, pattern in COMMANDS:
        for match in pattern.finditer(text):
            low, high = match.span(1)
            if text[low] in "\"'" and text[high - 1] == text[low]:
                low, high = low + 1, high - 1
            if high > low and text[low] not in "$%{":
                yield Edit(low, high, vault.swap(text[low:high], rule=rule), rule, "password")


def _find_url_credentials(text: str, vault: Vault) -> Iterator[Edit]:
    for match in _URL.finditer(text):
        if _VARIABLE.fullmatch(match[2]) or match[2].startswith(("$", "{")):
            continue
        new = vault.swap(match[2], rule="url-credentials")
        plain = unquote(match[2])
        if plain != match[2]:
            vault.settle(plain, unquote(new), rule="url-credentials", sweep=True)
        yield Edit(match.start(2), match.end(2), new, "url-credentials", "password")


def _read_basic(text: str) -> str:
    try:
        plain = base64.b64decode(text, validate=True).decode()
    except (ValueError, binascii.Error):
        return ""
    return plain if ":" in plain and plain.isprintable() else ""


def _swap_header(scheme: str, text: str, vault: Vault) -> str:
    plain = _read_basic(text) if scheme == "Basic" else ""
    if not plain:
        return vault.swap(text, rule="authorisation")
    user, _, password = plain.partition(":")
    new = f"{user}:{vault.swap(password, rule='authorisation')}" if password else plain
    return vault.settle(
        text, base64.b64encode(new.encode()).decode(), rule="authorisation", sweep=True
    )


# -- tokens --------------------------------------------------------------------------------

_CANDIDATE = re.compile(r"(?<![A-Za-z0-9+/=_-])[A-Za-z0-9+/_-]{20,}={0,2}(?![A-Za-z0-9+/=_-])")
_CANDIDATES = LinePattern(_CANDIDATE)
_UUID = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
_HEX = re.compile(r"[0-9a-f]+|[0-9A-F]+")
_HARMLESS_BEFORE = re.compile(
    r"(?:sha(?:1|224|256|384|512)|md5|b2|blake2b|fingerprint|signed-by|keyid|key id|uuid|partuuid|"
    r"integrity=\W?sha\d+|commit|revision|digest|checksum|build-?id|version)[\s\"':=(-]*$",
    re.IGNORECASE,
)
# Digests of nothing say nothing: MD5, SHA-1, SHA-256 (the values of RFC 1321, RFC 3174 and
# FIPS 180-4 for the empty message).
_EMPTY = frozenset({
    "d41d8cd98f00b204e9800998ecf8427e", "da39a3ee5e6b4b0d3255bfef95601890afd80709",
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
})  # fmt: skip
_CHECKSUM_PLACE = re.compile(
    r"/etc/(?:apt/(?:preferences|trusted|keyrings).*|ssl/certs/.*|ca-certificates\.conf|"
    r"fstab|crypttab|mdadm/.*|lvm/.*|default/grub.*|grub\.d/.*|udev/.*|initramfs-tools/.*|"
    r"ssh/moduli)"
)


def measure_entropy(text: str) -> float:
    """Shannon entropy in bits a character."""
    counts = Counter(text)
    return -sum(n / len(text) * math.log2(n / len(text)) for n in counts.values())


def find_random_tokens(path: str, text: str, vault: Vault) -> Iterator[Edit]:
    """Strings of 20 characters and more that are too random to be words.

    Kept: UUIDs (file systems are found by them), checksums and fingerprints that are
    named so, and everything where checksums and identifiers of disks and archive keys
    live. Entropy alone would flag those: the MD5 of nothing has 3.39 bits, a version 4
    UUID 3.76."""
    if _CHECKSUM_PLACE.fullmatch(path):
        return
    for match in _CANDIDATES.finditer(text):
        spans = list(_find_random_parts(match[0]))
        if spans and not _HARMLESS_BEFORE.search(text[max(0, match.start() - 40) : match.start()]):
            for low, high in spans:
                new = _swap_token(match[0][low:high], vault)
                start = match.start()
                yield Edit(start + low, start + high, new, "random-token", "token")


def _swap_token(token: str, vault: Vault) -> str:
    """Base64 of text is replaced by base64 of what stands for the text."""
    if read_base64_text(token, 12):
        return swap_written(token, vault, "random-token")
    return vault.swap(token, rule="random-token")


_PART = re.compile(r"[^/_-]+")
_WORDY = re.compile(r"\d{0,4}[A-Za-z]?[a-z]*\d{0,4}|[A-Z]*\d{0,4}|\d+|\d{8}T\d{6}Z?")


def _find_random_parts(text: str) -> Iterator[tuple[int, int]]:
    """The whole of a random string, or the random parts of a path or dashed name."""
    bare = text.rstrip("=")
    if _UUID.fullmatch(bare) or bare.lower() in _EMPTY:
        return
    parts = list(_PART.finditer(bare))
    wordy = [part for part in parts if _WORDY.fullmatch(part[0])]
    if len(wordy) == len(parts):
        return
    if len(parts) > 1 and 2 * len(wordy) >= len(parts):
        yield from (part.span() for part in parts if len(part[0]) >= 16 and looks_random(part[0]))
    elif looks_random(text):
        yield 0, len(text)


def looks_random(text: str) -> bool:
    """Hexadecimal from 32 digits with 3 bits a character; otherwise letters and digits
    with 3.3 bits a character that change their class as words and versions do not.

    Of random base64 about 64 in 100 neighbours differ in class (lower, upper, digit,
    mark), of random lower-case letters and digits 40; of names well below 25."""
    bare = text.rstrip("=")
    if _HEX.fullmatch(bare):
        return len(bare) >= 32 and measure_entropy(bare) >= 3.0 and not bare.isdigit()
    if measure_entropy(bare) < 3.3:
        return False
    pairs = [(_class_of(a), _class_of(b)) for a, b in pairwise(bare)]
    share = sum(a != b for a, b in pairs) / len(pairs)
    if share >= 0.45:
        return True
    if sum(c.isdigit() for c in bare) < 2:
        return False
    if share >= 0.25 and _longest_word(bare) <= 7:
        return True
    borders = sum((a == 2) != (b == 2) for a, b in pairs)
    return bare.isalnum() and borders >= 5


def _class_of(character: str) -> int:
    if character.islower():
        return 0
    if character.isupper():
        return 1
    return 2 if character.isdigit() else 3


def _longest_word(text: str) -> int:
    return max((len(word) for word in re.findall(r"[A-Z]?[a-z]+|[A-Z]+", text)), default=0)
