"""What stands for a secret is of the same form, by the word of outside readers: libcrypt,
hashlib, `cryptography`, paramiko, and the parsers of the standard library and PyYAML."""

from __future__ import annotations

import base64
import bz2
import configparser
import gzip
import hashlib
import hmac
import html
import io
import json
import lzma
import re
import struct
import tomllib
import warnings
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import unquote

import paramiko
import pytest
import yaml
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa, x25519
from cryptography.hazmat.primitives.serialization import pkcs12
from tests.secret_garden import FORMS, SALTS, Garden, make_scram
from tests.unit.test_sanitise_500 import Harvest, grow

from forerun.model.raw import ServerNames
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_detect import measure_entropy
from forerun.stages.sanitise_pairs import hash_crypt, write_scram
from forerun.stages.sanitise_vault import Vault

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)
    import crypt


@pytest.fixture(scope="module")
def harvest() -> Harvest:
    return grow()


def read_logins(harvest: Harvest) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None)
    parser.read_string(harvest.text("/etc/app/logins.ini"))
    return parser


@pytest.mark.parametrize("number", range(len(SALTS)))
def test_a_hash_still_fits_its_password(harvest: Harvest, number: int) -> None:
    """libcrypt, asked for the new password with the new hash as its setting, gives the new
    hash; scheme and cost are the old ones, salt and password are not."""
    plain = read_logins(harvest)[f"svc{number}"]["password"]
    line = next(
        r for r in harvest.text("/etc/shadow").splitlines() if r.startswith(f"svc{number}:")
    )
    hashed = line.split(":")[1]
    assert crypt.crypt(plain, hashed) == hashed
    assert plain != harvest.garden.plain[f"crypt{number}"]
    cost = re.match(r"\$(?:1|2b\$\d\d|5\$rounds=\d+|6|y\$\w+)\$", SALTS[number])
    assert cost and hashed.startswith(cost[0])
    assert len(hashed) == len(crypt.crypt("x", SALTS[number]))


def test_web_and_directory_hashes_fit(harvest: Harvest) -> None:
    """{SHA} and {SSHA} (RFC 2307 and OpenLDAP's), PostgreSQL's SCRAM verifier and md5,
    MySQL's double SHA-1: all of the one new password, by hashlib."""
    plain = harvest.text("/etc/app/web.env").strip().rpartition("=")[2]
    assert plain != harvest.garden.plain["web"]
    sha = base64.b64encode(hashlib.sha1(plain.encode()).digest()).decode()
    assert f"op:{{SHA}}{sha}\n" in harvest.text("/etc/apache2/site.htdigest") + harvest.text(
        "/etc/apache2/site.htpasswd"
    )
    raw = base64.b64decode(harvest.text("/etc/ldap/slapd.conf").split("{SSHA}")[1])
    assert hashlib.sha1(plain.encode() + raw[20:]).digest() == raw[:20]
    lines = harvest.text("/etc/pgbouncer/userlist.txt").splitlines()
    verifier = lines[0].split('"')[3]
    salt = base64.b64decode(verifier.split(":")[1].split("$")[0])
    assert verifier == make_scram(plain, salt) and salt != b"0123456789abcdef"
    assert lines[1].split('"')[3] == "md5" + hashlib.md5((plain + "appuser").encode()).hexdigest()
    double = hashlib.sha1(hashlib.sha1(plain.encode()).digest()).hexdigest().upper()
    assert f'"*{double}"' in harvest.text("/etc/proxysql.cnf")


@pytest.mark.parametrize("name", sorted(FORMS))
def test_an_encoded_twin_is_that_of_the_new_secret(harvest: Harvest, name: str) -> None:
    """Base64, hexadecimal and plain digests, before and after the file that tells the
    secret: what stands there is the same form of the replacement."""
    number = list(FORMS).index(name)
    text = harvest.text("/etc/keys.ini")
    plain = re.search(rf"^k{number}_password = (.*)$", text, re.MULTILINE)
    assert plain and plain[1] != harvest.garden.plain[f"twin {name}"]
    place = f"/etc/{'aa' if number % 2 else 'zz'}-twins/{number}.txt"
    assert harvest.text(place) == f"value {FORMS[name](plain[1].encode())} end\n"


