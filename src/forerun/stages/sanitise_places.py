"""Rules by place: files whose format says where the secret stands.

Sources: shadow(5), gshadow(5), passwd(5), netrc(5), apt_auth.conf(5), PostgreSQL's
password file, htpasswd(1), htdigest(1), rsyncd.conf(5), pppd(8), ipsec.secrets(5),
snmpd.conf(5), named.conf(5), mount.cifs(8), machine-id(5), passwd-file of IMAP servers.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_encoded import swap_written
from forerun.stages.sanitise_forms import CRYPT_ALPHABET, CRYPT_HASH, swap_crypt_hash
from forerun.stages.sanitise_keys import swap_wireguard_key
from forerun.stages.sanitise_pairs import note_hash
from forerun.stages.sanitise_people import is_person, swap_comment_field
from forerun.stages.sanitise_services import PLACES
from forerun.stages.sanitise_vault import Vault

Rule = Callable[[str, Vault], Iterator[Edit]]

_LINE = re.compile(r"^.*$", re.MULTILINE)


def _walk_fields(text: str, separator: str = ":") -> Iterator[tuple[int, list[str]]]:
    """(offset, fields) of each line that is neither empty nor a comment."""
    for match in _LINE.finditer(text):
        if match[0].strip() and not match[0].lstrip().startswith("#"):
            yield match.start(), match[0].split(separator)


def _find_field(at: int, fields: list[str], number: int) -> tuple[int, int]:
    start = at + sum(len(field) + 1 for field in fields[:number])
    return start, start + len(fields[number])


def _swap_hash(hashed: str, vault: Vault, rule: str) -> str:
    """A password field: a lock (`!`) and fields that match no password stay."""
    locks = hashed[: len(hashed) - len(hashed.lstrip("!"))]
    bare = hashed[len(locks) :]
    if bare in {"", "*", "x", "*LK*", "*NP*", "NP"}:
        return hashed
    if CRYPT_HASH.fullmatch(bare):
        return locks + swap_crypt_hash(bare, vault)
    if re.fullmatch(r"[./0-9A-Za-z_]{13,20}", bare):  # traditional DES and its extension
        return locks + vault.swap(
            bare, rule=rule, make=lambda stream: stream.text(CRYPT_ALPHABET, len(bare))
        )
    return locks + vault.swap(bare, rule=rule)


def find_shadow(text: str, vault: Vault) -> Iterator[Edit]:
    """The password field of shadow and gshadow."""
    for at, fields in _walk_fields(text):
        if len(fields) >= 4:
            new = _swap_hash(fields[1], vault, "shadow")
            yield Edit(*_find_field(at, fields, 1), new, "shadow", "password hash")


def find_old_passwords(text: str, vault: Vault) -> Iterator[Edit]:
    """The last field of pam_pwhistory's file: hashes with commas between them."""
    for at, fields in _walk_fields(text):
        if len(fields) >= 4:
            start = _find_field(at, fields, 3)[0]
            for hashed in fields[3].split(","):
                new = _swap_hash(hashed, vault, "shadow")
                yield Edit(start, start + len(hashed), new, "old-passwords", "password hash")
                start += len(hashed) + 1


def find_passwd(text: str, vault: Vault) -> Iterator[Edit]:
    """The comment field (full name, telephone) of people's accounts, and old hashes."""
    for at, fields in _walk_fields(text):
        if len(fields) != 7:
            continue
        if fields[1] not in {"x", "*", "!", ""}:
            new = _swap_hash(fields[1], vault, "passwd")
            yield Edit(*_find_field(at, fields, 1), new, "passwd", "password hash")
        if is_person(fields[2]) and fields[4].strip(", "):
            name = swap_comment_field(fields[4], vault)
            yield Edit(*_find_field(at, fields, 4), name, "full-name", "personal data")


def _find_last_field(rule: str, least: int, most: int) -> Rule:
    """Files of colon-separated fields whose last (or `most`-th) is the secret."""

    def find(text: str, vault: Vault) -> Iterator[Edit]:
        for at, fields in _walk_fields(text):
            if len(fields) >= least:
                number = min(len(fields), most) - 1
                joined = [*fields[:number], ":".join(fields[number:])]
                secret = joined[number].rstrip()
                if secret:
                    hashed = secret.startswith(("$", "{"))
                    new = (
                        _swap_hash(secret, vault, rule) if hashed else vault.swap(secret, rule=rule)
                    )
                    start = at + sum(len(field) + 1 for field in joined[:number])
                    yield Edit(start, start + len(secret), new, rule, "password")

    return find


