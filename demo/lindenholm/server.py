"""shelf01.records.example before it exists: its packages, its files, its secrets.

The files lie in `demo/shelf01/tree/`. A word such as @RELAY_PASSWORD@ in one of them is
a secret that is made anew for each demonstration and never committed.
"""

from __future__ import annotations

import datetime
import io
import re
import secrets
import tarfile
from collections.abc import Mapping
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import NameOID

from forerun.model.blueprint import PinnedPackage, RecipeSource, TemplateRecipe
from forerun.ports.disks import SEED_LABEL
from forerun.ports.domain_xml import GUEST_ADDRESS
from forerun.stages.design import through_gateway
from forerun.stages.first_boot import INSTANCE_FILE, SEED_MOUNT, SEED_SCRIPT, write_network_file
from forerun.stages.seed import Keys
from lindenholm.archive import CODENAME, Archives

HERE = Path(__file__).resolve().parents[1] / "shelf01"
HOST = "shelf01"
SYSTEM_BYTES = 10 * 1024**3
ARCHIVE_BYTES = 1024**3
ARCHIVE_UUID = "8f3d2c61-5b0e-4a77-9c15-2e6d1b7a4f90"
ARCHIVE_LABEL = "archive"
OWN_ADDRESS = "192.0.2.10"

# Versions in apt's own notation, where shelf01 lags behind the archive: bookworm's suite
# keeps these, and its security suite has had newer ones since.
_LAGGING = {"rsync": "3.2.7-*", "libexpat1": "2.5.0-1+deb12u2"}
_HELD = ("rsync",)
# What may be otherwise on the server than the story says, each by a script of that name.
VARIATIONS = {
    "more-edits": "twelve packaged files were edited on the server, not four",
    "hazards": "the server has every hazard of shelf01/hazards.yaml",
    "mended": "what a rehearsal finds of the server's own was put right before",
}
_PACKAGES = (
    "cron",
    "e2fsprogs",
    "initramfs-tools",
    "libexpat1",
    "logrotate",
    "nginx-light",
    "openssh-server",
    "python3",
    "rsync",
    "smartmontools",
    "usr-is-merged",
)
_SECRET = re.compile(r"@([A-Z_]+)@")


def write_recipe(archives: Archives) -> TemplateRecipe:
    """The template that shelf01's system disk starts from."""
    return TemplateRecipe(
        family="debian",
        codename=CODENAME,
        architecture="amd64",
        boot_mode="bios",
        size_bytes=SYSTEM_BYTES,
        # The archive gateway is asked by http and asks the archive as configured.
        sources=tuple(
            RecipeSource(through_gateway(source.uris[0]), source.suites[0], source.components)
            for source in archives.sources()
        ),
        packages=tuple(
            PinnedPackage(name, _LAGGING.get(name, ""), "amd64", held=name in _HELD)
            for name in _PACKAGES
        ),
        variant="shelf01",
    )


def make_secrets() -> dict[str, str]:
    """Name to value of every secret of the server, new ones at each call."""
    names = ("AGENT_TOKEN", "CATALOGUE_PASSWORD", "POST_PASSWORD", "RELAY_PASSWORD",
             "RSYNC_PASSWORD")  # fmt: skip
    made = {name: secrets.token_urlsafe(18) for name in names}
    made["TLS_KEY"], made["TLS_CERTIFICATE"] = _make_certificate()
    return made


