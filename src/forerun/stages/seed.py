"""The seed of a clone (NoCloud) and the sanitised configuration that goes with it.

forerun reaches a clone through an SSH service of its own, on a port and with a
configuration of its own, so that production's SSH settings may break during a
rehearsal - as they may in production - without ending the observation.
"""

from __future__ import annotations

import io
import tarfile
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import yaml

from forerun.errors import RecordDamaged
from forerun.model.blueprint import Blueprint
from forerun.ports.domain_xml import GUEST_ADDRESS
from forerun.ports.guest import GUARD_FILE
from forerun.ports.ssh import make_key_pair
from forerun.stages.design import ACCESS_PORT
from forerun.stages.first_boot import INSTANCE_FILE, READER, SEED_SCRIPT, write_network_file

ACCESS_FOLDER = "/etc/forerun"
GATEWAY_PORT = 29480
PROXY_FILE = "/etc/apt/apt.conf.d/00forerun-gateway"
COPY_NAME = "copy.tar"
ACCESS_NAME = "access.tar"
ACCESS_UNIT = "forerun-access.service"

# hosts(5), as Debian's installer writes it.
_HOSTS = """127.0.0.1 localhost
127.0.1.1 {name}
::1 localhost ip6-localhost ip6-loopback
"""
_SEALED_ADDRESS = f"{GUEST_ADDRESS}/24"
_SSHD_CONFIG = f"""Port {ACCESS_PORT}
HostKey {ACCESS_FOLDER}/host_key
AuthorizedKeysFile {ACCESS_FOLDER}/authorized_keys
PermitRootLogin prohibit-password
PasswordAuthentication no
KbdInteractiveAuthentication no
UsePAM no
StrictModes yes
AllowTcpForwarding remote
MaxSessions 60
MaxStartups 60
ClientAliveInterval 30
PidFile /run/forerun-access.pid
Subsystem sftp internal-sftp
"""

# ssh.service owns /run/sshd and removes it when it ends, also when it fails; sshd
# refuses to serve without it. A mount of our own there cannot be removed.
_ACCESS_UNIT = f"""[Unit]
Description=forerun's own access to this clone
After=network.target

[Service]
ExecStartPre=/bin/sh -c 'mkdir -p /run/sshd; mountpoint -q /run/sshd || \
mount -t tmpfs -o mode=755,size=64k tmpfs /run/sshd'
ExecStart=/usr/sbin/sshd -D -f {ACCESS_FOLDER}/sshd_config
KillMode=process
Restart=always
RestartSec=2

[Install]
WantedBy=multi-user.target
"""


@dataclass(frozen=True, slots=True)
class Keys:
    """The keys of one clone: they are made for it and die with it."""

    login_private: str
    login_public: str
    host_private: str
    host_public: str


def make_keys() -> Keys:
    """New keys for one clone."""
    return Keys(*make_key_pair(), *make_key_pair())


def write_seed_files(
    blueprint: Blueprint, keys: Keys, *, instance: str, mac: str, copy: bytes
) -> dict[str, bytes]:
    """The files of the seed image: name to content."""
    return {
        INSTANCE_FILE: _dump({"instance-id": instance, "local-hostname": blueprint.hostname}),
        "user-data": b"#cloud-config\n" + _dump(_USER_DATA),
        "network-config": _dump(_network_config(mac)),
        SEED_SCRIPT: _write_seed_script(blueprint).encode("utf-8"),
        COPY_NAME: copy,
        ACCESS_NAME: _pack_access(blueprint, keys, mac),
    }


def _dump(value: object) -> bytes:
    return yaml.safe_dump(value, sort_keys=False, allow_unicode=True).encode("utf-8")


# For an imported image that has cloud-init; forerun's own templates read the seed
# themselves.
_USER_DATA = {
    "disable_root": False,
    "ssh_deletekeys": False,
    "ssh_genkeytypes": ["ed25519"],
    "bootcmd": [["sh", "-c", READER]],
}


def _network_config(mac: str) -> dict[str, object]:
    """The same as `write_network_file`, for cloud-init."""
    return {
        "version": 2,
        "ethernets": {
            "sealed": {
                "match": {"macaddress": mac},
                "addresses": [_SEALED_ADDRESS],
                "accept-ra": False,
                "link-local": [],
            }
        },
    }


