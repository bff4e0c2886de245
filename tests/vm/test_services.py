"""Services on a clone made from a sanitised copy: what stands in for keys, certificates,
passwords and names is good enough for the real programs to start and to let users in."""

from __future__ import annotations

import base64
import datetime
import re
import ssl
from collections.abc import Iterator
from dataclasses import dataclass, replace

import paramiko
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa, x25519
from cryptography.x509.oid import NameOID

from forerun.model.profile import ServiceProbe, Site
from forerun.model.survey import Unit
from forerun.model.system import Account, Group, Interface, SystemFacts
from forerun.pipeline_bench import Bench
from forerun.ports.clock import SystemClock
from forerun.ports.store import make_id
from forerun.profiles import load_profile, shipped_folders
from forerun.stages.build import Clone, Yard, open_clone
from forerun.stages.copy_tar import filter_copy
from forerun.stages.design import design_clone
from forerun.stages.seed import list_taken, write_settle_script
from forerun.stages.template_fit import compare_packages, count_fit
from tests.vm import lab, made_up
from tests.vm.made_up import File, MadeUp

pytestmark = pytest.mark.vm

PACKAGES = ("linux-image-cloud-amd64", "nginx-light", "openssh-server", "postgresql",
            "wireguard-tools")  # fmt: skip
PASSWORD = "Sommer-Regal-2026"  # made up; must not arrive on the clone
POSTGRES = (117, 125)
PEM, PKCS8 = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
PLAIN = serialization.NoEncryption()


