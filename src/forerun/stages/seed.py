"""The seed of a clone (NoCloud) and the sanitised configuration that goes with it.

forerun reaches a clone through an SSH service of its own, on a port and with a
configuration of its own, so that production's SSH settings may break during a
rehearsal - as they may in production - without ending the observation.
"""

from __future__ import annotations

import io
import tarfile
from dataclasses import dataclass

import yaml

from forerun.model.blueprint import Blueprint
from forerun.ports.domain_xml import GUEST_ADDRESS
from forerun.ports.guard import GUARD_FILE
from forerun.ports.ssh import make_key_pair
from forerun.stages.account_numbers import NUMBER_ACCOUNTS
from forerun.stages.copy_tar import part_copy, read_members
from forerun.stages.design import ACCESS_PORT
from forerun.stages.first_boot import INSTANCE_FILE, READER, SEED_SCRIPT, write_network_file
from forerun.stages.seed_disks import (
    NOT_MADE,
    SAMPLES_NAME,
    SAMPLES_PROGRAM,
    STAND_INS_NAME,
    quote,
    write_stand_ins,
)
from forerun.stages.seed_network import find_names, write_hosts, write_link_files

ACCESS_FOLDER = "/etc/forerun"
GATEWAY_PORT = 29480
PROXY_FILE = "/etc/apt/apt.conf.d/00forerun-gateway"
COPY_NAME = "copy.tar"
MERGED_NAME = "merged.tar"
ACCOUNTS_NAME = "accounts.pl"
ACCESS_NAME = "access.tar"
HOSTS = "/etc/hosts"
SYSTEM_SERIAL = "forerun-system"
ACCESS_UNIT = "forerun-access.service"

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
    """The files of the seed image: name to content. `copy` holds what `list_taken` names."""
    merged: dict[str, bytes] = {}
    if blueprint.merged_paths:
        laid, read = part_copy(copy, frozenset(blueprint.merged_paths))
        merged = {MERGED_NAME: read, ACCOUNTS_NAME: NUMBER_ACCOUNTS.encode("utf-8")}
        hosts = read_members(io.BytesIO(read), {HOSTS}, MERGED_NAME).get(HOSTS, b"")
        table, names = hosts.decode("utf-8", "replace"), find_names(copy)
        copy = laid
    else:
        table, names = "", ()
    own_hosts = write_hosts(blueprint.hostname, blueprint.links, table, names)
    made = {STAND_INS_NAME: write_stand_ins(blueprint).encode("utf-8")}
    if blueprint.samples:
        made[SAMPLES_NAME] = SAMPLES_PROGRAM.encode("utf-8")
    return {
        INSTANCE_FILE: _dump({"instance-id": instance, "local-hostname": blueprint.hostname}),
        "user-data": b"#cloud-config\n" + _dump(_USER_DATA),
        "network-config": _dump(_network_config(mac)),
        SEED_SCRIPT: _write_seed_script(blueprint).encode("utf-8"),
        COPY_NAME: copy,
        ACCESS_NAME: _pack_access(blueprint, keys, mac, own_hosts),
        **merged,
        **(made if _has_stand_ins(blueprint) else {}),
    }


def list_taken(blueprint: Blueprint) -> tuple[str, ...]:
    """The paths of the copy that a clone's seed needs, laid over it or read."""
    return (*blueprint.copy_paths, *blueprint.merged_paths)


def _has_stand_ins(blueprint: Blueprint) -> bool:
    return bool(
        blueprint.stand_ins
        or blueprint.table_lines
        or blueprint.swap_files
        or blueprint.samples
        or blueprint.merged_paths
    )


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


def _pack_access(blueprint: Blueprint, keys: Keys, mac: str, hosts: str) -> bytes:
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
        HOSTS: (hosts, 0o644),
        "/etc/motd": (
            "THIS IS A CLONE, made by forerun for a rehearsal. Not production.\n",
            0o644,
        ),
        **{path: (text, 0o644) for path, text in write_link_files(blueprint.links).items()},
    }
    if blueprint.loader.links:
        files["/etc/udev/rules.d/61-forerun-disk.rules"] = (_write_disk_rules(blueprint), 0o644)
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for path, (text, mode) in files.items():
            content = text.encode("utf-8")
            info = tarfile.TarInfo(f".{path}")
            info.size, info.mode = len(content), mode
            info.uname = info.gname = "root"
            tar.addfile(info, io.BytesIO(content))
    return out.getvalue()