def _make_certificate() -> tuple[str, str]:
    """A self-signed certificate for the web listing: (private key, certificate), PEM."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{HOST}.records.example")])
    today = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(today - datetime.timedelta(days=30))
        .not_valid_after(today + datetime.timedelta(days=335))
        .add_extension(
            x509.SubjectAlternativeName([x509.DNSName(f"{HOST}.records.example")]), False
        )
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    public = certificate.public_bytes(serialization.Encoding.PEM)
    return private.decode("ascii").strip(), public.decode("ascii").strip()


def list_telling(made: Mapping[str, str]) -> dict[str, bytes]:
    """Name to the bytes by which each secret would be found again; the certificate is
    public and not among them."""
    telling = {name: value.encode("ascii") for name, value in made.items()}
    del telling["TLS_CERTIFICATE"]
    # Of the key, one line: another layout of the same key would still hold it.
    telling["TLS_KEY"] = telling["TLS_KEY"].splitlines()[5]
    return telling


def write_seed(
    made: Mapping[str, str],
    keys: Keys,
    archives: Archives,
    *,
    mac: str,
    agent: bytes,
    variations: frozenset[str] = frozenset(),
) -> dict[str, bytes]:
    """The seed: shelf01's first boot makes it the server of the story.

    `agent` is the vendor's package file; `variations` are of VARIATIONS."""
    scripts = [f"{name}.sh" for name in sorted(variations)]
    return {
        **{name: (HERE / name).read_bytes() for name in scripts},
        INSTANCE_FILE: f"instance-id: {HOST}\n".encode("ascii"),
        SEED_SCRIPT: _EARLY.encode("ascii"),
        "tree.tar": _pack_tree(made, keys, archives, mac, hazards="hazards" in variations),
        "set-up.sh": (HERE / "set-up.sh").read_bytes(),
        "shelf-agent.deb": agent,
        "agent-token": made["AGENT_TOKEN"].encode("ascii"),
    }


# Before any service starts; $1 is the folder of the seed. This machine may be emulated,
# where address randomisation costs much: it is off until the next boot, which is none.
_EARLY = f"""echo 0 > /proc/sys/kernel/randomize_va_space
mkdir -p /srv/archive
echo 'UUID={ARCHIVE_UUID} /srv/archive ext4 defaults,noatime 0 2' >> /etc/fstab
mount /srv/archive && tar -C / -xpf "$1/tree.tar" || exit 1
chmod 700 /root/.ssh
usermod -p '*' root
hostname -F /etc/hostname
systemctl daemon-reload
"""
# As its administrator, when it is up.
SET_UP = f"""mkdir -p {SEED_MOUNT} && mount -o ro LABEL={SEED_LABEL} {SEED_MOUNT} || exit 1
sh {SEED_MOUNT}/set-up.sh {SEED_MOUNT} 2>&1
code=$?
umount {SEED_MOUNT}
exit $code
"""


def _write_network(mac: str) -> str:
    """The server's own address, and the one the sealed link's ports lead to."""
    return write_network_file(mac, (f"{GUEST_ADDRESS}/24", f"{OWN_ADDRESS}/24"))


def list_files(*, hazards: bool) -> dict[str, Path]:
    """Path on the server, without the first slash, to the file here."""
    folders = [HERE / "tree", *([HERE / "hazards"] if hazards else [])]
    return {
        str(path.relative_to(folder)): path
        for folder in folders
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _pack_tree(
    made: Mapping[str, str], keys: Keys, archives: Archives, mac: str, *, hazards: bool
) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as tar:
        for name, path in list_files(hazards=hazards).items():
            _add_file(tar, name, path, made)
        _add(tar, "etc/apt/sources.list", archives.source_list(), 0o644)
        _add(tar, "etc/hostname", f"{HOST}\n", 0o644)
        _add(tar, "etc/systemd/network/office.network", _write_network(mac), 0o644)
        _add(tar, "etc/ssh/ssh_host_ed25519_key", keys.host_private, 0o600)
        _add(tar, "etc/ssh/ssh_host_ed25519_key.pub", keys.host_public + "\n", 0o644)
        _add(tar, "root/.ssh/authorized_keys", keys.login_public + "\n", 0o600)
    return out.getvalue()


def _add_file(tar: tarfile.TarFile, name: str, path: Path, made: Mapping[str, str]) -> None:
    text = path.read_text(encoding="utf-8")
    whole = _SECRET.sub(lambda match: made[match[1]], text)
    mode = 0o755 if path.stat().st_mode & 0o100 else 0o644
    _add(tar, name, whole, 0o600 if whole != text else mode)


def _add(tar: tarfile.TarFile, name: str, text: str, mode: int) -> None:
    content = text.encode("utf-8")
    info = tarfile.TarInfo(name)
    info.size, info.mode = len(content), mode
    info.uname = info.gname = "root"
    info.mtime = int(datetime.datetime.now(datetime.UTC).timestamp())
    tar.addfile(info, io.BytesIO(content))
