"""Keys and certificates: each is replaced by a new one of the same type and size.

A private key and its public halves (`.pub`, authorized_keys, certificates) stay a pair:
the vault remembers which new key stands for which old one, by the old public key.
Sources: RFC 7468 (PEM), RFC 4253 6.6 and RFC 5656 (SSH key blobs), OpenSSH PROTOCOL.key,
RFC 7748 (X25519, as WireGuard uses it).
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Callable, Iterator

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, rsa, x448, x25519
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_vault import Stream, Vault

PrivateKey = (
    rsa.RSAPrivateKey
    | ec.EllipticCurvePrivateKey
    | dsa.DSAPrivateKey
    | ed25519.Ed25519PrivateKey
    | ed448.Ed448PrivateKey
    | x25519.X25519PrivateKey
    | x448.X448PrivateKey
)

PEM = re.compile(r"-----BEGIN ([A-Z0-9][A-Z0-9 ]*?)-----(.*?)-----END \1-----", re.DOTALL)
# What these armours hold is public; certificates are handled on their own.
_PUBLIC_LABELS = frozenset({
    "CERTIFICATE", "TRUSTED CERTIFICATE", "X509 CERTIFICATE", "PUBLIC KEY", "RSA PUBLIC KEY",
    "X509 CRL", "DH PARAMETERS", "EC PARAMETERS", "DSA PARAMETERS", "PKCS7", "CMS",
    "PGP PUBLIC KEY BLOCK", "PGP SIGNATURE", "PGP SIGNED MESSAGE", "SSH2 PUBLIC KEY",
})  # fmt: skip


def find_private_keys(text: str, vault: Vault) -> Iterator[Edit]:
    """Every armoured block that is not public, with a new one of its type."""
    if "-----BEGIN " not in text:
        return
    for match in PEM.finditer(text):
        label, body = match[1], match[2]
        if label in _PUBLIC_LABELS:
            continue
        _note_body(body, vault)
        new = _replace_armour(match[0], label, body, vault)
        yield Edit(match.start(), match.end(), new, "private-key", label.lower())


def _note_body(body: str, vault: Vault) -> None:
    """The lines of an armoured body are originals: one alone gives the key away. The
    first line is left out: it is much the same in every key of a type."""
    lines = [line for line in re.split(r"[\s]+|\\n", body) if re.fullmatch(r"[\w+/=]{24,}", line)]
    for line in lines[1:] or lines:
        vault.note(line, rule="private-key")


def _replace_armour(whole: str, label: str, body: str, vault: Vault) -> str:
    if "PRIVATE KEY" in label:
        plain = re.sub(r"\\n", "\n", whole)
        plain = "\n".join(line.strip() for line in plain.splitlines()) + "\n"
        new = _renew_private_key(plain, label, vault)
        if new:
            return _lay_out(new.strip("\n"), whole)
    # No reader for it: the same letters and lines, drawn anew.
    drawn = vault.stream("armour", body)
    redrawn = re.sub(
        r"(?<![\w+/])[A-Za-z0-9+/]{16,}={0,2}(?![\w+/])", lambda m: drawn.like(m[0]), body
    )
    return f"-----BEGIN {label}-----{redrawn}-----END {label}-----"


def _lay_out(pem: str, like: str) -> str:
    """The new block with the old one's indentation, or its `\\n` written out."""
    if "\\n" in like and "\n" not in like:
        return pem.replace("\n", "\\n")
    after = re.search(r"\r?\n([ \t]*)", like)
    return pem.replace("\n", "\n" + after[1]) if after and after[1] else pem


def _renew_private_key(pem: str, label: str, vault: Vault) -> str:
    """A new private key in the same container; empty when the old one is unreadable."""
    data = pem.encode("ascii", "replace")
    encrypted = label.startswith("ENCRYPTED") or "ENCRYPTED" in pem.partition("\n\n")[0]
    if label == "OPENSSH PRIVATE KEY":
        public = read_openssh_public(pem)
        if public is None:
            return ""
        blob, cipher = public
        new: PrivateKey | None = vault.keep_object("key", blob, lambda: _make_ssh_like(blob))
        closed = cipher != "none"
        return _write_private(new, PrivateFormat.OpenSSH, closed, vault) if new else ""
    try:
        if encrypted:
            new = vault.keep_object("key", data, lambda: _make_for_label(label))
        else:
            old = serialization.load_pem_private_key(data, password=None)
            new = renew_key(old, vault)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return ""
    traditional = label.startswith(("RSA", "EC", "DSA"))
    form = PrivateFormat.TraditionalOpenSSL if traditional else PrivateFormat.PKCS8
    return _write_private(new, form, encrypted, vault) if new else ""


def _make_for_label(label: str) -> PrivateKey:
    """A key in place of one that cannot be read without its passphrase."""
    if label.startswith("RSA"):
        return rsa.generate_private_key(public_exponent=65537, key_size=2048)
    return ec.generate_private_key(ec.SECP256R1())


