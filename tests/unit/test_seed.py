"""The seed of a clone and the sanitised configuration that goes with it."""

from __future__ import annotations

import configparser
import io
import os
import shlex
import tarfile
from dataclasses import replace
from pathlib import Path

import paramiko
import pytest
import yaml

from forerun.errors import RecordDamaged
from forerun.model.blueprint import Blueprint, Gap, StandInDisk, TemplateRecipe
from forerun.ports.command import LocalCommand
from forerun.ports.guard import GUARD_FILE
from forerun.stages.copy_tar import filter_copy
from forerun.stages.design import ACCESS_PORT
from forerun.stages.first_boot import READER, SEED_MOUNT, SEED_SCRIPT, SEEDED_MARK
from forerun.stages.seed import (
    ACCESS_NAME,
    COPY_NAME,
    GATEWAY_PORT,
    PROXY_FILE,
    Keys,
    make_keys,
    write_seed_files,
    write_settle_script,
)
from forerun.stages.seed_disks import STAND_INS_NAME, note_not_made
from forerun.stages.template_scripts import write_customise_script

UUID = "6f1c1f0a-7c39-4d6e-9d6b-0f5d3e1a2b3c"
BLUEPRINT = Blueprint(
    run_id="run-1",
    survey_id="survey-1",
    hostname="shelf01",
    recipe=TemplateRecipe("debian", "bookworm", "amd64", "bios", 10 << 30, ()),
    cpus=1,
    memory_bytes=1 << 29,
    stand_ins=(
        StandInDisk("/srv/it's", "ext4", UUID, "archive", 1 << 30, f"UUID={UUID} /srv/it's ext4"),
        StandInDisk("none", "swap", UUID.replace("6", "7"), "", 1 << 30, "UUID=7 none swap sw 0 0"),
    ),
    guest_ports=((ACCESS_PORT, "access"),),
    allowed=(),
    copy_paths=(),
    held_back_paths=(),
    enable_units=("nginx.service", "a'b.service"),
    gaps=(),
)
KEYS = make_keys()


def write(blueprint: Blueprint = BLUEPRINT, keys: Keys = KEYS) -> dict[str, bytes]:
    return write_seed_files(blueprint, keys, instance="run-1", mac="52:54:00:12:34:56", copy=b"tar")


def read_user_data(blueprint: Blueprint = BLUEPRINT) -> dict[str, object]:
    text = write(blueprint)["user-data"].decode()
    assert text.startswith("#cloud-config\n")  # cloud-init documentation, "User data formats"
    data = yaml.safe_load(text)
    assert isinstance(data, dict)
    return data


def read_seed_script(blueprint: Blueprint = BLUEPRINT) -> str:
    return write(blueprint)[SEED_SCRIPT].decode()


def read_stand_ins(blueprint: Blueprint = BLUEPRINT) -> str:
    return write(blueprint)[STAND_INS_NAME].decode()


def list_files(blueprint: Blueprint = BLUEPRINT) -> dict[str, tuple[str, int, str]]:
    """Path to (content, mode, owner) of forerun's own files on the clone."""
    found = {}
    with tarfile.open(fileobj=io.BytesIO(write(blueprint)[ACCESS_NAME])) as tar:
        for member in tar:
            stream = tar.extractfile(member)
            assert stream is not None
            found[member.name.removeprefix(".")] = (
                stream.read().decode(),
                member.mode,
                f"{member.uname}:{member.gname}",
            )
    return found


def pack(entries: dict[str, bytes], prefix: str = "./") -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for path, content in entries.items():
            info = tarfile.TarInfo(prefix + path.lstrip("/"))
            info.size, info.mode, info.uname = len(content), 0o640, "www-data"
            tar.addfile(info, io.BytesIO(content))
    return out.getvalue()


# -- the seed's files


