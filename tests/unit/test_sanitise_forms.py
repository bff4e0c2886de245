"""Forms of replacements: crypt(5) hashes, keys, tokens.

Prefixes and lengths: crypt(5) of libxcrypt; published vectors as named beside each."""

from __future__ import annotations

import base64
import random
import re
import string

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed25519, rsa, x25519
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)
from hypothesis import given
from hypothesis import strategies as st

from forerun.stages.sanitise_detect import is_secret_name, looks_random, measure_entropy
from forerun.stages.sanitise_edit import Edit, Sheet
from forerun.stages.sanitise_forms import CRYPT_HASH, draw_crypt_hash
from forerun.stages.sanitise_keys import (
    PrivateKey,
    find_private_keys,
    find_wireguard_keys,
    read_openssh_public,
    swap_ssh_public,
)
from forerun.stages.sanitise_vault import Stream, Vault, is_telling

# crypt(5): prefix, salt and hash lengths of each scheme.
FORMS = {
    "1": r"\$1\$[^$]{1,8}\$[./0-9A-Za-z]{22}",
    "5": r"\$5\$(rounds=\d+\$)?[^$]{1,16}\$[./0-9A-Za-z]{43}",
    "6": r"\$6\$(rounds=\d+\$)?[^$]{1,16}\$[./0-9A-Za-z]{86}",
    "2b": r"\$2[abxy]\$\d\d\$[./A-Za-z0-9]{53}",
    "y": r"\$y\$[./A-Za-z0-9]+\$[./A-Za-z0-9]{1,86}\$[./A-Za-z0-9]{43}",
    "apr1": r"\$apr1\$[^$]{1,8}\$[./0-9A-Za-z]{22}",
}
VECTORS = {
    # Drepper's SHA-crypt specification.
    "6": "$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEd"
    "FCoEOfaS35inz1",
    "6r": "$6$rounds=10000$saltstringsaltst$OW1/O6BYHV6BcXZu8QVeXbDWra3Oeqh0sbHbbMCVNSnCM/UrjmM0"
    "Dp8vOuZeHBy/YTBmSK6H9qs/y3RnOaw5v.",
    "5": "$5$saltstring$5B8vYYiY.CVt1RlTTf8KbXBH3hsxY/GNooZaBBGWEc5",
    # libxcrypt's known answers.
    "2b": "$2b$05$CCCCCCCCCCCCCCCCCCCCC.E5YPO9kmyuRGyh0XouQYb4YMJKvyOeW",
    # Openwall's yescrypt test vectors.
    "y": "$y$j75$LdJMENpBABJJ3hIHjB1Bi.$tUlUF19mIl6XpRTpX7LBp5ABKS8KSmDfP1gXFrZ6Sy8",
    # Apache's documentation of password formats.
    "apr1": "$apr1$r31.....$HqJZimcKQFAMYayBlzkrA/",
}


@pytest.mark.parametrize("name", VECTORS)
def test_crypt_hash_keeps_scheme_cost_and_lengths(name: str) -> None:
    """The published hash is recognised whole, and so is what replaces it, alike in form."""
    old = VECTORS[name]
    assert CRYPT_HASH.fullmatch(old)
    new = draw_crypt_hash(old, Stream(b"key", b"label"))
    assert new != old
    assert [len(part) for part in new.split("$")] == [len(part) for part in old.split("$")]
    form = FORMS[name.rstrip("r")]
    assert re.fullmatch(form, old) and re.fullmatch(form, new)
    fields_with_cost = 3 if name in {"6r", "y", "2b"} else 2
    assert new.split("$")[:fields_with_cost] == old.split("$")[:fields_with_cost]


def test_private_key_containers() -> None:
    """Each container and type comes back as the same container, type and size."""
    keys: list[tuple[PrivateKey, PrivateFormat]] = [
        (rsa.generate_private_key(public_exponent=65537, key_size=2048), PrivateFormat.PKCS8),
        (rsa.generate_private_key(public_exponent=65537, key_size=2048), PrivateFormat.OpenSSH),
        (ec.generate_private_key(ec.SECP384R1()), PrivateFormat.TraditionalOpenSSL),
        (ed25519.Ed25519PrivateKey.generate(), PrivateFormat.PKCS8),
        (ed25519.Ed25519PrivateKey.generate(), PrivateFormat.OpenSSH),
    ]
    for key, form in keys:
        old = key.private_bytes(Encoding.PEM, form, NoEncryption()).decode()
        new = renew(old)
        assert new.splitlines()[0] == old.splitlines()[0]
        load = (
            serialization.load_ssh_private_key
            if form is PrivateFormat.OpenSSH
            else serialization.load_pem_private_key
        )
        made = load(new.encode(), password=None)
        assert type(made) is type(key)
        if isinstance(key, rsa.RSAPrivateKey) and isinstance(made, rsa.RSAPrivateKey):
            assert made.key_size == key.key_size
            assert made.private_numbers() != key.private_numbers()