def test_an_odd_secret_is_one_in_all_its_writings(harvest: Harvest) -> None:
    """JSON escapes, percent-encoding and character references of one secret decode, by
    the standard library, to one replacement."""
    new = harvest.text("/etc/odd/odd.secret").strip()
    assert json.loads(harvest.text("/etc/odd/odd.json"))["remark"] == f"is {new}"
    assert unquote(harvest.text("/etc/odd/url.txt")).strip().endswith("=" + new)
    assert html.unescape(harvest.text("/etc/odd/page.html")).strip() == f"<b>{new}</b>"


# -- keys ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["ed25519", "ecdsa", "rsa"])
def test_host_keys_load_and_are_pairs(harvest: Harvest, kind: str) -> None:
    """paramiko, another reader than the one that wrote them, finds the .pub's key."""
    readers: dict[str, Any] = {
        "ed25519": paramiko.Ed25519Key,
        "ecdsa": paramiko.ECDSAKey,
        "rsa": paramiko.RSAKey,
    }
    path = f"/etc/ssh/ssh_host_{kind}_key"
    key = readers[kind].from_private_key(io.StringIO(harvest.text(path)))
    public = harvest.text(path + ".pub").split()
    assert public[:2] == [key.get_name(), key.get_base64()]
    assert f"{key.get_name()} {key.get_base64()}" in harvest.text("/etc/ssh/ssh_known_hosts")
    old = readers[kind].from_private_key(io.StringIO(harvest.garden.files[path].decode()))
    assert key.get_bits() == old.get_bits() and key != old


@pytest.mark.parametrize("name", ["pkcs8", "sec1", "pkcs1"])
def test_certificates_are_of_their_keys(harvest: Harvest, name: str) -> None:
    """Same kind and size of key, same end date, names under the new domain."""
    key = serialization.load_pem_private_key(
        harvest.files[f"/etc/ssl/private/{name}.key"], password=None
    )
    old = serialization.load_pem_private_key(
        harvest.garden.files[f"/etc/ssl/private/{name}.key"], password=None
    )
    new = x509.load_pem_x509_certificate(harvest.files[f"/etc/ssl/local/{name}.pem"])
    assert isinstance(key, rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey)
    assert isinstance(old, type(key)) and key.key_size == old.key_size
    assert new.public_key() == key.public_key()
    assert new.not_valid_after_utc == datetime(2028, 6, 1, tzinfo=UTC)
    names = new.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    domain = harvest.survey.host.partition(".")[2]
    assert all(n.endswith(domain) for n in names.get_values_for_type(x509.DNSName))
    assert (
        name not in {"pkcs1", "sec1"}
        or b"BEGIN PRIVATE" not in harvest.files[f"/etc/ssl/private/{name}.key"]
    )


def test_a_key_in_base64_of_its_armour_loads(harvest: Harvest) -> None:
    """The YAML has the same keys, the value decodes to a new key of the same curve."""
    data = yaml.safe_load(harvest.text("/etc/cluster/client.yaml"))
    pem = base64.b64decode(data["users"][0]["user"]["client-key-data"])
    key = serialization.load_pem_private_key(pem, password=None)
    assert isinstance(key, ec.EllipticCurvePrivateKey) and key.curve.name == "secp256r1"


def test_the_key_store_opens_with_the_new_password(harvest: Harvest) -> None:
    """PKCS#12 (RFC 7292): key and certificate of one kind, under the password that now
    stands in the properties file, and not under the old one."""
    new = harvest.text("/etc/app/store.properties").strip().partition("=")[2]
    data = harvest.files["/etc/app/store.p12"]
    store = pkcs12.load_pkcs12(data, new.encode())
    assert isinstance(store.key, rsa.RSAPrivateKey) and store.key.key_size == 2048
    assert store.cert and store.cert.certificate.public_key() == store.key.public_key()
    assert store.cert.certificate.not_valid_after_utc == datetime(2028, 6, 1, tzinfo=UTC)
    with pytest.raises(ValueError, match=r"(?i)password"):
        pkcs12.load_pkcs12(data, harvest.garden.plain["store"].encode())