def make_certificate() -> tuple[str, str]:
    """A self-signed certificate for the shop, and its key (RFC 5280)."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "shop.lindenholm.test")])
    began = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(began)
        .not_valid_after(began + datetime.timedelta(days=3650))
        .add_extension(
            x509.SubjectAlternativeName([x509.DNSName("shop.lindenholm.test")]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    return made.public_bytes(PEM).decode(), key.private_bytes(PEM, PKCS8, PLAIN).decode()


def make_host_key(key: ed25519.Ed25519PrivateKey | rsa.RSAPrivateKey) -> tuple[str, str]:
    """Private and public half as OpenSSH writes them."""
    private = key.private_bytes(PEM, serialization.PrivateFormat.OpenSSH, PLAIN).decode()
    public = key.public_key().public_bytes(
        serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH
    )
    return private, public.decode() + " root@shelf01\n"


def make_tunnel_key() -> tuple[str, str]:
    """A key pair as wg(8) writes it: base64 of 32 bytes."""
    key = x25519.X25519PrivateKey.generate()
    return (
        base64.b64encode(key.private_bytes_raw()).decode(),
        base64.b64encode(key.public_key().public_bytes_raw()).decode(),
    )


SITE_CONF = """server {
  listen 443 ssl;
  listen 192.0.2.10:8443 ssl;
  server_name shop.lindenholm.test;
  ssl_certificate /etc/ssl/shop.pem;
  ssl_certificate_key /etc/ssl/private/shop.key;
  location / { return 200 "shelf is open\\n"; }
  location /app { proxy_pass http://app.lindenholm.test:8080; }
}
"""


def write_files() -> dict[str, File]:
    """Production's configuration, with keys and passwords of its own."""
    certificate, key = make_certificate()
    host_key, host_public = make_host_key(ed25519.Ed25519PrivateKey.generate())
    rsa_key, rsa_public = make_host_key(rsa.generate_private_key(65537, 3072))
    own, _ = make_tunnel_key()
    _, peer = make_tunnel_key()
    return {
        "/etc/hosts": File("127.0.0.1 localhost\n192.0.2.10 shelf01.lindenholm.test shelf01\n"),
        "/etc/passwd": File(
            "root:x:0:0:root:/root:/bin/bash\n"
            f"postgres:x:{POSTGRES[0]}:{POSTGRES[1]}:PostgreSQL:/var/lib/postgresql:/bin/bash\n"
            "maria:x:1007:1007:Maria Muster,,,:/home/maria:/bin/bash\n"
        ),
        "/etc/group": File(f"root:x:0:\npostgres:x:{POSTGRES[1]}:\nmaria:x:1007:\n"),
        "/etc/shadow": File(
            "root:*:20000::::::\npostgres:*:20000::::::\nmaria:!:20000::::::\n", 0o640
        ),
        "/etc/nginx/sites-enabled/shop": File(SITE_CONF),
        "/etc/ssl/shop.pem": File(certificate),
        "/etc/ssl/private/shop.key": File(key, 0o600),
        "/etc/ssh/sshd_config": File(
            "HostKey /etc/ssh/ssh_host_rsa_key\nHostKey /etc/ssh/ssh_host_ed25519_key\n"
            "UsePAM yes\nSubsystem sftp /usr/lib/openssh/sftp-server\n"
        ),
        "/etc/ssh/ssh_host_ed25519_key": File(host_key, 0o600),
        "/etc/ssh/ssh_host_ed25519_key.pub": File(host_public),
        "/etc/ssh/ssh_host_rsa_key": File(rsa_key, 0o600),
        "/etc/ssh/ssh_host_rsa_key.pub": File(rsa_public),
        "/etc/wireguard/wg0.conf": File(
            f"[Interface]\nPrivateKey = {own}\nAddress = 10.9.0.1/24\nListenPort = 51820\n"
            f"[Peer]\nPublicKey = {peer}\nAllowedIPs = 10.9.0.2/32\n",
            0o600,
        ),
        "/etc/shelf/.pgpass": File(f"127.0.0.1:5432:*:shelf:{PASSWORD}\n", 0o600, *POSTGRES),
        "/etc/shelf/roles.sql": File(
            f"CREATE ROLE shelf LOGIN PASSWORD '{PASSWORD}';\n", 0o640, *POSTGRES
        ),
    }  # fmt: skip


LINKS = {
    "/etc/systemd/system/multi-user.target.wants/wg-quick@wg0.service": (
        "/lib/systemd/system/wg-quick@.service"
    )
}
UNITS = (
    Unit("nginx.service", "active", "running", "enabled"),
    Unit("ssh.service", "active", "running", "enabled"),
    Unit("postgresql@15-main.service", "active", "running", "enabled-runtime"),
    Unit("wg-quick@wg0.service", "active", "exited", "enabled"),
    Unit("fstrim.timer", "inactive", "dead", "disabled"),
)
SYSTEM = SystemFacts(
    accounts=(Account("postgres", *POSTGRES), Account("maria", 1007, 1007)),
    groups=(Group("postgres", POSTGRES[1]), Group("maria", 1007)),
    interfaces=(Interface("enp1s0", "02:00:00:00:00:07", "igb", "pci", ("192.0.2.10/24",)),
                Interface("wg0", "", "wireguard", "", ("10.9.0.1/24",))),
)  # fmt: skip
SITE = Site(
    services=(ServiceProbe("web", 443, "tcp"), ServiceProbe("ssh", 22, "banner", "SSH-2.0-"))
)


@dataclass(frozen=True, slots=True)
class Shelf:
    """The clone, what it was made from, and what settling had to say."""

    clone: Clone
    made: MadeUp
    told: str
    counts: dict[str, int]

    def run(self, script: str) -> str:
        """Standard output of a script on the clone."""
        return self.clone.guest.run(f"cd /; {script}", timeout_s=120).text()


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, bench: Bench, yard: Yard) -> Iterator[Shelf]:
    made = made_up.make(
        tmp_path_factory.mktemp("made-up"), write_files(), links=LINKS, packages=PACKAGES,
        units=UNITS, system=SYSTEM,
    )  # fmt: skip
    profile = load_profile(shipped_folders()[0] / "debian-12-to-13" / "profile.yaml")
    blueprint = design_clone(
        made.survey, profile, SITE, run_id=make_id("test", SystemClock().now()), cpus=1,
        memory_bytes=768 << 20, emulated=yard.accelerator != "kvm",
    )  # fmt: skip
    template = lab.build_recipe(bench, blueprint.recipe)
    copy = filter_copy(made.copy, list_taken(blueprint))
    # The survey knows no versions here: each package is told by the template.
    versions = dict(template.packages)
    survey = replace(
        made.survey,
        packages=tuple(replace(p, version=versions[p.name]) for p in made.survey.packages),
    )
    counts = count_fit(compare_packages(survey, blueprint.recipe, template))
    with open_clone(blueprint, template, copy, yard) as clone:
        told = clone.guest.run(write_settle_script(blueprint), timeout_s=600).text()
        yield Shelf(clone, made, told, counts)


def test_everything_that_ran_on_production_runs(shelf: Shelf) -> None:
    """Settling has nothing to say, no unit failed, and what is off on production is off."""
    assert shelf.told == ""
    failed = shelf.run("systemctl --failed --plain --no-legend")
    assert failed == "", shelf.run(
        "journalctl --boot --no-pager --priority=err; "
        "systemctl status --no-pager --lines=30 --failed || true"
    )
    states = shelf.run(
        "systemctl is-active nginx ssh postgresql@15-main wg-quick@wg0 fstrim.timer; "
        "systemctl is-enabled fstrim.timer"
    ).split()
    assert states == ["active", "active", "active", "active", "inactive", "disabled"]
    assert shelf.counts["exact"] == len(PACKAGES)


