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
from forerun.model.blueprint import Blueprint, StandInDisk
from forerun.ports.domain_xml import GUEST_ADDRESS
from forerun.ports.guest import GUARD_FILE
from forerun.ports.ssh import make_key_pair
from forerun.stages.design import ACCESS_PORT

ACCESS_FOLDER = "/etc/forerun"
GATEWAY_PORT = 29480
PROXY_FILE = "/etc/apt/apt.conf.d/00forerun-gateway"
COPY_NAME = "copy.tar"
SEED_MOUNT = "/run/forerun-seed"
SEEDED_MARK = f"{ACCESS_FOLDER}/seeded"

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
        "meta-data": _dump({"instance-id": instance, "local-hostname": blueprint.hostname}),
        "user-data": b"#cloud-config\n" + _dump(_user_data(blueprint, keys)),
        "network-config": _dump(_network_config(mac)),
        COPY_NAME: copy,
    }


def _dump(value: object) -> bytes:
    return yaml.safe_dump(value, sort_keys=False, allow_unicode=True).encode("utf-8")


def _network_config(mac: str) -> dict[str, object]:
    """Matched by MAC: interface names differ by machine type and release."""
    return {
        "version": 2,
        "ethernets": {
            "sealed": {
                "match": {"macaddress": mac},
                "addresses": [f"{GUEST_ADDRESS}/24"],
                # nothing answers on the sealed link: waiting for a router cost 13 s a boot
                "accept-ra": False,
                "link-local": [],
            }
        },
    }


def _user_data(blueprint: Blueprint, keys: Keys) -> dict[str, object]:
    files = {
        f"{ACCESS_FOLDER}/sshd_config": (_SSHD_CONFIG, "0600"),
        f"{ACCESS_FOLDER}/host_key": (keys.host_private, "0600"),
        f"{ACCESS_FOLDER}/authorized_keys": (keys.login_public + "\n", "0600"),
        GUARD_FILE: (f"clone of run {blueprint.run_id}; made to be thrown away\n", "0644"),
        "/etc/systemd/system/forerun-access.service": (_ACCESS_UNIT, "0644"),
        PROXY_FILE: (f'Acquire::http::Proxy "http://127.0.0.1:{GATEWAY_PORT}";\n', "0644"),
        "/etc/motd": (
            "THIS IS A CLONE, made by forerun for a rehearsal. Not production.\n",
            "0644",
        ),
    }
    return {
        "hostname": blueprint.hostname,
        "manage_etc_hosts": True,
        "disable_root": False,
        "ssh_deletekeys": False,
        "ssh_genkeytypes": ["ed25519"],
        "bootcmd": [["sh", "-c", _unpack_script(blueprint.stand_ins)]],
        "write_files": [
            {"path": path, "content": content, "permissions": mode}
            for path, (content, mode) in files.items()
        ],
        "runcmd": [
            ["systemctl", "daemon-reload"],
            ["systemctl", "enable", "--now", "forerun-access.service"],
        ],
    }


def _unpack_script(stand_ins: tuple[StandInDisk, ...]) -> str:
    """Early in the first boot: the sanitised copy over /, data mounts into fstab."""
    lines = [
        f"[ ! -e {SEEDED_MARK} ] || exit 0",  # bootcmd runs at every boot
        f"mkdir -p {SEED_MOUNT} && mount -o ro LABEL=CIDATA {SEED_MOUNT} || exit 0",
        f"tar -C / -xpf {SEED_MOUNT}/{COPY_NAME} --keep-directory-symlink",
        f"umount {SEED_MOUNT}",
    ]
    for disk in stand_ins:
        if disk.fstype != "swap":
            lines.append(f"mkdir -p {_quote(disk.target)}")
        lines.append(
            f"grep -qF {_quote(disk.uuid)} /etc/fstab || "
            f"printf '%s\\n' {_quote(disk.fstab_line)} >> /etc/fstab"
        )
    # sshd without PAM refuses a locked account, also with a key (sshd(8), LOGIN PROCESS)
    lines.append("usermod -p '*' root")
    lines.append(f"mkdir -p {ACCESS_FOLDER} && touch {SEEDED_MARK}")
    return "\n".join(lines)


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
    """After the first boot: everything that read its configuration before the copy was
    in place reads it again."""
    units = " ".join(_quote(unit) for unit in blueprint.enable_units)
    return f"""systemctl daemon-reload
cd /etc/apt
for file in sources.list sources.list.d/*.list sources.list.d/*.sources; do
  [ ! -f "$file" ] || sed -i 's#https://#http://#g' "$file"
done
mount -a || true
sysctl --quiet --system || true
for unit in {units}; do
  systemctl cat "$unit" >/dev/null 2>&1 || continue
  systemctl restart "$unit" || echo "not restarted: $unit"
done
"""