def renew(pem: str) -> str:
    sheet = Sheet(pem)
    sheet.accept(find_private_keys(pem, Vault()))
    return sheet.apply("")[0]


def test_encrypted_keys_stay_encrypted() -> None:
    """A key behind a passphrase is replaced by one behind a passphrase nobody has."""
    locked = BestAvailableEncryption(b"open sesame 42")
    key = ed25519.Ed25519PrivateKey.generate()
    for form in (PrivateFormat.OpenSSH, PrivateFormat.PKCS8):
        old = key.private_bytes(Encoding.PEM, form, locked).decode()
        new = renew(old)
        assert new != old and new.splitlines()[0] == old.splitlines()[0]
        if form is PrivateFormat.OpenSSH:
            found = read_openssh_public(new)
            assert found is not None and found[1] != "none"
        else:
            with pytest.raises(TypeError):
                serialization.load_pem_private_key(new.encode(), password=None)


def test_unreadable_armour_keeps_its_lines() -> None:
    """A damaged or unknown private block is drawn anew, line by line as long as before."""
    body = "\n".join(base64.b64encode(random.Random(n).randbytes(48)).decode() for n in range(5))
    label = "PGP PRIVATE KEY BLOCK"
    old = f"-----BEGIN {label}-----\n\n{body}\n=abcd\n-----END {label}-----\n"
    new = renew(old)
    assert [len(line) for line in new.splitlines()] == [len(line) for line in old.splitlines()]
    assert not set(body.split()) & set(new.split())


def test_public_armour_is_no_private_key() -> None:
    """Public keys, revocation lists and parameters are left alone."""
    for label in ("PUBLIC KEY", "X509 CRL", "DH PARAMETERS", "PGP PUBLIC KEY BLOCK"):
        text = f"-----BEGIN {label}-----\nAAECAwQFBgcICQoLDA0ODxAREhMUFRYX\n-----END {label}-----\n"
        assert renew(text) == text


def test_key_written_on_one_line_stays_on_one_line() -> None:
    """`\\n` written out, as in JSON and environment files, is kept."""
    key = ec.generate_private_key(ec.SECP256R1())
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()).decode().strip()
    new = renew('{"key": "' + pem.replace("\n", "\\n") + '"}')
    assert "\n" not in new and new.count("\\n") == pem.count("\n")
    inner = new.split('"')[3].replace("\\n", "\n")
    serialization.load_pem_private_key(inner.encode(), password=None)


def ssh_text(key: rsa.RSAPublicKey | ec.EllipticCurvePublicKey | dsa.DSAPublicKey) -> str:
    line = key.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()
    return line.split()[1]


@pytest.mark.parametrize("curve", [ec.SECP256R1(), ec.SECP384R1(), ec.SECP521R1()])
def test_ecdsa_public_keys_are_points_of_the_curve(curve: ec.EllipticCurve) -> None:
    """A drawn point would not be on the curve; a program that loads the file would stop."""
    old = ssh_text(ec.generate_private_key(curve).public_key())
    new = swap_ssh_public(old, Vault())
    name = base64.b64decode(new)[4:23].decode()
    loaded = serialization.load_ssh_public_key(f"{name} {new}".encode())
    assert isinstance(loaded, ec.EllipticCurvePublicKey) and loaded.curve.name == curve.name
    assert new != old


def test_rsa_public_key_keeps_size_and_exponent() -> None:
    """The same number of bits and e = 65537, with a modulus nobody has factors of."""
    old = ssh_text(rsa.generate_private_key(public_exponent=65537, key_size=3072).public_key())
    vault = Vault()
    new = swap_ssh_public(old, vault)
    loaded = serialization.load_ssh_public_key(f"ssh-rsa {new}".encode())
    assert isinstance(loaded, rsa.RSAPublicKey)
    assert loaded.key_size == 3072 and loaded.public_numbers().e == 65537
    assert swap_ssh_public(old, vault) == new


