"""A server's files with some hundred secrets in them, each remembered: nothing is real.

Formats are those of the services' own manuals. All values are drawn from a fixed seed;
hosts are under .example, addresses private or from the documentation ranges. Hashes are
made by libcrypt and hashlib, keys by `cryptography`: not by the code under test.
"""

from __future__ import annotations

import base64
import bz2
import gzip
import hashlib
import hmac
import io
import json
import lzma
import random
import string
import struct
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa, x25519
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    pkcs12,
)
from cryptography.x509.oid import NameOID

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)
    import crypt

LETTERS = string.ascii_letters + string.digits
NODE = "atlas7"
DOMAIN = "corp.example"


@dataclass(frozen=True)
class Planted:
    """One secret: its kind, the file it was planted in, its bytes."""

    kind: str
    path: str
    value: bytes = field(repr=False)


class Garden:
    """Files, the secrets in them, and files that must come out as they went in."""

    def __init__(self, seed: int = 20260131) -> None:
        self.random = random.Random(seed)
        self.files: dict[str, bytes] = {}
        self.secrets: list[Planted] = []
        self.decoys: dict[str, bytes] = {}
        self.plain: dict[str, str] = {}  # named secrets that tests come back to
        for plant in PLANTERS:
            plant(self)

    def word(self, length: int = 14) -> str:
        """Letters and digits that begin with a letter and hold a digit."""
        body = "".join(self.random.choices(LETTERS, k=length - 2))
        return self.random.choice(string.ascii_letters) + body + self.random.choice("23456789")

    def hexadecimal(self, length: int) -> str:
        return "".join(self.random.choices("0123456789abcdef", k=length))

    def coded(self, size: int) -> str:
        return base64.b64encode(self.random.randbytes(size)).decode()

    def plant(self, kind: str, path: str, text: str | bytes, *values: str | bytes) -> None:
        data = text.encode() if isinstance(text, str) else text
        self.files[path] = self.files.get(path, b"") + data
        for value in values:
            raw = value.encode() if isinstance(value, str) else value
            self.secrets.append(Planted(kind, path, raw))

    def plant_many(self, kind: str, path: str, template: str, count: int = 1) -> list[str]:
        """The template's `{}` filled with that many fresh words, one text after another."""
        words = [self.word() for _ in range(count)]
        for number, word in enumerate(words):
            self.plant(kind, path, template.replace("{}", word).replace("{n}", str(number)), word)
        return words


def lines_of(pem: str) -> list[str]:
    """The telling lines of an armoured block."""
    return [line for line in pem.splitlines()[2:-1] if len(line) >= 40]


def write_public(key: ed25519.Ed25519PrivateKey | rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey) -> str:  # fmt: skip
    return key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()


def make_certificate(
    key: rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey, name: str
) -> x509.Certificate:
    """A self-signed certificate for a name and `www` before it."""
    subject = x509.Name([
        x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Quayside Lantern Works"),
        x509.NameAttribute(NameOID.COMMON_NAME, name),
    ])  # fmt: skip
    return (
        x509.CertificateBuilder().subject_name(subject).issuer_name(subject)
        .public_key(key.public_key()).serial_number(99)
        .not_valid_before(datetime(2026, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2028, 6, 1, tzinfo=UTC))
        .add_extension(x509.SubjectAlternativeName(
            [x509.DNSName(name), x509.DNSName(f"www.{name}")]), False)
        .sign(key, hashes.SHA256())
    )  # fmt: skip


def write_key(key: Any, form: PrivateFormat) -> str:
    made: bytes = key.private_bytes(Encoding.PEM, form, NoEncryption())
    return made.decode()


# -- keys and certificates -------------------------------------------------------------------


def plant_ssh(g: Garden) -> None:
    for name, key in (
        ("ed25519", ed25519.Ed25519PrivateKey.generate()),
        ("ecdsa", ec.generate_private_key(ec.SECP256R1())),
        ("rsa", rsa.generate_private_key(public_exponent=65537, key_size=2048)),
    ):
        pem = write_key(key, PrivateFormat.OpenSSH)
        path = f"/etc/ssh/ssh_host_{name}_key"
        g.plant("ssh host key", path, pem, *lines_of(pem))
        line = write_public(key)
        g.plant("ssh public key", path + ".pub", f"{line} root@{NODE}\n", line.split()[1])
        g.plant("ssh public key", "/etc/ssh/ssh_known_hosts", f"gate.{DOMAIN} {line}\n")
    for number in range(5):
        line = write_public(ed25519.Ed25519PrivateKey.generate())
        comment = f"{g.word(8)}@laptop-{number}"
        g.plant("authorized key", f"/etc/ssh/keys/team{number}",
                f"no-pty {line} {comment}\n", line.split()[1], comment)  # fmt: skip