def find_htpasswd(text: str, vault: Vault) -> Iterator[Edit]:
    """`user:hash`, the hash of any of the server's schemes; further fields stay."""
    for at, fields in _walk_fields(text):
        if len(fields) >= 2 and fields[1].strip() and " " not in fields[0].strip():
            bare = fields[1].rstrip()
            scheme = re.match(r"\{[\w.-]+\}", bare)
            kept = scheme[0] if scheme else ""
            note_hash(bare, vault)
            new = kept + _swap_hash(bare[len(kept) :], vault, "password-file")
            edit = Edit(*_find_field(at, fields, 1), new, "password-file", "password hash")
            yield Edit(edit.start, edit.start + len(bare), new, edit.rule, edit.kind)


_NETRC = re.compile(r"\b(?:password|account)\s+(\"[^\"]*\"|\S+)")


def find_netrc(text: str, vault: Vault) -> Iterator[Edit]:
    """`machine HOST login NAME password SECRET`, as apt's auth.conf has it too."""
    yield from _swap_groups(_NETRC, text, vault, "netrc", "password")


def _swap_groups(
    pattern: re.Pattern[str], text: str, vault: Vault, rule: str, kind: str
) -> Iterator[Edit]:
    """The first group that matched, without surrounding quotes."""
    for match in pattern.finditer(text):
        group = next((n for n in range(1, pattern.groups + 1) if match[n]), 0)
        if not group:
            continue
        start, end = match.span(group)
        if end - start >= 2 and text[start] == text[end - 1] and text[start] in "\"'":
            start, end = start + 1, end - 1
        if end > start:
            new = swap_written(text[start:end], vault, rule, quoted=start > match.start(group))
            yield Edit(start, end, new, rule, kind)


def _by_pattern(rule: str, kind: str, pattern: str) -> Rule:
    compiled = re.compile(pattern, re.MULTILINE)
    return lambda text, vault: _swap_groups(compiled, text, vault, rule, kind)


def find_ppp_secrets(text: str, vault: Vault) -> Iterator[Edit]:
    """`client server secret addresses`: the third word."""
    pattern = re.compile(
        r"^[ \t]*(?!#)(?:\"[^\"]*\"|\S+)[ \t]+(?:\"[^\"]*\"|\S+)[ \t]+(\"[^\"]*\"|\S+)",
        re.MULTILINE,
    )
    yield from _swap_groups(pattern, text, vault, "ppp-secrets", "password")


def find_machine_id(text: str, vault: Vault) -> Iterator[Edit]:
    """32 hexadecimal digits that are this machine's and no other's."""
    for match in re.finditer(r"(?<![0-9a-f])[0-9a-f]{32}(?![0-9a-f])", text):
        new = vault.swap(
            match[0],
            rule="machine-id",
            make=lambda stream: stream.text("0123456789abcdef", 32),
            sweep=True,
        )
        yield Edit(match.start(), match.end(), new, "machine-id", "identifier")


def find_whole_secret(text: str, vault: Vault) -> Iterator[Edit]:
    """A file that is nothing but one secret, on its first line; or a login name and a
    secret, a line each."""
    lines = text.splitlines()
    at = 0
    for line in lines[:2] if len(lines) <= 3 else lines[:1]:
        if line.strip() and not line.startswith(("#", "-----BEGIN")):
            new = swap_written(line, vault, "secret-file")
            yield Edit(at, at + len(line), new, "secret-file", "secret")
        at = text.find("\n", at) + 1


_USER_INFO = re.compile(r"://([^\s/@:]*)(?::([^\s/@]*))?@")


def find_archive_credentials(text: str, vault: Vault) -> Iterator[Edit]:
    """Login and password in an archive's address: taken out, since the archive gateway
    asks on its own account."""
    for match in _USER_INFO.finditer(text):
        if match[2]:
            vault.swap(match[2], rule="archive-credentials")
        start, end = match.start() + 3, match.end()
        yield Edit(start, end, "", "archive-credentials", "password")


def find_wireguard_file(text: str, vault: Vault) -> Iterator[Edit]:
    """A file that holds one WireGuard private or preshared key."""
    bare = text.strip()
    if re.fullmatch(r"[A-Za-z0-9+/]{43}=", bare):
        start = text.index(bare)
        new = swap_wireguard_key(bare, vault, kind="PrivateKey")
        yield Edit(start, start + len(bare), new, "wireguard-key", "PrivateKey")