def test_der_files_stay_a_pair(harvest: Harvest) -> None:
    """A key and a certificate in DER."""
    key = serialization.load_der_private_key(harvest.files["/etc/app/agent.der"], password=None)
    cert = x509.load_der_x509_certificate(harvest.files["/etc/app/agent.cer"])
    assert isinstance(key, ec.EllipticCurvePrivateKey) and cert.public_key() == key.public_key()


def read_keytab(data: bytes) -> list[tuple[list[str], int, int, int]]:
    """(realm and components, version, encryption type, key length) of each entry, read as
    MIT Kerberos' description of the format says; written for this test alone."""
    assert data[:2] == b"\x05\x02"
    stream, rows = io.BytesIO(data[2:]), []
    while head := stream.read(4):
        (size,) = struct.unpack(">i", head)
        body = io.BytesIO(stream.read(abs(size)))
        if size < 0:
            continue
        (count,) = struct.unpack(">H", body.read(2))
        names = []
        for _ in range(count + 1):
            (length,) = struct.unpack(">H", body.read(2))
            names.append(body.read(length).decode())
        _, _, version, kind, length = struct.unpack(">IIBHH", body.read(13))
        assert len(body.read(length)) == length
        rows.append((names, version, kind, length))
    return rows


def test_the_keytab_has_the_same_principals_and_types(harvest: Harvest) -> None:
    """Encryption types and key lengths stay; realm and host are the mapped names."""
    old = read_keytab(harvest.garden.files["/etc/krb5.keytab"])
    new = read_keytab(harvest.files["/etc/krb5.keytab"])
    assert [row[1:] for row in new] == [row[1:] for row in old]
    domain = harvest.survey.host.partition(".")[2]
    assert {(r[0][0], r[0][2]) for r in new} == {(domain.upper(), harvest.survey.host)}
    assert [row[0][1] for row in new] == ["host", "host", "HTTP"]


@pytest.mark.parametrize("number", range(4))
def test_wireguard_keys_are_clamped(harvest: Harvest, number: int) -> None:
    """RFC 7748, section 5."""
    text = harvest.text(f"/etc/wireguard/wg{number}.conf")
    raw = base64.b64decode(text.split("PrivateKey = ")[1].split("\n")[0])
    assert len(raw) == 32 and raw[0] & 7 == 0 and raw[31] >> 6 == 1


def test_rfc_7748_pair() -> None:
    """The pair of RFC 7748 6.1 in base64, as the check of the reader used here."""
    private = base64.b64decode("dwdtCnMYpX08FsFyUbJmRd9ML4frwJkqsXf7pR25LCo=")
    key = x25519.X25519PrivateKey.from_private_bytes(private)
    public = base64.b64encode(key.public_key().public_bytes_raw()).decode()
    assert public == "hSDwCYkwp1R0i33ctD73Wg2/Og0mOBr066SpjqqbTmo="


# -- structure -------------------------------------------------------------------------------


def shape(data: object) -> object:
    """The keys of a document, its values only by type."""
    if isinstance(data, dict):
        return {key: shape(value) for key, value in data.items()}
    return [shape(v) for v in data] if isinstance(data, list) else type(data).__name__