def plant_tls(g: Garden) -> None:
    forms = (
        ("pkcs8", PrivateFormat.PKCS8, ec.generate_private_key(ec.SECP256R1())),
        ("sec1", PrivateFormat.TraditionalOpenSSL, ec.generate_private_key(ec.SECP384R1())),
        ("pkcs1", PrivateFormat.TraditionalOpenSSL,
         rsa.generate_private_key(public_exponent=65537, key_size=2048)),
    )  # fmt: skip
    for name, form, key in forms:
        pem = write_key(key, form)
        g.plant("tls key", f"/etc/ssl/private/{name}.key", pem, *lines_of(pem))
        made = make_certificate(key, f"{name}.{DOMAIN}")
        cert = made.public_bytes(Encoding.PEM).decode()
        g.plant("certificate", f"/etc/ssl/local/{name}.pem", cert, *lines_of(cert))
    both = write_key(forms[0][2], PrivateFormat.PKCS8)
    cert = make_certificate(forms[0][2], f"lb.{DOMAIN}").public_bytes(Encoding.PEM).decode()
    g.plant("certificate", "/etc/haproxy/site.pem", both + cert, *lines_of(cert))
    # A key in base64 of its armour, as configuration of cluster clients has it.
    inner = write_key(ec.generate_private_key(ec.SECP256R1()), PrivateFormat.PKCS8)
    packed = base64.b64encode(inner.encode()).decode()
    g.plant("encoded key", "/etc/cluster/client.yaml",
            f"users:\n- name: op\n  user:\n    client-key-data: {packed}\n",
            packed[40:-8], *lines_of(inner))  # fmt: skip


def plant_stores(g: Garden) -> None:
    password = g.word()
    g.plain["store"] = password
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    made = make_certificate(key, f"store.{DOMAIN}")
    store = pkcs12.serialize_key_and_certificates(
        b"atlas7 store", key, made, None, BestAvailableEncryption(password.encode())
    )
    der = key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    g.plant("key store", "/etc/app/store.p12", store, store[200:260], der[300:360])
    g.plant("key store password", "/etc/app/store.properties",
            f"server.ssl.key-store-password={password}\n", password)  # fmt: skip
    single = ec.generate_private_key(ec.SECP256R1())
    der = single.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    g.plant("der key", "/etc/app/agent.der", der, der[40:100])
    cert = make_certificate(single, f"agent.{DOMAIN}").public_bytes(Encoding.DER)
    g.plant("certificate", "/etc/app/agent.cer", cert, cert[-40:])
    g.plant("keytab", "/etc/krb5.keytab", *make_keytab(g))


def make_keytab(g: Garden) -> tuple[bytes, ...]:
    """The file and its keys: MIT Kerberos' keytab file format, version 0x0502."""
    records, keys = b"\x05\x02", []
    for service, kind, size in (("host", 18, 32), ("host", 17, 16), ("HTTP", 20, 32)):
        key = g.random.randbytes(size)
        keys.append(key)
        parts = [DOMAIN.upper(), service, f"{NODE}.{DOMAIN}"]
        body = struct.pack(">H", 2)
        body += b"".join(struct.pack(">H", len(p)) + p.encode() for p in parts)
        body += struct.pack(">IIBHH", 1, 1_770_000_000, 3, kind, size) + key + struct.pack(">I", 3)
        records += struct.pack(">i", len(body)) + body
    hole = g.random.randbytes(40)
    return records + struct.pack(">i", -40) + hole, *keys, hole


def plant_wireguard(g: Garden) -> None:
    for number in range(4):
        private = base64.b64encode(x25519.X25519PrivateKey.generate().private_bytes_raw()).decode()
        peer, shared = g.coded(32), g.coded(32)
        g.plant("wireguard", f"/etc/wireguard/wg{number}.conf",
                f"[Interface]\nPrivateKey = {private}\nListenPort = 51820\n"
                f"[Peer]\nPublicKey = {peer}\nPresharedKey = {shared}\nAllowedIPs = 10.7.0.0/16\n",
                private, peer, shared)  # fmt: skip