def _write_disk_rules(blueprint: Blueprint) -> str:
    """udev(7): production's paths to the boot loader's disk, partitions included."""
    serial = blueprint.loader.serial or SYSTEM_SERIAL
    lines = []
    for link in blueprint.loader.links:
        joint = "-part" if link.startswith("disk/") else ""
        lines += [
            'SUBSYSTEM=="block", ENV{DEVTYPE}=="disk", '
            f'ATTR{{serial}}=="{serial}", SYMLINK+="{link}"',
            'SUBSYSTEM=="block", ENV{DEVTYPE}=="partition", '
            f'ATTRS{{serial}}=="{serial}", SYMLINK+="{link}{joint}%n"',
        ]
    return "\n".join(lines) + "\n"


_MERGE = "/run/forerun-merge"


def _write_seed_script(blueprint: Blueprint) -> str:
    """Early in the first boot, as root: accounts, the sanitised copy over /, stand-ins and
    the mount table, forerun's access. $1 is the folder of the seed."""
    lines = [f"umask 022; mkdir -p -m 700 {_MERGE}"]
    numbers = ""
    if blueprint.merged_paths:
        # Numbers of files are production's once its accounts are: names may not be there yet.
        lines.append(f'(cd {_MERGE} && tar -xpf "$1/{MERGED_NAME}" --numeric-owner) || exit 1')
        lines.append(
            f'perl "$1/{ACCOUNTS_NAME}" {_MERGE}/etc || echo "not made: accounts" >> {NOT_MADE}'
        )
        numbers = " --numeric-owner" if "/etc/passwd" in blueprint.merged_paths else ""
    lines += [
        f'tar -C / -xpf "$1/{COPY_NAME}" --keep-directory-symlink{numbers} || exit 1',
        f'tar -C / -xpf "$1/{ACCESS_NAME}" --keep-directory-symlink || exit 1',
        "hostname -F /etc/hostname",
        "[ -e /etc/ssh/ssh_host_ed25519_key ] ||"
        " ssh-keygen -q -t ed25519 -N '' -f /etc/ssh/ssh_host_ed25519_key",
    ]
    lines += _write_units_off(blueprint)
    lines += _write_loader(blueprint)
    if _has_stand_ins(blueprint):
        # Last of what writes files: a disk for /var takes over what is there by now.
        lines.append(f'sh "$1/{STAND_INS_NAME}" {_MERGE}')
    wants = "/etc/systemd/system/multi-user.target.wants"
    lines += [
        f"rm -rf {_MERGE}",
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


def _write_units_off(blueprint: Blueprint) -> list[str]:
    """systemd.unit(5): what `systemctl disable` removes, for all units at once."""
    if not blueprint.disable_units:
        return []
    wanted = " ".join(
        f"*.wants/{quote(unit)} *.requires/{quote(unit)}" for unit in blueprint.disable_units
    )
    aliases = " -o ".join(f"-lname {quote(f'*/{unit}')}" for unit in blueprint.disable_units)
    return [
        f"(cd /etc/systemd/system && rm -f {wanted}"
        f" && find . -maxdepth 1 -type l '(' {aliases} ')' -exec rm -f '{{}}' +)"
    ]


def _write_loader(blueprint: Blueprint) -> list[str]:
    lines = []
    answers = "".join(
        f"{owner} {question} multiselect {value}\n"
        for owner, question, value in blueprint.loader.answers
    )
    if answers:
        lines.append(f"printf '%s' {quote(answers)} | debconf-set-selections")
    if blueprint.loader.links:
        lines.append("udevadm control --reload && udevadm trigger --subsystem-match=block")
    return lines


def write_settle_script(blueprint: Blueprint) -> str:
    """After the first boot: wait for its end, then see to it that everything of
    production's is in use. Each line printed is something that is not."""
    units = " ".join(quote(unit) for unit in blueprint.enable_units)
    stopped = " ".join(quote(unit) for unit in blueprint.stop_units)
    stop = f"systemctl stop {stopped} 2>/dev/null\n" if stopped else ""
    return f"""cd /etc/apt
for file in sources.list sources.list.d/*.list sources.list.d/*.sources; do
  [ ! -f "$file" ] || sed -i 's#https://#http://#g' "$file"
done
timeout 300 systemctl is-system-running --wait >/dev/null 2>&1
[ ! -r {NOT_MADE} ] || cat {NOT_MADE}
mount -a || true
swapon --all 2>/dev/null || true
sysctl --quiet --system || true
{stop}for unit in {units}; do
  systemctl is-active --quiet "$unit" && continue
  systemctl cat "$unit" >/dev/null 2>&1 || continue
  systemctl start "$unit" || echo "not started: $unit"
done
"""