def test_the_web_server_answers_with_the_certificate_issued_again(shelf: Shelf) -> None:
    """`nginx -t` accepts the copy; from outside, the certificate is the copy's own, under a
    name that is not production's; on production's address it answers on the clone."""
    assert shelf.clone.guest.run("nginx -t", timeout_s=60).exit_code == 0
    port = shelf.clone.host_port(443)
    got = ssl.get_server_certificate(("127.0.0.1", port), timeout=60)
    clean = shelf.made.clean["/etc/ssl/shop.pem"]
    first, second = (x509.load_pem_x509_certificate(p.encode()) for p in (got, clean))
    assert first == second
    assert b"shop.lindenholm.test" not in first.public_bytes(serialization.Encoding.DER)
    (name,) = re.findall(r"server_name ([^;]+);", shelf.made.clean["/etc/nginx/sites-enabled/shop"])
    names = first.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == [name]
    said = shelf.run(
        "printf 'GET / HTTP/1.0\\r\\n\\r\\n' | timeout 60 openssl s_client -quiet "
        "-connect 192.0.2.10:8443 2>/dev/null; true"
    )
    assert "shelf is open" in said


def test_names_of_the_configuration_lead_nowhere(shelf: Shelf) -> None:
    """The upstream's name resolves, or nginx would not have started; nobody is there."""
    (upstream,) = re.findall(r"http://([^:]+):", shelf.made.clean["/etc/nginx/sites-enabled/shop"])
    shown = shelf.run(f"getent hosts {upstream}; hostname; getent hosts $(hostname)")
    lines = shown.splitlines()
    assert lines[0].split() == ["192.0.0.8", upstream]
    assert lines[2].split()[0] == "192.0.2.10"
    assert shelf.clone.guest.run(
        f"timeout 10 bash -c 'exec 3<>/dev/tcp/{upstream}/8080'", timeout_s=60
    ).exit_code not in (0, 124)  # refused at once, not waited for


def test_the_ssh_service_presents_the_copys_host_keys(shelf: Shelf) -> None:
    """Both keys of the configuration are loaded; the one presented is the copy's."""
    transport = paramiko.Transport(("127.0.0.1", shelf.clone.host_port(22)))
    try:
        transport.start_client(timeout=60)
        key = transport.get_remote_server_key()
    finally:
        transport.close()
    kind = "ed25519" if "ed25519" in key.get_name() else "rsa"
    clean = shelf.made.clean[f"/etc/ssh/ssh_host_{kind}_key.pub"]
    assert clean.split()[1] == key.get_base64()
    loaded = shelf.run("sshd -T 2>/dev/null | grep -i '^hostkey '; sshd -t; echo $?")
    assert loaded.splitlines()[-1] == "0"
    assert "ssh_host_rsa_key" in loaded


def test_the_database_lets_in_with_the_replaced_password(shelf: Shelf) -> None:
    """The role is made from the copy's own file; the password file beside it opens it
    (libpq's .pgpass), production's password does not, and no file has it."""
    shelf.run("runuser -u postgres -- psql -q -f /etc/shelf/roles.sql postgres")
    ask = "psql -h 127.0.0.1 -U shelf -w -t -A -c 'select current_user' postgres 2>&1"
    owner = shelf.run("stat -c '%u %g' /etc/shelf/.pgpass /var/lib/postgresql/15/main")
    assert owner.splitlines() == ["117 125", "117 125"]
    with_file = f"runuser -u postgres -- env PGPASSFILE=/etc/shelf/.pgpass {ask}"
    assert shelf.run(with_file).strip() == "shelf"
    refused = shelf.run(f"PGPASSFILE=/nowhere PGPASSWORD={PASSWORD} {ask}; true")
    assert "password authentication failed" in refused
    assert shelf.run(f"grep -rl {PASSWORD} /etc; true") == ""
    method = shelf.run(
        'runuser -u postgres -- psql -t -A -c "select left(rolpassword, 13) from pg_authid '
        "where rolname = 'shelf'\" postgres"
    )
    assert method.strip() == "SCRAM-SHA-256"


def test_the_tunnel_is_up_with_keys_that_belong_together(shelf: Shelf) -> None:
    """wg(8) lists the link, its own public key is that of the copy's private one, and the
    peer's key is the copy's."""
    clean = shelf.made.clean["/etc/wireguard/wg0.conf"]
    private, peer = re.findall(r"Key = (\S+)", clean)
    shown = shelf.run("wg show wg0 dump").split("\n")
    own = x25519.X25519PrivateKey.from_private_bytes(base64.b64decode(private)).public_key()
    assert shown[0].split("\t")[1] == base64.b64encode(own.public_bytes_raw()).decode()
    assert shown[1].split("\t")[0] == peer


def test_people_and_numbers_are_productions(shelf: Shelf) -> None:
    """Accounts with number and home; neither login nor real name of a person is there; files
    of the database have the number that the database's user has on production."""
    person = shelf.run("getent passwd 1007").strip()
    login = person.partition(":")[0]
    assert login.startswith("user-")
    assert person.startswith(f"{login}:x:1007:1007:Person ")
    assert person.split(":")[5] == f"/home/{login}"
    assert shelf.run(f"stat -c '%a %U' /home/{login}").strip() == f"700 {login}"
    assert shelf.run("getent passwd postgres").split(":")[2:4] == ["117", "125"]
    assert "Muster" not in person
    assert shelf.run("getent passwd maria || echo none").strip() == "none"