# -- hashes ----------------------------------------------------------------------------------

SALTS = ("$6$saltstring$", "$y$j9T$LdJMENpBABJJ3hIHjB1Bi.$", "$5$rounds=5000$anothersalt$",
         "$1$oldsalt1$", "$2b$05$CCCCCCCCCCCCCCCCCCCCC.")  # fmt: skip


def plant_hashes(g: Garden) -> None:
    shadow = "root:*:19700:0:99999:7:::\ndaemon:*:19700:0:99999:7:::\n"
    values: list[str] = []
    for number, salt in enumerate(SALTS):
        plain = g.word()
        g.plain[f"crypt{number}"] = plain
        hashed = crypt.crypt(plain, salt)
        values.append(hashed.rpartition("$")[2][-20:])
        shadow += f"svc{number}:{hashed}:19700:0:99999:7:::\n"
        g.plant("known plain password", "/etc/app/logins.ini", f"[svc{number}]\npassword = {plain}\n",
                plain)  # fmt: skip
    g.plant("shadow", "/etc/shadow", shadow, *values)
    for number in range(8):
        tail = "".join(g.random.choices("./" + LETTERS, k=86))
        g.plant(
            "shadow", "/etc/shadow-", f"old{number}:$6$abcdefgh$" + tail + ":1:0:9:7:::\n", tail
        )
        tail = "".join(g.random.choices("./" + LETTERS, k=22))
        g.plant("htpasswd", "/etc/nginx/.htpasswd", f"web{number}:$apr1$abcdefgh${tail}\n", tail)
    plain = g.word()
    g.plain["web"] = plain
    sha = base64.b64encode(hashlib.sha1(plain.encode()).digest()).decode()
    grains = b"NaClNaCl"
    ssha = base64.b64encode(hashlib.sha1(plain.encode() + grains).digest() + grains).decode()
    g.plant("htpasswd", "/etc/apache2/site.htpasswd", f"op:{{SHA}}{sha}\n", sha)
    g.plant("ldap", "/etc/ldap/slapd.conf", f"rootdn cn=admin\nrootpw {{SSHA}}{ssha}\n", ssha)
    g.plant(
        "known plain password",
        "/etc/app/web.env",
        f"WEB_USER=reporter\nWEB_PASSWORD={plain}\n",
        plain,
    )
    scram_salt = b"0123456789abcdef"
    verifier = make_scram(plain, scram_salt)
    digest = hashlib.md5((plain + "appuser").encode()).hexdigest()
    g.plant("database verifier", "/etc/pgbouncer/userlist.txt",
            f'"reporter" "{verifier}"\n"appuser" "md5{digest}"\n',
            verifier.rpartition(":")[2], digest)  # fmt: skip
    double = hashlib.sha1(hashlib.sha1(plain.encode()).digest()).hexdigest().upper()
    g.plant("database verifier", "/etc/proxysql.cnf", f'mysql_users=({{password="*{double}"}})\n',
            double)  # fmt: skip
    for number in range(6):
        digest = g.hexadecimal(32)
        g.plant("htdigest", "/etc/apache2/site.htdigest", f"u{number}:realm:{digest}\n", digest)
    grub = g.hexadecimal(128).upper(), g.hexadecimal(128).upper()
    g.plant("boot loader hash", "/etc/grub.d/42_lock",
            f"password_pbkdf2 boot grub.pbkdf2.sha512.10000.{'.'.join(grub)}\n", *grub)  # fmt: skip


def make_scram(plain: str, salt: bytes, rounds: int = 4096) -> str:
    """PostgreSQL's form of RFC 7677's verifier, by hashlib and hmac alone."""
    salted = hashlib.pbkdf2_hmac("sha256", plain.encode(), salt, rounds)
    client = hmac.new(salted, b"Client Key", "sha256").digest()
    server = hmac.new(salted, b"Server Key", "sha256").digest()
    shown = [base64.b64encode(p).decode() for p in (salt, hashlib.sha256(client).digest(), server)]
    return f"SCRAM-SHA-256${rounds}:{shown[0]}${shown[1]}:{shown[2]}"


# -- one secret after another ----------------------------------------------------------------