def renew_key(old: object, vault: Vault) -> PrivateKey | None:
    """The new private key that stands for this old one, remembered by both forms of its
    public key, so that certificates and SSH keys find it."""
    make = maker_like(old)
    if make is None:
        return None
    public = old.public_key()  # type: ignore[attr-defined]
    new = vault.keep_object("key", spki(public), make)
    ssh = ssh_blob(public)
    if ssh:
        vault.keep_object("key", ssh, lambda: new)
    return new


def maker_like(old: object) -> Callable[[], PrivateKey] | None:
    """How a key of the same type and size is made; takes a private or a public key."""
    if isinstance(old, rsa.RSAPrivateKey | rsa.RSAPublicKey):
        # Below 1024 bits the library refuses; such a key is as good as none.
        size = max(1024, old.key_size)
        return lambda: rsa.generate_private_key(public_exponent=65537, key_size=size)
    if isinstance(old, ec.EllipticCurvePrivateKey | ec.EllipticCurvePublicKey):
        curve = old.curve
        return lambda: ec.generate_private_key(curve)
    if isinstance(old, dsa.DSAPrivateKey | dsa.DSAPublicKey):
        bits = old.key_size
        return lambda: dsa.generate_private_key(bits)
    simple: tuple[tuple[type, type, Callable[[], PrivateKey]], ...] = (
        (ed25519.Ed25519PrivateKey, ed25519.Ed25519PublicKey, ed25519.Ed25519PrivateKey.generate),
        (ed448.Ed448PrivateKey, ed448.Ed448PublicKey, ed448.Ed448PrivateKey.generate),
        (x25519.X25519PrivateKey, x25519.X25519PublicKey, x25519.X25519PrivateKey.generate),
        (x448.X448PrivateKey, x448.X448PublicKey, x448.X448PrivateKey.generate),
    )
    return next((make for *kinds, make in simple if isinstance(old, tuple(kinds))), None)


def _write_private(key: PrivateKey, form: PrivateFormat, closed: bool, vault: Vault) -> str:
    locked: KeySerializationEncryption = NoEncryption()
    if closed:
        locked = BestAvailableEncryption(
            vault.stream("passphrase", "new key").take(24).hex().encode()
        )
    return key.private_bytes(Encoding.PEM, form, locked).decode()


def spki(public: object) -> bytes:
    """SubjectPublicKeyInfo in DER (RFC 5280 4.1.2.7)."""
    made: bytes = public.public_bytes(  # type: ignore[attr-defined]
        Encoding.DER, PublicFormat.SubjectPublicKeyInfo
    )
    return made


def ssh_blob(public: object) -> bytes:
    """The SSH form of a public key, empty where SSH has none."""
    try:
        line: bytes = public.public_bytes(  # type: ignore[attr-defined]
            Encoding.OpenSSH, PublicFormat.OpenSSH
        )
    except (ValueError, UnsupportedAlgorithm):
        return b""
    return base64.b64decode(line.split()[1])


_MAGIC = b"openssh-key-v1\0"


def read_openssh_public(pem: str) -> tuple[bytes, str] | None:
    """(public key blob, cipher) of an OpenSSH private key: both stand in clear."""
    body = "".join(line for line in pem.splitlines() if not line.startswith("-----"))
    try:
        data = base64.b64decode(body)
        if not data.startswith(_MAGIC):
            return None
        cipher, at = _read_string(data, len(_MAGIC))
        _kdf, at = _read_string(data, at)
        _options, at = _read_string(data, at)
        blob, _ = _read_string(data, at + 4)
    except (ValueError, binascii.Error):
        return None
    return blob, cipher.decode("ascii", "replace")


def _read_string(data: bytes, at: int) -> tuple[bytes, int]:
    size = int.from_bytes(data[at : at + 4], "big")
    if at + 4 + size > len(data):
        raise ValueError("the key ends early")
    return data[at + 4 : at + 4 + size], at + 4 + size


def _make_ssh_like(blob: bytes) -> PrivateKey | None:
    kind = _read_string(blob, 0)[0].decode("ascii", "replace")
    line = f"{kind} {base64.b64encode(blob).decode()}".encode()
    try:
        make = maker_like(serialization.load_ssh_public_key(line))
    except (ValueError, UnsupportedAlgorithm):
        return None
    return make() if make else None


# -- public halves ---------------------------------------------------------------------

SSH_PUBLIC = re.compile(
    r"(?<![\w-])((?:sk-)?(?:ssh-(?:rsa|dss|ed25519)|ecdsa-sha2-nistp(?:256|384|521))(?:@openssh\.com)?)"
    r"([ \t]+)(AAAA[A-Za-z0-9+/]{40,}={0,3})(?:([ \t]+)([^\r\n\"']*[^\s\"']))?"
)