@pytest.mark.parametrize(
    "path", sorted(p for p in Garden().files if p.endswith((".yaml", ".yml", ".json", ".toml")))
)
def test_structured_files_keep_their_keys(harvest: Harvest, path: str) -> None:
    """JSON, YAML and TOML parse to the same keys and types as before."""
    read = {"json": json.loads, "toml": tomllib.loads}.get(path.rpartition(".")[2], yaml.safe_load)
    old = harvest.garden.files[path].decode()
    if path == "/etc/prometheus/prometheus.yml":  # two fragments, no whole document
        old, new = (t[: len(t) // 2] for t in (old, harvest.text(path)))
    else:
        new = harvest.text(path)
    assert shape(read(new)) == shape(read(old))
    assert new != old


def test_packed_files_open(harvest: Harvest) -> None:
    """gzip, xz, bzip2 and zip: the same lines with other values."""
    for name, read in (("gz", gzip.decompress), ("xz", lzma.decompress), ("bz2", bz2.decompress)):
        text = read(harvest.files[f"/etc/app/old.conf.{name}"]).decode()
        assert re.fullmatch(r"(?:s\d_password = \w{14}\n){4}", text)
    with zipfile.ZipFile(io.BytesIO(harvest.files["/etc/app/old.zip"])) as archive:
        assert archive.testzip() is None
        assert [len(archive.read(n)) for n in archive.namelist()] == [26] * 4
    wide = harvest.files["/etc/app/wide.ini"]
    assert re.fullmatch(r"\ufeffpassword = \w{14}\r\n", wide.decode("utf-16-le"))


def test_xml_parses(harvest: Harvest) -> None:
    """By the standard library's parser."""
    assert len(ET.fromstring(harvest.text("/etc/app/app0.xml"))[0].text or "") == 14


def test_basic_logins_decode(harvest: Harvest) -> None:
    """RFC 7617: the user stays, the password is another of its length."""
    for number in range(5):
        data = json.loads(harvest.text(f"/etc/containers/auth{number}.json"))
        user, _, password = (
            base64.b64decode(data["auths"]["registry.host"]["auth"]).decode().partition(":")
        )
        assert user == "op" and len(password) == 14


# -- people ----------------------------------------------------------------------------------


def test_people_are_the_same_people_everywhere(harvest: Harvest) -> None:
    """Login, group, sudo's rule, crontab, home and unit speak of one new name."""
    rows = [r.split(":") for r in harvest.text("/etc/passwd").splitlines()]
    by_number = {int(r[2]): r for r in rows}
    login = by_number[1001][0]
    assert re.fullmatch(r"user-[0-9a-f]{6}", login)
    assert by_number[1001][5] == f"/home/{login}"
    assert f"{login} ALL=(ALL)" in harvest.text(f"/etc/sudoers.d/{login}")
    assert f"/var/spool/cron/crontabs/{login}" in harvest.files
    assert f"User={login}\nExecStart=/home/{login}/bin/run" in harvest.text(
        "/etc/systemd/system/job.service"
    )
    assert f"sudo:x:27:{login},{by_number[1002][0]}\n" in harvest.text("/etc/group")
    assert f"root: {by_number[1002][0]}@" in harvest.text("/etc/aliases")


def test_a_login_name_that_is_a_word_is_replaced_where_logins_stand(harvest: Harvest) -> None:
    """`mark` is a word of a packaged file: it stays in text, and goes from the accounts."""
    login = next(r for r in harvest.text("/etc/passwd").splitlines() if ":1004:" in r).split(":")[0]
    assert login.startswith("user-")
    assert f" {login} /home/{login}/bin/job --mark=3\n" in harvest.text("/etc/cron.d/people")
    assert "mark the ticket" in harvest.text("/etc/app/owners.txt")


def test_telephones_are_of_the_numbers_kept_for_fiction(harvest: Harvest) -> None:
    """555-0100 to 555-0199 (North American Numbering Plan; from memory)."""
    row = next(r for r in harvest.text("/etc/passwd").splitlines() if ":1001:" in r).split(":")
    name, room, phone, _ = row[4].split(",")
    assert name.startswith("Person ") and len(room) == len("Room 12")
    assert re.fullmatch(r"\+1-[2-9]00-555-01\d\d", phone)
    assert name in harvest.text("/etc/app/owners.txt")


# -- single forms ----------------------------------------------------------------------------


def sanitise(path: str, content: bytes) -> bytes:
    sanitiser = Sanitiser(Vault(), ServerNames(node="atlas7"))
    assert sanitiser.take(path, content) == ""
    (clean,) = sanitiser.finish()
    assert not isinstance(clean, tuple)
    return clean.content


def test_a_tunnel_of_the_network_manager_stays_a_pair() -> None:
    """The peer in a section's name is the public half of the key (RFC 7748 6.1 gives the
    pair); what stands for both is a pair as well, by `cryptography`."""
    text = sanitise(
        "/etc/NetworkManager/system-connections/wg.nmconnection",
        b"[wireguard]\nprivate-key=dwdtCnMYpX08FsFyUbJmRd9ML4frwJkqsXf7pR25LCo=\n"
        b"[wireguard-peer.hSDwCYkwp1R0i33ctD73Wg2/Og0mOBr066SpjqqbTmo=]\n",
    ).decode()
    match = re.search(r"private-key=(\S+)\n\[wireguard-peer\.(\S+)\]", text)
    assert match
    key = x25519.X25519PrivateKey.from_private_bytes(base64.b64decode(match[1]))
    assert base64.b64encode(key.public_key().public_bytes_raw()).decode() == match[2]
    assert "dwdtCnMY" not in text and "hSDwCYkw" not in text


def test_old_passwords_keep_scheme_and_commas() -> None:
    """pam_pwhistory(8)'s file."""
    tail = "a1B2" * 21 + "zz"
    line = f"op:1000:2:$6$abcdefgh${tail},$1$abcdefgh${tail[:22]}\n"
    text = sanitise("/etc/security/opasswd", line.encode()).decode()
    assert re.fullmatch(r"op:1000:2:\$6\$[./\w]{8}\$[./\w]{86},\$1\$[./\w]{8}\$[./\w]{22}\n", text)
    assert tail not in text


def test_a_directorys_encoded_hash_keeps_its_scheme() -> None:
    """RFC 2849: `::` is before base64."""
    coded = base64.b64encode(b"{SSHA}abcdefghijklmnopqrstuvwxyz1234567").decode()
    text = sanitise("/etc/ldap/x.ldif", f"olcRootPW:: {coded}\n".encode()).decode()
    plain = base64.b64decode(text.partition(":: ")[2]).decode()
    assert plain.startswith("{SSHA}") and "abcdefgh" not in plain


def test_where_a_unit_loads_credentials_from_stays() -> None:
    """systemd.exec(5): LoadCredential= has a name and a path."""
    text = b"[Service]\nLoadCredential=db:/etc/credstore/db\nEnvironmentFile=-/etc/default/app\n"
    assert sanitise("/etc/systemd/system/y.service", text) == text


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        # file(1)'s magic numbers: names and places of them, from memory.
        (b"SQLite format 3\0" + bytes(100), "an SQLite database"),
        (bytes(12) + b"\x62\x31\x05\x00" + bytes(400), "a Berkeley database (btree)"),
        (bytes(16) + b"\xde\xc0\xef\xbe" + bytes(400), "an LMDB database"),
        (b"\xde\x12\x04\x95" + bytes(30), "a compiled message catalogue"),
        (b"\xfe\xed\xfe\xed\0\0\0\2", "a Java keystore"),
        (b"\x7fELF\2\1\1" + bytes(60), "a compiled program"),
    ],
)
def test_what_cannot_be_opened_is_withheld_and_named(content: bytes, kind: str) -> None:
    """The reason says what kind of file it is."""
    sanitiser = Sanitiser(Vault(), ServerNames())
    assert sanitiser.take("/etc/app/x", content) == f"not text: {kind}"


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress])
def test_packed_bombs_and_damage_are_withheld(pack: Callable[[bytes], bytes]) -> None:
    """More than 16 MiB when unpacked, cut short, or packed binary data."""
    sanitiser = Sanitiser(Vault(), ServerNames())
    assert "when unpacked" in sanitiser.take("/etc/a", pack(bytes([65]) * (17 << 20)))
    assert "damaged" in sanitiser.take("/etc/b", pack(b"password = x" * 50)[:-12])
    assert "SQLite" in sanitiser.take("/etc/c", pack(b"SQLite format 3\0" + bytes(50)))