# kind, place, text, how many
SETTINGS: tuple[tuple[str, str, str, int], ...] = (
    ("netrc", "/root-like/etc/.netrc", "machine api{n}.host login op password {}\n", 6),
    ("apt auth", "/etc/apt/auth.conf.d/vendor.conf", "machine repo{n}.host login op password {}\n", 5),
    ("pgpass", "/etc/app/.pgpass", "db{n}.host:5432:app:op:{}\n", 8),
    ("my.cnf", "/etc/mysql/debian.cnf", "[client{n}]\nuser = maint\npassword = {}\n", 4),
    ("my.cnf", "/etc/mysql/conf.d/repl.cnf", "[mysqldump]\npassword='{}'\n", 1),
    ("mail relay", "/etc/postfix/sasl_passwd", "[relay{n}.host]:587 op:{}\n", 6),
    ("mail relay", "/etc/exim4/passwd.client", "*.host{n}:op:{}\n", 4),
    ("mail relay", "/etc/msmtprc", "account a{n}\nhost mx\nuser op\npassword {}\n", 3),
    ("mail relay", "/etc/ssmtp/ssmtp.conf", "mailhub=mx\nAuthUser=op\nAuthPass={}\n", 1),
    ("backup passphrase", "/etc/default/restic{n}", "RESTIC_PASSWORD={}\nRESTIC_REPOSITORY=/srv/b\n", 1),
    ("backup passphrase", "/etc/restic/password", "{}\n", 1),
    ("backup passphrase", "/etc/borgmatic/config.yaml", "encryption_passphrase: \"{}\"\n", 1),
    ("backup passphrase", "/etc/cron.daily/borg", "#!/bin/sh\nexport BORG_PASSPHRASE='{}'\nborg create\n", 1),
    ("backup passphrase", "/etc/duply/www/conf", "GPG_PW='{}'\nTARGET_PASS='x'\n", 1),
    ("backup passphrase", "/etc/bacula/bacula-fd.conf", "Director {\n  Name = d{n}\n  Password = \"{}\"\n}\n", 4),
    ("backup passphrase", "/etc/rclone.conf", "[r{n}]\ntype = s3\nsecret_access_key = {}\n", 4),
    ("environment token", "/etc/default/app-a", "export A{n}_TOKEN={}\n", 12),
    ("environment token", "/etc/default/app-b", "B{n}_API_KEY=\"{}\"\n", 12),
    ("environment token", "/etc/app/production.env", "SERVICE{n}_SECRET={}\n", 20),
    ("environment token", "/etc/environment.d/70.conf", "HOOK{n}_PASSWORD={}\n", 8),
    ("unit", "/etc/systemd/system/app.service", "[Service]\nEnvironment=APP{n}_TOKEN={}\n", 6),
    ("unit", "/etc/systemd/system/b.service.d/over.conf", "[Service]\nEnvironment=\"B{n}_PASSWORD={}\" \"MODE=x\"\n", 6),
    ("unit credential", "/etc/systemd/system/c.service.d/cred.conf", "[Service]\nSetCredential=db{n}.login:{}\n", 5),
    ("unit credential", "/etc/credstore/api{n}", "{}\n", 1),
    ("url", "/etc/app/urls.conf", "dsn{n}=postgresql://op:{}@db.host/app\n", 15),
    ("url", "/etc/app/urls.yaml", "broker{n}: amqp://op:{}@mq.host:5672/v\n", 10),
    ("url", "/etc/app/proxy.sh", "http_proxy=http://op:{}@proxy.host:3128/\n", 4),
    ("cloud key", "/etc/app/.aws/credentials", "[p{n}]\naws_secret_access_key = {}AbCdEfGhIjKlMnOpQr12345678\n", 5),
    ("cloud key", "/etc/app/blob.conf", "store{n}=DefaultEndpointsProtocol=https;AccountName=a;AccountKey={};EndpointSuffix=x\n", 5),
    ("snmp community", "/etc/snmp/snmpd.conf", "rocommunity {} 10.0.0.0/8\n", 4),
    ("snmp community", "/etc/snmp/snmptrapd.conf", "authCommunity log {}\n", 2),
    ("snmp user", "/etc/snmp/snmpd.conf.d/v3.conf", "createUser op{n} SHA {} AES {}x\n", 4),
    ("tsig", "/etc/bind/named.conf.keys", "key \"k{n}\" { algorithm hmac-sha256; secret \"{}=\"; };\n", 4),
    ("tsig", "/etc/nsd/nsd.conf", "key:\n  name: k{n}\n  algorithm: hmac-sha256\n  secret: \"{}=\"\n", 3),
    ("tsig", "/etc/knot/knot.conf", "key:\n  - id: k{n}\n    algorithm: hmac-sha256\n    secret: {}==\n", 3),
    ("wifi", "/etc/wpa_supplicant/wpa_supplicant.conf", "network={\n ssid=\"n{n}\"\n psk=\"{}\"\n}\n", 4),
    ("wifi", "/etc/NetworkManager/system-connections/home{n}.nmconnection", "[wifi-security]\nkey-mgmt=wpa-psk\npsk={}\n", 1),
    ("wifi", "/etc/NetworkManager/system-connections/eap.nmconnection", "[802-1x]\neap=peap;\nidentity=op\npassword={}\n", 1),
    ("wifi", "/etc/hostapd/hostapd.conf", "ssid=x\nwpa_passphrase={}\n", 1),
    ("wifi", "/etc/network/interfaces", "iface wlan0 inet dhcp\n  wpa-ssid x\n  wpa-psk {}\n", 1),
    ("cron", "/etc/cron.d/dump", "0 {n} * * * root mysqldump -u root -p{} app\n", 5),
    ("cron", "/etc/crontab", "5 {n} * * * root curl -u op:{} http://x.host/\n", 5),
    ("cron", "/var/spool/cron/crontabs/svc", "PGPASSWORD={}\n0 2 * * * pg_dump\n", 1),
    ("cron", "/etc/cron.d/push", "0 3 * * * root push --token={} --all\n", 3),
    ("ldap", "/etc/sssd/sssd.conf", "[domain/d{n}]\nldap_default_authtok = {}\n", 2),
    ("ldap", "/etc/nslcd.conf", "binddn cn=x\nbindpw {}\n", 1),
    ("ldap", "/etc/pam_ldap.secret", "{}\n", 1),
    ("php", "/etc/app/config.php", "<?php\ndefine('DB{n}_PASSWORD', '{}');\n$cfg['blowfish_secret'] = '{}q';\n", 4),
    ("framework", "/etc/app/settings.py", "SECRET_KEY = '{}'\nDEBUG{n} = False\n", 2),
    ("framework", "/etc/app/secrets.yml", "production{n}:\n  secret_key_base: {}{}\n", 2),
    ("vpn", "/etc/ipsec.secrets", ": PSK \"{}\"\n", 3),
    ("vpn", "/etc/ppp/chap-secrets", "op{n} * \"{}\" *\n", 4),
    ("vpn", "/etc/swanctl/swanctl.conf", "secrets {\n ike-{n} {\n  secret = \"{}\"\n }\n}\n", 2),
    ("vpn", "/etc/openvpn/client.pass", "{}\n", 1),
    ("radius", "/etc/freeradius/3.0/clients.conf", "client c{n} {\n  ipaddr = 10.1.1.{n}\n  secret = {}\n}\n", 4),
    ("mail store", "/etc/dovecot/dovecot-sql.conf.ext", "connect = host=db dbname=mail user=op password={}\n", 1),
    ("mail store", "/etc/dovecot/users", "op{n}:{PLAIN}{}::::::\n", 5),
    ("mail store", "/etc/postfix/mysql-virtual.cf", "user = op\npassword = {}\nhosts = db\n", 1),
    ("cache", "/etc/redis/redis.conf", "requirepass {}\n", 1),
    ("cache", "/etc/redis/sentinel.conf", "sentinel auth-pass m{n} {}\n", 2),
    ("cache", "/etc/redis/users.acl", "user w{n} on >{} ~* +@all\n", 3),
    ("queue", "/etc/rabbitmq/rabbitmq.conf", "default_pass = {}\n", 1),
    ("queue", "/etc/mosquitto/bridge.conf", "remote_username op\nremote_password {}\n", 1),
    ("proxy", "/etc/haproxy/haproxy.cfg", "  stats auth op{n}:{}\n", 2),
    ("proxy", "/etc/haproxy/users.cfg", "  user u{n} insecure-password {}\n", 3),
    ("proxy", "/etc/squid/squid.conf", "cachemgr_passwd {} all\n", 1),
    ("proxy", "/etc/nginx/conf.d/api.conf", "proxy_set_header X-Api-Key \"{}\";\n", 2),
    ("monitoring", "/etc/prometheus/prometheus.yml", "  basic_auth:\n    username: op\n    password: {}\n", 2),
    ("monitoring", "/etc/prometheus/alertmanager.yml", "  smtp_auth_password: '{}'\n", 1),
    ("monitoring", "/etc/icinga2/conf.d/api-users.conf", "object ApiUser \"u{n}\" {\n  password = \"{}\"\n}\n", 2),
    ("monitoring", "/etc/zabbix/zabbix_server.conf", "DBPassword={}\n", 1),
    ("java", "/etc/tomcat10/tomcat-users.xml", "<user username=\"u{n}\" password=\"{}\" roles=\"x\"/>\n", 3),
    ("java", "/etc/tomcat10/server.xml", "<Certificate certificateKeystorePassword=\"{}\"/>\n", 1),
    ("file share", "/etc/fstab", "//nas/s{n} /mnt/{n} cifs username=op,password={},ro 0 0\n", 2),
    ("file share", "/etc/samba/nas.cred", "username=op\npassword={}\n", 1),
    ("file share", "/etc/iscsi/iscsid.conf", "node.session.auth.password = {}\n", 1),
    ("file share", "/etc/rsyncd.secrets", "backup{n}:{}\n", 4),
    ("dynamic dns", "/etc/ddclient.conf", "login=op\npassword='{}'\n", 1),
    ("routing", "/etc/frr/frr.conf", " neighbor 10.1.1.{n} password {}\n", 3),
    ("comment", "/etc/app/notes.conf", "# old password: {}\n", 4),
    ("json", "/etc/app/app{n}.json", "{\"name\": \"x\", \"apiKey\": \"{}\"}\n", 1),
    ("toml", "/etc/app/app.toml", "[t{n}]\npassword = \"{}\"\n", 5),
    ("xml", "/etc/app/app{n}.xml", "<conf><password>{}</password></conf>\n", 1),
    ("program", "/usr/local/bin/sync", "#!/bin/sh\nsync-it --password '{}' now\n", 1),
    ("program", "/usr/local/sbin/report", "#!/usr/bin/python3\nAPI_TOKEN = \"{}\"\n", 1),
    ("program", "/usr/local/bin/dump", "#!/bin/bash\nPASS={}\nmysqldump -p\"$PASS\" x\n", 1),
    ("bearer", "/usr/local/bin/probe", "curl -H 'Authorization: Bearer {}' http://x/\n", 3),
    ("long token", "/etc/app/tokens.txt", "use {}{}{} here\n", 12),
    ("prefixed token", "/etc/app/ci.conf", "runner glpat-{}abcdef\n", 4),
)  # fmt: skip