def test_the_seed_has_what_a_first_boot_needs() -> None:
    """cloud-init documentation, NoCloud: user-data and meta-data must be there, meta-data
    names the instance; network-config has no top-level `network:` key."""
    files = write()
    assert set(files) == {
        "meta-data", "user-data", "network-config", SEED_SCRIPT, COPY_NAME, ACCESS_NAME,
        STAND_INS_NAME,
    }  # fmt: skip
    assert yaml.safe_load(files["meta-data"]) == {
        "instance-id": "run-1",
        "local-hostname": "shelf01",
    }
    network = yaml.safe_load(files["network-config"])
    assert network["version"] == 2
    assert "network" not in network
    assert files[COPY_NAME] == b"tar"


def test_the_network_is_matched_by_hardware_address_and_has_no_router() -> None:
    """Names of interfaces differ between releases; nothing on the link leads out. Said
    twice, for cloud-init and for systemd (systemd.network(5)), with the same values."""
    (link,) = yaml.safe_load(write()["network-config"])["ethernets"].values()
    assert link["match"] == {"macaddress": "52:54:00:12:34:56"}
    assert link["addresses"] == ["10.0.2.15/24"]
    assert not {"gateway4", "routes", "nameservers", "dhcp4", "dhcp6"} & set(link)
    (path,) = [path for path in list_files() if path.endswith(".network")]
    own = configparser.ConfigParser()
    own.read_string(list_files()[path][0])
    assert path.startswith("/etc/systemd/network/")
    assert own["Match"]["MACAddress"] == "52:54:00:12:34:56"
    assert dict(own["Network"]) == {
        "linklocaladdressing": "no",
        "ipv6acceptra": "no",
        "address": "10.0.2.15/24",
    }


def test_the_guard_file_is_laid() -> None:
    """What proves to forerun that it talks to a clone names the run."""
    assert "run-1" in list_files()[GUARD_FILE][0]


def test_access_is_by_the_clones_own_key_only() -> None:
    """A port of its own, no passwords, and files only root can read."""
    files = list_files()
    config = dict(line.split(None, 1) for line in files["/etc/forerun/sshd_config"][0].splitlines())
    assert config["Port"] == str(ACCESS_PORT)
    assert config["PermitRootLogin"] == "prohibit-password"
    assert (config["PasswordAuthentication"], config["KbdInteractiveAuthentication"]) == (
        "no",
        "no",
    )
    assert config["AllowTcpForwarding"] == "remote"
    assert files["/etc/forerun/authorized_keys"][0] == KEYS.login_public + "\n"
    for path in ("sshd_config", "host_key", "authorized_keys"):
        assert files[f"/etc/forerun/{path}"][1:] == (0o600, "root:root")


def test_the_package_manager_asks_the_gateway() -> None:
    """apt.conf(5): one proxy for http, on the clone's own loopback."""
    assert list_files()[PROXY_FILE][0] == (
        f'Acquire::http::Proxy "http://127.0.0.1:{GATEWAY_PORT}";\n'
    )


def test_the_only_secrets_are_the_clones_own() -> None:
    """One private key, the clone's host key; the login key's private half stays on the lab
    host; no password of any kind is set."""
    files = write()
    seed = b"".join(files.values())
    assert seed.count(b"PRIVATE KEY-----") == 2  # begin and end of one key
    assert KEYS.login_private.encode() not in seed.replace(b"\\n", b"\n")
    assert list_files()["/etc/forerun/host_key"][0] == KEYS.host_private
    for word in ("password", "passwd", "hashed_passwd", "chpasswd", "lock_passwd"):
        assert word not in read_user_data()


def test_every_clone_has_keys_of_its_own() -> None:
    """Two sets share nothing; each pair belongs together (read by paramiko)."""
    first, second = make_keys(), make_keys()
    values = [first.login_private, first.host_private, second.login_private, second.host_private]
    assert len(set(values)) == 4
    for private, public in (
        (first.login_private, first.login_public),
        (first.host_private, first.host_public),
    ):
        key = paramiko.Ed25519Key.from_private_key(io.StringIO(private))
        assert public.split()[:2] == ["ssh-ed25519", key.get_base64()]