def test_a_store_whose_password_is_nowhere_is_withheld() -> None:
    """PKCS#12: named, not taken."""
    key = ec.generate_private_key(ec.SECP256R1())
    store = pkcs12.serialize_key_and_certificates(
        b"x", key, None, None, serialization.BestAvailableEncryption(b"nowhere-told-1")
    )
    sanitiser = Sanitiser(Vault(), ServerNames())
    assert sanitiser.take("/etc/app/s.p12", store) == ""
    (left,) = sanitiser.finish()
    assert left == ("/etc/app/s.p12", "not text: a PKCS#12 store whose password is not known")


# -- published vectors -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plain", "hashed"),
    [
        # Drepper, "Unix crypt using SHA-256 and SHA-512", test vectors.
        ("Hello world!", "$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68"
         "u4OTLiBFdcbYEdFCoEOfaS35inz1"),
        ("Hello world!", "$5$saltstring$5B8vYYiY.CVt1RlTTf8KbXBH3hsxY/GNooZaBBGWEc5"),
        ("Hello world!", "$6$rounds=10000$saltstringsaltst$OW1/O6BYHV6BcXZu8QVeXbDWra3Oeqh0sbHbbMCV"
         "NSnCM/UrjmM0Dp8vOuZeHBy/YTBmSK6H9qs/y3RnOaw5v."),
        # Openwall's yescrypt, TESTS-OK; libxcrypt's table of known answers.
        ("", "$y$j75$LdJMENpBABJJ3hIHjB1Bi.$tUlUF19mIl6XpRTpX7LBp5ABKS8KSmDfP1gXFrZ6Sy8"),
        ("pleaseletmein", "$y$jD5.7$LdJMENpBABJJ3hIHjB1Bi.$HboGM6qPrsK.StKYGt6KErmUYtioHreJd98oIug"
         "oNB6"),
        ("U*U", "$2b$05$CCCCCCCCCCCCCCCCCCCCC.E5YPO9kmyuRGyh0XouQYb4YMJKvyOeW"),
        # Apache's documentation of password formats.
        ("myPassword", "$apr1$r31.....$HqJZimcKQFAMYayBlzkrA/"),
    ],
)  # fmt: skip
def test_published_hashes(plain: str, hashed: str) -> None:
    """Each scheme gives the published hash for the published password, no other."""
    assert hash_crypt(plain, hashed) == hashed
    assert hash_crypt(plain + "x", hashed) != hashed