def plant_settings(g: Garden) -> None:
    for kind, path, text, count in SETTINGS:
        single = "{n}" in path
        for number in range(count):
            word = g.word()
            shown = text.replace("{}", word).replace("{n}", str(number))
            g.plant(kind, path.replace("{n}", "0") if single else path, shown, word)


def plant_tokens(g: Garden) -> None:
    for number in range(10):
        token = g.hexadecimal(40)
        g.plant("hex token", "/etc/app/tokens.txt", f"and {token} there {number}\n", token)
    for _ in range(4):
        parts = [base64.urlsafe_b64encode(p).decode().rstrip("=") for p in (
            b'{"alg":"HS256"}', json.dumps({"sub": g.word()}).encode(), g.random.randbytes(32))]  # fmt: skip
        g.plant("jwt", "/etc/app/jwt.txt", f"or {'.'.join(parts)}\n", parts[1], parts[2])
    for number in range(5):
        word = g.word()
        header = base64.b64encode(f"op{number}:{word}".encode()).decode()
        g.plant("basic header", "/etc/app/heads.conf", f"h{number} = Authorization: Basic {header}\n",
                word, header[8:])  # fmt: skip
        word = g.word()
        pair = base64.b64encode(f"op:{word}".encode()).decode()
        g.plant("registry login", f"/etc/containers/auth{number}.json",
                json.dumps({"auths": {"registry.host": {"auth": pair}}}), word, pair[8:])  # fmt: skip
        word = g.word(18)
        g.plant("encoded value", "/etc/cluster/secret.yaml",
                f"data:\n  password{number}: {base64.b64encode(word.encode()).decode()}\n", word)  # fmt: skip
    machine = g.hexadecimal(32)
    g.plant("machine id", "/etc/machine-id", f"{machine}\n", machine)
    hexpsk = g.hexadecimal(64)
    g.plant("wifi", "/etc/wpa_supplicant/hex.conf", f"network={{\n psk={hexpsk}\n}}\n", hexpsk)
    static = "\n".join(g.hexadecimal(32) for _ in range(16))
    g.plant("vpn", "/etc/openvpn/ta.key", "-----BEGIN OpenVPN Static key V1-----\n"
            f"{static}\n-----END OpenVPN Static key V1-----\n", *static.split()[1:])  # fmt: skip