def test_the_copy_is_unpacked_before_forerun_s_own_files() -> None:
    """What forerun needs to reach the clone wins over production's file of that name; a
    seed that cannot be unpacked is a failure, so that it leaves no mark."""
    lines = read_seed_script().splitlines()
    unpacked = [line for line in lines if line.startswith("tar ")]
    assert [COPY_NAME in line for line in unpacked] == [True, False]
    assert ACCESS_NAME in unpacked[1]
    assert all(line.endswith("|| exit 1") for line in unpacked)
    assert lines[-1] == "exit 0"


def test_cloud_init_runs_the_same_reader_as_forerun_s_templates() -> None:
    """One way to read a seed, in two places; user-data has nothing else that changes a
    system, and shell syntax is right (judged by sh -n in the reference tests)."""
    data = read_user_data()
    assert data["bootcmd"] == [["sh", "-c", READER]]
    assert set(data) == {"bootcmd", "disable_root", "ssh_deletekeys", "ssh_genkeytypes"}
    assert READER in write_customise_script(BLUEPRINT.recipe)


@pytest.mark.tools
def test_a_seed_is_applied_once_for_each_instance(tmp_path: Path) -> None:
    """The reader runs at every boot. With its programs replaced and its paths moved: the
    first boot applies, a reboot does not (old files would come back in the middle of an
    upgrade), another instance on the same disk does, and so does a seed whose script had
    failed before."""
    mount, mark, count = (tmp_path / name for name in ("seed", "mark", "count"))
    mount.mkdir()
    for program in ("blkid", "mount", "umount"):
        (tmp_path / program).write_text("#!/bin/sh\nexit 0\n")
        (tmp_path / program).chmod(0o755)
    reader = READER.replace(SEED_MOUNT, str(mount)).replace(SEEDED_MARK, str(mark))

    def boot(instance: str, *, code: int = 0) -> int:
        (mount / "meta-data").write_bytes(
            write_seed_files(BLUEPRINT, KEYS, instance=instance, mac="52:54:00:0:0:1", copy=b"")[
                "meta-data"
            ]
        )
        (mount / SEED_SCRIPT).write_text(f"echo applied >> {count}\nexit {code}\n")
        path = f"{tmp_path}:{os.environ['PATH']}"
        LocalCommand().run(["sh", "-c", reader], timeout_s=20, check=False, env={"PATH": path})
        return len(count.read_text().splitlines())

    assert [boot("run-1"), boot("run-1"), boot("run-2")] == [1, 1, 2]
    assert [boot("run-3", code=1), boot("run-3"), boot("run-3")] == [3, 4, 4]


def test_data_mounts_are_added_and_quoted() -> None:
    """Each stand-in's line goes to the mount table; a quote in a path stays one word for
    the shell; the seed runs the script after the copy is there."""
    told = [line for line in read_stand_ins().splitlines() if "; tell " in line]
    words = [shlex.split(line.partition("; ")[2]) for line in told]
    assert [(w[2], w[3], w[4]) for w in words] == [
        (UUID, "/srv/it's", "ext4"),
        (UUID.replace("6", "7"), "none", "swap"),
    ]
    assert words[0][6].startswith(f"UUID={UUID} /srv/it's ext4")
    assert words[1][7] == "UUID=7 none swap sw,noauto,nofail 0 0"
    lines = read_seed_script().splitlines()
    (ran,) = [n for n, line in enumerate(lines) if STAND_INS_NAME in line]
    assert ran > max(n for n, line in enumerate(lines) if line.startswith("tar "))


def test_what_the_clone_could_not_make_is_in_the_statement() -> None:
    """A row that said otherwise is replaced; what had none gets one."""
    planned = replace(BLUEPRINT, gaps=(Gap("data disk /srv/a", "approximated", "empty"),))
    told = "not made: /srv/a\nnot started: x.service\nnot made: volume group vg0\n"
    noted = note_not_made(planned, told).gaps
    assert [(gap.subject, gap.state) for gap in noted] == [
        ("data disk /srv/a", "absent"),
        ("volume group vg0", "absent"),
    ]
    assert note_not_made(planned, "").gaps == planned.gaps