def test_wireguard_pair_of_the_rfc_stays_a_pair() -> None:
    """RFC 7748, section 6.1: its private and public keys, in either order of files, come
    out as a pair again when the private one is asked for first."""
    private = "dwdtCnMYpX08FsFyUbJmRd9ML4frwJkqsXf7pR25LCo="
    public = "hSDwCYkwp1R0i33ctD73Wg2/Og0mOBr066SpjqqbTmo="
    text = f"PrivateKey = {private}\nPublicKey = {public}\n"
    vault = Vault()
    sheet = Sheet(text)
    sheet.accept(find_wireguard_keys(sheet.rest, vault, public=False))
    sheet.accept(find_wireguard_keys(sheet.rest, vault, public=True))
    new_private, new_public = re.findall(r"= (\S+)", sheet.apply("")[0])
    key = x25519.X25519PrivateKey.from_private_bytes(base64.b64decode(new_private))
    assert base64.b64encode(key.public_key().public_bytes_raw()).decode() == new_public
    assert private not in sheet.apply("")[0] and public not in sheet.apply("")[0]


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=60))
def test_every_value_is_replaced_by_another(original: str) -> None:
    """Whatever the value, its replacement differs, is the same each time, and is text."""
    vault = Vault(key=b"k" * 32)
    new = vault.swap(original, rule="r")
    assert new != original and new
    assert vault.swap(original, rule="r") == new


def test_like_keeps_classes_and_hexadecimal() -> None:
    """Letters and digits keep their class; hexadecimal stays hexadecimal."""
    stream = Stream(b"key", b"label")
    assert re.fullmatch(r"[A-Z][a-z]{2}-\d\d!", stream.like("Abc-12!"))
    assert re.fullmatch(r"[0-9a-f]{32}", stream.like("2b00042f7481c7b056c4b410d28f33cf"))


@pytest.mark.parametrize(
    ("text", "bits"),
    [("", 0.0), ("aaaa", 0.0), ("abcd", 2.0), ("password", 2.75), ("Mississippi", 1.823068),
     ("d41d8cd98f00b204e9800998ecf8427e", 3.391127)],
)  # fmt: skip
def test_entropy_of_known_texts(text: str, bits: float) -> None:
    """Shannon's formula, recomputed by hand for these."""
    assert measure_entropy(text) == pytest.approx(bits, abs=1e-6)


@pytest.mark.parametrize("size", [24, 32, 48])
def test_random_base64_is_found_nearly_always(size: int) -> None:
    """Of 1000 random base64 strings at least 995 are found."""
    draw = random.Random(size)
    texts = [base64.b64encode(draw.randbytes(size)).decode() for _ in range(1000)]
    assert sum(looks_random(text) for text in texts) >= 995


def test_random_lower_case_tokens_are_found_mostly() -> None:
    """Of 1000 tokens of 32 lower-case letters and digits at least 980 are found."""
    draw = random.Random(7)
    alphabet = string.ascii_lowercase + string.digits
    texts = ["".join(draw.choices(alphabet, k=32)) for _ in range(1000)]
    assert sum(looks_random(text) for text in texts) >= 980


SECRET_NAMES = ("password", "db_password", "DB_PASSWORD", "dbPassword", "apiKey", "client-secret",
                "requirepass", "SMTP_PASS", "auth_token", "secret_key", "bindpw",
                "password2")  # fmt: skip
OTHER_NAMES = ("password_file", "PasswordAuthentication", "PASS_MAX_DAYS", "token_ttl", "KEYMAP",
               "primary_key", "bypass", "secretary", "passenger", "sasl_passwd_maps")  # fmt: skip


@pytest.mark.parametrize("name", SECRET_NAMES)
def test_secret_names(name: str) -> None:
    """The last word of a name decides."""
    assert is_secret_name(name)


@pytest.mark.parametrize("name", OTHER_NAMES)
def test_names_that_are_not_secret(name: str) -> None:
    """A file, a limit or a switch about passwords is no password."""
    assert not is_secret_name(name)


def test_what_is_swept_for() -> None:
    """Short, common and plain words are replaced in their place only."""
    assert is_telling("hunter2x") and is_telling("S3cr3t")
    for word in ("public", "changeme", "abc", "monkey", "Monkey", "123456"):
        assert not is_telling(word)


def test_overlapping_edits_keep_the_first() -> None:
    """The rule asked first wins, and later ones do not even see the place."""
    sheet = Sheet("one two three")
    sheet.accept([Edit(4, 7, "TWO", "a", "k")])
    assert "two" not in sheet.rest and len(sheet.rest) == len(sheet.text)
    sheet.accept([Edit(0, 13, "ALL", "b", "k"), Edit(8, 13, "3", "c", "k")])
    text, rows = sheet.apply("p")
    assert text == "one TWO 3"
    assert [row.rule for row in rows] == ["a", "c"]