def plant_packed(g: Garden) -> None:
    """The same kind of text behind gzip, xz, bzip2, zip and UTF-16."""
    for name, pack in (("gz", gzip.compress), ("xz", lzma.compress), ("bz2", bz2.compress)):
        words = [g.word() for _ in range(4)]
        text = "".join(f"s{n}_password = {w}\n" for n, w in enumerate(words))
        g.plant("packed", f"/etc/app/old.conf.{name}", pack(text.encode()), *words)
    words = [g.word() for _ in range(4)]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for number, word in enumerate(words):
            archive.writestr(f"{number}.ini", f"password = {word}\n")
    g.plant("packed", "/etc/app/old.zip", out.getvalue(), *words)
    word = g.word()
    g.plant("packed", "/etc/app/wide.ini", b"\xff\xfe" + f"password = {word}\r\n".encode("utf-16-le"),
            word)  # fmt: skip
    word = g.word()
    g.plant(
        "database", "/etc/app/state.db", b"SQLite format 3\0" + word.encode() + bytes(200), word
    )


FORMS: dict[str, Callable[[bytes], str]] = {
    "base64": lambda v: base64.b64encode(v).decode(),
    "base64 with newline": lambda v: base64.b64encode(v + b"\n").decode(),
    "hexadecimal": lambda v: v.hex(),
    "HEXADECIMAL": lambda v: v.hex().upper(),
    "md5": lambda v: hashlib.md5(v).hexdigest(),
    "md5 of the line": lambda v: hashlib.md5(v + b"\n").hexdigest(),
    "sha1": lambda v: hashlib.sha1(v).hexdigest(),
    "sha256": lambda v: hashlib.sha256(v).hexdigest(),
    "sha512": lambda v: hashlib.sha512(v).hexdigest(),
    "sha256 in base64": lambda v: base64.b64encode(hashlib.sha256(v).digest()).decode(),
}