# Path (regular expression, whole path) to the rules that read it, before all others.
_TABLE: tuple[tuple[str, Rule], ...] = (
    (r"/etc/g?shadow-?", find_shadow),
    (r"/etc/(?:shadow|gshadow)\.(?:org|bak|old)", find_shadow),
    (r"/etc/passwd-?", find_passwd),
    (r"/etc/security/opasswd.*", find_old_passwords),
    (r".*/\.?netrc|/etc/apt/auth\.conf(?:\.d/.*)?", find_netrc),
    (r"/etc/apt/sources\.list(?:\.d/.*)?", find_archive_credentials),
    (r".*/\.?pgpass(?:\.conf)?", _find_last_field("pgpass", 5, 5)),
    (r".*/[^/]*htdigest[^/]*|.*/[^/]*\.digest", _find_last_field("htdigest", 3, 3)),
    (r".*/[^/]*(?:htpasswd|passwd-?file|vmail|users\.passwd)[^/]*", find_htpasswd),
    (r"/etc/(?:dovecot|nginx|apache2|lighttpd|squid|mosquitto)/(?:.*/)?[^/]*(?:passwd|users)[^/]*",
     find_htpasswd),
    (r".*/[^/]*rsync[^/]*secrets?[^/]*", _find_last_field("rsync-secrets", 2, 2)),
    (r".*/[^/]*(?:sasl_?passwd|smtp_?auth|relay_?passw)[^/]*",
     _by_pattern("mail-relay", "password", r"^[^#\s]\S*[ \t]+[^:\s]+:(\S+)[ \t]*$")),
    (r"/etc/exim4/passwd\.client",
     _by_pattern("mail-relay", "password", r"^[^#:\s][^:\n]*:[^:\n]*:(\S+)[ \t]*$")),
    (r"/etc/ppp/(?:chap|pap)-secrets|/etc/ppp/.*secrets", find_ppp_secrets),
    (r"/etc/(?:.*/)?ipsec[^/]*\.secrets",
     _by_pattern("ipsec-secrets", "password",
                 r":[ \t]*(?:PSK|XAUTH|EAP|NTLM|PIN)[ \t]+(\"[^\"]*\"|\S+)")),
    (r"/etc/(?:.*/)?snmpd?[^/]*\.conf(?:\.d/.*)?|/var/lib/snmp/.*",
     _by_pattern("snmp", "community",
                 r"^[ \t]*(?i:r[ow](?:community|user)6?|trap2?sink|informsink|trapcommunity|"
                 r"authcommunity[ \t]+\S+)[ \t]+(?:[^\s#]+:\S+[ \t]+)?(\"[^\"]*\"|[^\s#]+)"
                 r"|^[ \t]*com2sec6?[ \t]+(?:-Cn[ \t]+\S+[ \t]+)?\S+[ \t]+\S+[ \t]+(\S+)")),
    (r"/etc/(?:.*/)?snmpd?[^/]*\.conf(?:\.d/.*)?",
     _by_pattern("snmp-user", "password",
                 r"^[ \t]*createUser[ \t]+(?:-e[ \t]+\S+[ \t]+)?\S+[ \t]+(?:MD5|SHA\S*)[ \t]+"
                 r"(\"[^\"]*\"|\S+)")),
    (r"/etc/(?:.*/)?snmpd?[^/]*\.conf(?:\.d/.*)?",
     _by_pattern("snmp-user", "password",
                 r"^[ \t]*createUser[^\n]*[ \t](?:DES|AES\S*)[ \t]+(\"[^\"]*\"|\S+)")),
    (r"/etc/(?:bind|named|nsd|knot|unbound|powerdns|dhcp|kea|ddclient)/?.*|/etc/rndc\.(?:key|conf)",
     _by_pattern("tsig", "key", r"\bsecret:?[ \t]+(\"[^\"]*\"|[A-Za-z0-9+/=]+)")),
    (r"/etc/machine-id|/var/lib/dbus/machine-id", find_machine_id),
    (r"/etc/(?:.*/)?[^/]*(?:ldap|nss|pam)[^/]*\.secret|/etc/.*/secrets?/[^/]+|"
     r"/etc/credstore(?:\.encrypted)?/.*|/etc/(?:.*/)?\.?(?:[^/]*[_-])?passw(?:or)?d(?:\.txt|-file)"
     r"|/etc/(?!pam\.d/)(?:.*/)?\.?(?:[^/]*[_-])?(?:password|passphrase)"
     r"|/etc/(?:.*/)?[^/]*\.(?:pass|passphrase|token|pw|secret|password)",
     find_whole_secret),
    (r"/etc/wireguard/[^/]+", find_wireguard_file),
    (r"/etc/(?:frr|quagga|bird)/.*",
     _by_pattern("routing", "password",
                 r"\b(?:password|md5|message-digest-key \d+ md5)[ \t]+(?:[0-9][ \t]+)?"
                 r"(\"[^\"]*\"|[^\s;]+)[ \t]*;?$")),
    *((path, _by_pattern(rule, kind, pattern)) for path, rule, kind, pattern in PLACES),
)  # fmt: skip
_RULES = tuple((re.compile(pattern), rule) for pattern, rule in _TABLE)


def find_by_place(path: str, text: str, vault: Vault) -> Iterator[Edit]:
    """What the rules for this path find."""
    for pattern, rule in _RULES:
        if pattern.fullmatch(path):
            yield from rule(text, vault)