def _pack_access(blueprint: Blueprint, keys: Keys, mac: str) -> bytes:
    """forerun's own files on the clone, as a tar to unpack over /."""
    files = {
        f"{ACCESS_FOLDER}/sshd_config": (_SSHD_CONFIG, 0o600),
        f"{ACCESS_FOLDER}/host_key": (keys.host_private, 0o600),
        f"{ACCESS_FOLDER}/authorized_keys": (f"{keys.login_public}\n", 0o600),
        GUARD_FILE: (f"clone of run {blueprint.run_id}; made to be thrown away\n", 0o644),
        f"/etc/systemd/system/{ACCESS_UNIT}": (_ACCESS_UNIT, 0o644),
        "/etc/systemd/network/05-sealed-link.network": (
            write_network_file(mac, (_SEALED_ADDRESS,)),
            0o644,
        ),
        PROXY_FILE: (f'Acquire::http::Proxy "http://127.0.0.1:{GATEWAY_PORT}";\n', 0o644),
        "/etc/hostname": (f"{blueprint.hostname}\n", 0o644),
        "/etc/hosts": (_HOSTS.format(name=blueprint.hostname), 0o644),
        "/etc/motd": (
            "THIS IS A CLONE, made by forerun for a rehearsal. Not production.\n",
            0o644,
        ),
    }
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for path, (text, mode) in files.items():
            content = text.encode("utf-8")
            info = tarfile.TarInfo(f".{path}")
            info.size, info.mode = len(content), mode
            info.uname = info.gname = "root"
            tar.addfile(info, io.BytesIO(content))
    return out.getvalue()


def _write_seed_script(blueprint: Blueprint) -> str:
    """Early in the first boot, as root: the sanitised copy over /, data mounts into
    fstab, forerun's access. $1 is the folder of the seed."""
    lines = [
        f'tar -C / -xpf "$1/{COPY_NAME}" --keep-directory-symlink || exit 1',
        f'tar -C / -xpf "$1/{ACCESS_NAME}" --keep-directory-symlink || exit 1',
        "hostname -F /etc/hostname",
        "[ -e /etc/ssh/ssh_host_ed25519_key ] ||"
        " ssh-keygen -q -t ed25519 -N '' -f /etc/ssh/ssh_host_ed25519_key",
    ]
    for disk in blueprint.stand_ins:
        if disk.fstype != "swap":
            lines.append(f"mkdir -p {_quote(disk.target)}")
        lines.append(
            f"grep -qF {_quote(disk.uuid)} /etc/fstab || "
            f"printf '%s\\n' {_quote(disk.fstab_line)} >> /etc/fstab"
        )
    wants = "/etc/systemd/system/multi-user.target.wants"
    lines += [
        # sshd without PAM refuses a locked account, also with a key (sshd(8), LOGIN PROCESS)
        "usermod -p '*' root",
        f"mkdir -p {wants} && ln -sf ../{ACCESS_UNIT} {wants}/{ACCESS_UNIT}",
        # Units and mounts of the copy join the start-up that is under way.
        "systemctl daemon-reload",
        "systemctl --no-block start default.target",
        f"systemctl --no-block start {ACCESS_UNIT}",
        "exit 0",
    ]
    return "\n".join(lines) + "\n"


def _quote(text: str) -> str:
    return "'" + text.replace("'", "'\\''") + "'"


def filter_copy(source: Path, wanted: Collection[str]) -> bytes:
    """The part of a sanitised copy that goes to the clone, as an uncompressed tar."""
    chosen = frozenset(wanted)
    out = io.BytesIO()
    try:
        with (
            tarfile.open(source) as archive,
            tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as target,
        ):
            for member in archive:
                if "/" + member.name.lstrip("./") not in chosen:
                    continue
                stream = archive.extractfile(member) if member.isreg() else None
                target.addfile(member, stream)
    except tarfile.TarError as problem:
        raise RecordDamaged(
            "The sanitised copy cannot be read.",
            where=str(source),
            found=str(problem),
            hint="Take the survey again.",
        ) from problem
    return out.getvalue()


def write_settle_script(blueprint: Blueprint) -> str:
    """After the first boot: wait for its end, then see to it that everything of
    production's is in use. Each line printed is something that is not."""
    units = " ".join(_quote(unit) for unit in blueprint.enable_units)
    return f"""cd /etc/apt
for file in sources.list sources.list.d/*.list sources.list.d/*.sources; do
  [ ! -f "$file" ] || sed -i 's#https://#http://#g' "$file"
done
timeout 300 systemctl is-system-running --wait >/dev/null 2>&1
mount -a || true
sysctl --quiet --system || true
for unit in {units}; do
  systemctl is-active --quiet "$unit" && continue
  systemctl cat "$unit" >/dev/null 2>&1 || continue
  systemctl start "$unit" || echo "not started: $unit"
done
"""