def plant_twins(g: Garden) -> None:
    """One secret in each form, in files before and after the one that tells it."""
    for number, (name, make) in enumerate(FORMS.items()):
        word = g.word(16)
        g.plain[f"twin {name}"] = word
        shown = make(word.encode())
        # "zz" comes after "keys" in the order of the stream, "aa" before it.
        place = f"/etc/{'aa' if number % 2 else 'zz'}-twins/{number}.txt"
        g.plant("encoded twin", place, f"value {shown} end\n", shown)
        g.plant("plain of a twin", "/etc/keys.ini", f"k{number}_password = {word}\n", word)
    odd = "p\"q's<t&u/v%w+9x=Zk"
    g.plain["odd"] = odd
    g.plant("odd secret", "/etc/odd/odd.secret", odd + "\n", odd)
    g.plant("odd secret", "/etc/odd/odd.json", json.dumps({"remark": f"is {odd}"}) + "\n")
    g.plant("odd secret", "/etc/odd/url.txt", f"see x://h/?q={quote(odd, safe='')}\n",
            quote(odd, safe=""))  # fmt: skip
    g.plant("odd secret", "/etc/odd/page.html",
            "<b>p&quot;q&#x27;s&lt;t&amp;u/v%w+9x=Zk</b>\n", "p&quot;q&#x27;s&lt;t&amp;u/v")  # fmt: skip


PEOPLE = (
    ("jwinterbourne", "Juniper Winterbourne", "Room 12", "+44 20 7946 0018", 1001),
    ("okestrel", "Orla Kestrel", "", "(01632) 960 123", 1002),
    ("b.thornapple", "Barnaby Thornapple", "B7", "01632-960-456", 1003),
    ("mark", "Mark Sallowfield", "", "", 1004),
)