def find_public_keys(text: str, vault: Vault) -> Iterator[Edit]:
    """SSH public keys and their comments. To be asked after all private keys."""
    if "AAAA" not in text:
        return
    for match in SSH_PUBLIC.finditer(text):
        new = swap_ssh_public(match[3], vault)
        yield Edit(match.start(3), match.end(3), new, "ssh-public-key", match[1])
        if match[5]:
            comment = vault.swap(match[5], rule="key-comment", make=_draw_comment)
            yield Edit(match.start(5), match.end(5), comment, "key-comment", "comment")


def _draw_comment(stream: Stream) -> str:
    return f"key-{stream.take(3).hex()}@host.test"


def swap_ssh_public(text: str, vault: Vault) -> str:
    """The new public key, base64, for this old one."""
    known = vault.find(text)
    if known:
        return known
    try:
        blob = base64.b64decode(text)
        private: PrivateKey | None = vault.keep_object("key", blob, lambda: _make_cheap(blob))
        new = ssh_blob(private.public_key()) if private else _redraw_blob(blob, vault)
    except (ValueError, binascii.Error):
        new = vault.stream("ssh", text).take(len(text) * 3 // 4)
    return vault.settle(text, base64.b64encode(new).decode(), rule="ssh-public-key")


def _make_cheap(blob: bytes) -> PrivateKey | None:
    """A pair for the types that are quick to make; others keep only their shape."""
    kind = _read_string(blob, 0)[0]
    return _make_ssh_like(blob) if kind == b"ssh-ed25519" or kind.startswith(b"ecdsa-") else None


def _redraw_blob(blob: bytes, vault: Vault) -> bytes:
    """The same fields and lengths with drawn numbers: nobody has the private half.

    Names (type, curve, application) and short numbers (an exponent) stay; the top byte
    stays, so that lengths do, and numbers are odd, as a modulus is."""
    stream = vault.stream("ssh-blob", blob)
    parts: list[bytes] = []
    at = 0
    while at < len(blob):
        part, at = _read_string(blob, at)
        if len(part) >= 20 and not part.isascii():
            part = part[:2] + stream.take(len(part) - 3) + bytes([stream.take(1)[0] | 1])
        parts.append(len(part).to_bytes(4, "big") + part)
    return b"".join(parts)


_WIREGUARD = re.compile(
    r"^([ \t]*(PrivateKey|PresharedKey|PublicKey|private-key|preshared-key)[ \t]*=[ \t]*"
    r"|\[wireguard-(peer)\.)([A-Za-z0-9+/]{43}=)",
    re.MULTILINE,
)
# As wg(8) calls what NetworkManager's settings have.
_WIREGUARD_KINDS = {"private-key": "PrivateKey", "preshared-key": "PresharedKey"}


def keep_wireguard_public(text: str) -> Iterator[Edit]:
    """Public keys as they are: no rule for tokens may draw another text for one, which
    would be no key (43 characters hold 258 bits, a key 256)."""
    for match in _WIREGUARD.finditer(text):
        if match[3] or match[2] == "PublicKey":
            yield Edit(match.start(4), match.end(4), match[4], "", "")


def find_wireguard_keys(text: str, vault: Vault, *, public: bool) -> Iterator[Edit]:
    """WireGuard's keys: 32 bytes in base64. `public` ones are asked for after all
    private ones, so that both halves stay a pair."""
    for match in _WIREGUARD.finditer(text):
        kind = "PublicKey" if match[3] else _WIREGUARD_KINDS.get(match[2], match[2])
        if (kind == "PublicKey") == public:
            new = swap_wireguard_key(match[4], vault, kind=kind)
            yield Edit(match.start(4), match.end(4), new, "wireguard-key", kind)


def swap_wireguard_key(text: str, vault: Vault, *, kind: str) -> str:
    """The new key for this one; `kind` is the name of its setting in wg(8)."""
    known = vault.find(text)
    if known or vault.is_made(text):
        return known or text
    stream = vault.stream("wireguard", text)
    private = x25519.X25519PrivateKey.from_private_bytes(_clamp(stream.take(32)))
    if kind == "PrivateKey":
        old = x25519.X25519PrivateKey.from_private_bytes(base64.b64decode(text))
        vault.settle(_write_public(old), _write_public(private), rule="wireguard-key", sweep=True)
        new = _write_raw(private)
    elif kind == "PublicKey":
        new = _write_public(private)
    else:
        new = base64.b64encode(stream.take(32)).decode()
    return vault.settle(text, new, rule="wireguard-key", sweep=True)


def _clamp(value: bytes) -> bytes:
    """As `wg genkey` does: RFC 7748, section 5."""
    return bytes([value[0] & 248]) + value[1:31] + bytes([(value[31] & 127) | 64])


def _write_raw(key: x25519.X25519PrivateKey) -> str:
    raw = key.private_bytes(Encoding.Raw, PrivateFormat.Raw, NoEncryption())
    return base64.b64encode(raw).decode()


def _write_public(key: x25519.X25519PrivateKey) -> str:
    raw = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    return base64.b64encode(raw).decode()