def test_scram_verifier_by_the_published_exchange() -> None:
    """RFC 7677, section 3: user `user`, password `pencil`, salt and 4096 rounds as given;
    the server signature follows from the server key of the verifier."""
    salt = base64.b64decode("W22ZaJ0SNY7soEsUEjb6gQ==")
    verifier = write_scram("sha256", 4096, salt, "pencil")
    server_key = base64.b64decode(verifier.rpartition(":")[2])
    nonce = "rOprNGfwEbeRWgbNEkqO%hvYDpWUa2RaTCAfuxFIlj)hNlF$k0"
    message = (
        f"n=user,r=rOprNGfwEbeRWgbNEkqO,r={nonce},s=W22ZaJ0SNY7soEsUEjb6gQ==,i=4096,"
        f"c=biws,r={nonce}"
    )
    signature = base64.b64encode(hmac.digest(server_key, message.encode(), "sha256")).decode()
    assert signature == "6rriTRBi23WpRR/wtup+mMhUZUn/dB5nLTJRsjl95G4="


@pytest.mark.parametrize(
    ("text", "bits"),
    [
        ("", 0), ("aaaa", 0), ("aabb", 1), ("abcd", 2), ("password", 2.75), ("0123456789abcdef", 4),
        ("Mississippi", 1.823068), ("1223334444", 1.846439),
        # Digests of nothing (RFC 1321, RFC 3174): above a limit of 3 bits, and no secrets.
        ("d41d8cd98f00b204e9800998ecf8427e", 3.391127),
        ("da39a3ee5e6b4b0d3255bfef95601890afd80709", 3.737326),
    ],
)  # fmt: skip
def test_entropy_figures(text: str, bits: float) -> None:
    """H = -sum p log2 p (Shannon 1948), worked out apart from this code."""
    assert measure_entropy(text) == pytest.approx(bits, abs=1e-6)


def test_the_token_of_rfc_7519_is_found(harvest: Harvest) -> None:
    """Tokens of the form of RFC 7519 3.1 stay three parts of base64url, two of them JSON."""
    for line in harvest.text("/etc/app/jwt.txt").splitlines():
        parts = line.removeprefix("or ").split(".")
        assert len(parts) == 3
        for part in parts[:2]:
            assert isinstance(json.loads(base64.urlsafe_b64decode(part + "==")), dict)