def plant_people(g: Garden) -> None:
    passwd = "root:x:0:0:root:/root:/bin/bash\ndaemon:x:1:1:daemon:/usr/sbin:/bin/false\n"
    group, crontab = "root:x:0:\nsudo:x:27:jwinterbourne,okestrel\n", ""
    for login, full, room, phone, number in PEOPLE:
        passwd += f"{login}:x:{number}:{number}:{full},{room},{phone},:/home/{login}:/bin/bash\n"
        group += f"{login}:x:{number}:\n"
        crontab += f"{number % 60} 4 * * * {login} /home/{login}/bin/job --mark=3\n"
        values = [v for v in (full, phone, login if login != "mark" else "") if v]
        g.plant("person", "/etc/passwd", "", *values)
        g.plant("person", f"/etc/sudoers.d/{login}", f"{login} ALL=(ALL) NOPASSWD: /usr/bin/true\n")
        g.plant("person", f"/var/spool/cron/crontabs/{login}", "0 1 * * * /bin/true\n")
    g.plant("person", "/etc/passwd", passwd)
    g.plant("person", "/etc/group", group)
    g.plant("person", "/etc/cron.d/people", crontab)
    g.plant("person", "/etc/systemd/system/job.service",
            "[Service]\nUser=jwinterbourne\nExecStart=/home/jwinterbourne/bin/run\n")  # fmt: skip
    g.plant("person", "/etc/app/owners.txt",
            "ask okestrel or Juniper Winterbourne first; mark the ticket\n")  # fmt: skip
    g.plant("mail address", "/etc/aliases", "root: okestrel@mail.partner.example.org, "
            "orla@lanterns.partner-works.net\n", "orla@lanterns.partner-works.net")  # fmt: skip


def plant_names(g: Garden) -> None:
    g.plant("host name", "/etc/hostname", f"{NODE}\n", NODE)
    g.plant("host name", "/etc/motd", f"Welcome to {NODE}, ask {NODE.upper()}\n")
    g.plant(
        "domain name", "/etc/nginx/sites/www", f"server_name www.{DOMAIN} shop.{DOMAIN};\n", DOMAIN
    )
    g.plant("domain name", "/etc/app/peers.txt",
            base64.b64encode(f"peer db3.{DOMAIN} port 5432".encode()).decode() + "\n",
            base64.b64encode(f"peer db3.{DOMAIN} port 5432".encode()).decode()[8:])  # fmt: skip
    g.plant("public address", "/etc/hosts.allow", "sshd: 93.184.216.34\n", "93.184.216.34")
    g.plant("hardware address", "/etc/systemd/network/10.link", "MACAddress=00:16:3e:4a:5b:6c\n",
            "00:16:3e:4a:5b:6c")  # fmt: skip


DECOYS = {
    "/etc/decoy/fstab": "UUID=919108f7-52d1-4320-9bac-f847db4148a8 / ext4 defaults 0 1\n",
    "/etc/decoy/sums": "d41d8cd98f00b204e9800998ecf8427e  empty\nmd5: d41d8cd98f00b204e9800998ecf8427e\n",
    "/etc/decoy/versions": "openssh-server 1:9.2p1-2+deb12u3\nlibc6 2.36-9+deb12u10\n",
    "/etc/decoy/names": "server_name www.example.com host.test localhost;\nmail user@example.org\n",
    "/etc/decoy/addresses": "listen 192.0.2.7 198.51.100.9 203.0.113.5 2001:db8::17 127.0.0.1\n",
    "/etc/decoy/ssh": "PasswordAuthentication no\nKexAlgorithms curve25519-sha256@libssh.org\n",
    "/etc/decoy/pam.conf": "password required pam_unix.so obscure yescrypt\n",
    "/etc/decoy/app.conf": "token_ttl = 3600\npassword_file = /etc/app/pw\npassword = ${APP_PASSWORD}\n",
    "/etc/decoy/sha.conf": "sha256: e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\n",
    "/etc/decoy/unit.service": "[Unit]\nAfter=network-online.target getty@tty1.service\n",
    "/etc/decoy/marks.conf": "iptables -t mangle -A OUTPUT -j MARK --set-mark 3 ; will mark packets\n",
    "/etc/decoy/paths": "/usr/lib/x86_64-linux-gnu/security/pam_systemd.so\n",
}


def plant_decoys(g: Garden) -> None:
    for path, text in DECOYS.items():
        g.decoys[path] = text.encode()


PLANTERS = (
    plant_ssh, plant_tls, plant_stores, plant_wireguard, plant_hashes, plant_settings,
    plant_tokens, plant_packed, plant_twins, plant_people, plant_names, plant_decoys,
)  # fmt: skip