def test_a_clone_without_data_disks_needs_none() -> None:
    """No stand-ins, no line for the mount table."""
    bare = replace(BLUEPRINT, stand_ins=())
    assert "fstab" not in read_seed_script(bare)
    assert STAND_INS_NAME not in write(bare)


# -- the part of the copy that goes along


@pytest.mark.parametrize("prefix", ["./", "", "/"])
def test_only_chosen_files_go_to_the_clone(tmp_path: Path, prefix: str) -> None:
    """By their absolute path, however the archive writes it; content, mode and owner stay."""
    source = tmp_path / "copy.tar"
    source.write_bytes(pack({"/etc/a": b"1", "/etc/shadow": b"2", "/etc/ab": b"3"}, prefix))
    packed = filter_copy(source, ["/etc/a", "/etc/absent"])
    with tarfile.open(fileobj=io.BytesIO(packed)) as tar:
        (member,) = tar.getmembers()
        stream = tar.extractfile(member)
        assert stream is not None
        assert stream.read() == b"1"
    assert member.name.lstrip("./") == "etc/a"
    assert (member.mode, member.uname) == (0o640, "www-data")


def test_hidden_files_keep_their_dot(tmp_path: Path) -> None:
    """/etc/.pwd.lock is not /etc/pwd.lock, and a name at the top may begin with a dot."""
    source = tmp_path / "copy.tar"
    source.write_bytes(pack({"/etc/.hidden": b"1", "/.top": b"2"}))
    with tarfile.open(fileobj=io.BytesIO(filter_copy(source, ["/etc/.hidden"]))) as tar:
        assert [member.name for member in tar] == ["./etc/.hidden"]


def test_links_and_folders_go_along(tmp_path: Path) -> None:
    """Symbolic links keep their target, folders their mode; neither has content."""
    source = tmp_path / "copy.tar"
    with tarfile.open(source, "w") as tar:
        link = tarfile.TarInfo("./etc/alternatives/x")
        link.type, link.linkname = tarfile.SYMTYPE, "/usr/bin/y"
        folder = tarfile.TarInfo("./etc/conf.d")
        folder.type, folder.mode = tarfile.DIRTYPE, 0o750
        tar.addfile(link)
        tar.addfile(folder)
    packed = filter_copy(source, ["/etc/alternatives/x", "/etc/conf.d"])
    with tarfile.open(fileobj=io.BytesIO(packed)) as tar:
        got = {m.name: (m.type, m.linkname, m.mode) for m in tar}
    assert got["./etc/alternatives/x"][:2] == (tarfile.SYMTYPE, "/usr/bin/y")
    assert got["./etc/conf.d"][2] == 0o750


@pytest.mark.parametrize("cut", [100, 700, 1500])
def test_a_damaged_copy_is_refused(tmp_path: Path, cut: int) -> None:
    """Cut short anywhere, it is RecordDamaged and says to survey again."""
    source = tmp_path / "copy.tar"
    source.write_bytes(pack({"/etc/a": b"x" * 2000})[:cut])
    with pytest.raises(RecordDamaged) as caught:
        filter_copy(source, ["/etc/a"])
    assert caught.value.where == str(source)
    assert "survey" in caught.value.hint


# -- settling


def test_settling_starts_what_runs_on_production() -> None:
    """Each unit is quoted, and one that does not start is said, not fatal."""
    script = write_settle_script(BLUEPRINT)
    (loop,) = [line for line in script.splitlines() if line.startswith("for unit in")]
    assert shlex.split(loop)[3:5] == ["nginx.service", "a'b.service;"]
    assert 'echo "not started: $unit"' in script
    assert "set -e" not in script
