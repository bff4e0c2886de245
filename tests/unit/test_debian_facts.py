"""Parsers of Debian's answers, on output recorded from a real Debian 12 tree.

tests/data/debian12: packages, control, automatic, archives, conffile-sums, sources and
archive-keys were recorded (with the archive's host renamed); machine, names, units (the
first half), sockets, disks, mounts and settings were written by hand in the tools' form.
"""

from __future__ import annotations

import gzip
import hashlib
import pickle
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.distro import debian_facts, debian_keys, linux_facts
from forerun.distro.base import ABSENT, parse_os_release, split_files
from forerun.distro.debian import Debian, parse_machine, parse_release
from forerun.distro.registry import DISTROS, detect_distro
from forerun.errors import SurveyFailed, UnknownRelease
from forerun.model.raw import RawSurvey
from forerun.ports.production import ProbeName

DATA = Path(__file__).parent.parent / "data" / "debian12"


def read_answers() -> dict[ProbeName, bytes]:
    answers = {}
    for probe in ProbeName:
        plain, packed = DATA / probe.value, DATA / f"{probe.value}.gz"
        answers[probe] = (
            gzip.decompress(packed.read_bytes()) if packed.exists() else plain.read_bytes()
        )
    return answers


@pytest.fixture(scope="module")
def raw() -> RawSurvey:
    return Debian().read_facts(read_answers())


def test_release_and_point_release(raw: RawSurvey) -> None:
    """The release comes from os-release, the point release from /etc/debian_version."""
    assert (raw.release.family, raw.release.version, raw.release.codename) == (
        "debian", "12", "bookworm",
    )  # fmt: skip
    assert raw.release.point == "12.15"


def test_machine(raw: RawSurvey) -> None:
    """Kernel, boot mode, CPUs and memory in bytes are read from the six lines."""
    assert raw.machine.boot_mode == "uefi"
    assert raw.machine.cpus == 4
    assert raw.machine.memory_bytes == 8130412 * 1024
    assert raw.machine.command_line.endswith("ro quiet")


def test_machine_of_another_shape_is_a_failed_survey() -> None:
    """An answer that is not six lines raises SurveyFailed, not an index error."""
    with pytest.raises(SurveyFailed):
        parse_machine("6.1.0\namd64\n")


def test_packages_with_holds_marks_and_origins(raw: RawSurvey) -> None:
    """Hold, automatic mark, architecture and the archive's label are per package."""
    packages = {package.name: package for package in raw.packages}
    assert packages["bash"].held and packages["bash"].state == "hi"
    assert not packages["apt"].held
    assert packages["adduser"].automatic and packages["adduser"].architecture == "all"
    assert not packages["openssh-server"].automatic
    assert packages["libc6"].architecture == "amd64"
    assert packages["base-files"].origin == "Debian"


def test_out_of_date_package_has_a_newer_candidate(raw: RawSurvey) -> None:
    """apt 2.6.1 is installed and still offered; the archive's candidate is 2.6.2."""
    apt = next(package for package in raw.packages if package.name == "apt")
    assert (apt.version, apt.candidate, apt.origin) == ("2.6.1", "2.6.2", "Debian")


def test_only_a_package_no_archive_offers_keeps_its_stanza(raw: RawSurvey) -> None:
    """The one local package has no origin, no candidate, and its control stanza."""
    kept = [package for package in raw.packages if package.stanza]
    assert [package.name for package in kept] == ["acme-agent"]
    assert kept[0].origin == kept[0].candidate == ""
    assert "Depends: libc6 (>= 2.36), adduser" in kept[0].stanza
    assert "Status:" not in kept[0].stanza and "Conffiles:" not in kept[0].stanza


def test_without_package_indexes_no_origin_is_claimed() -> None:
    """A server without indexes gets a row in not_readable and no stanzas at all."""
    answers = read_answers()
    head = b"Package files:\n 100 /var/lib/dpkg/status\n     release a=now\nPinned packages:\n"
    answers[ProbeName.ARCHIVES] = head + b"#packages\n"
    raw = Debian().read_facts(answers)
    assert not any(package.origin or package.stanza for package in raw.packages)
    assert [row.path for row in raw.not_readable] == ["archives"]


def test_an_absent_tool_is_named() -> None:
    """A probe that says its tool is absent is listed with that reason."""
    answers = read_answers()
    answers[ProbeName.UNITS] = ABSENT + b"the service manager did not answer\n"
    raw = Debian().read_facts(answers)
    assert raw.units == ()
    assert [(row.path, row.reason) for row in raw.not_readable] == [
        ("units", "the service manager did not answer")
    ]


def test_a_missing_needed_answer_is_a_failed_survey() -> None:
    """Without a package list there is no survey."""
    answers = read_answers()
    answers[ProbeName.PACKAGES] = b""
    with pytest.raises(SurveyFailed) as caught:
        Debian().read_facts(answers)
    assert caught.value.where == "packages"


def test_conffiles_changed_and_missing(raw: RawSurvey) -> None:
    """A recorded edit and a recorded removal are found, and nothing else."""
    assert [(row.path, row.state, row.package) for row in raw.conffiles] == [
        ("/etc/bash.bashrc", "changed", "bash"),
        ("/etc/update-motd.d/10-uname", "missing", "base-files"),
    ]


def test_obsolete_conffile_is_its_own_state() -> None:
    """dpkg's `obsolete` mark wins over a changed digest (deb-conffiles, dpkg-query)."""
    control = debian_facts.parse_control(
        "Package: old\nStatus: install ok installed\nArchitecture: all\n"
        "Conffiles:\n /etc/old.conf 5fe06610f28360e90a8c04febddd384b obsolete\n"
        " /etc/new.conf newconffile\n"
    )
    shipped = debian_facts.parse_conffiles(control)
    found = debian_facts.judge_conffiles(shipped, f"{'0' * 32}  /etc/old.conf\n")
    assert [(row.path, row.state) for row in found] == [("/etc/old.conf", "obsolete")]


def test_conffiles_of_local_packages_are_not_public(raw: RawSurvey) -> None:
    """Only contents that an archive or ucf delivered count as shipped."""
    assert "/etc/acme/agent.conf" not in raw.shipped
    assert raw.shipped["/etc/deluser.conf"] == frozenset({"11a06baf8245fd8d690b99024d228c1f"})
    assert "/etc/ssh/sshd_config" in raw.shipped


def test_units_merge_state_and_enablement(raw: RawSurvey) -> None:
    """Running state and enablement meet in one row; an instance takes its template's."""
    units = {unit.name: unit for unit in raw.units}
    assert (units["ssh.service"].active, units["ssh.service"].enabled) == ("active", "enabled")
    assert units["acme-agent.service"].active == "failed"
    assert units["getty@tty1.service"].enabled == "enabled"
    assert units["ssh.socket"].active == "inactive"
    assert "plymouth.service" not in units


def test_sockets_from_ss(raw: RawSurvey) -> None:
    """Protocol, bare address, port and owner; a socket without owner is kept."""
    rows = {(s.protocol, s.address, s.port, s.process) for s in raw.sockets}
    assert ("tcp", "10.20.30.40", 3306, "mariadbd") in rows
    assert ("tcp", "::", 22, "sshd") in rows
    assert ("tcp", "127.0.0.53", 53, "") in rows
    assert len(rows) == 5


def test_sockets_from_the_kernel_tables() -> None:
    """Without ss the kernel's tables are read: little-endian words, state 0A listens.

    The first line is the example of proc(5) for 127.0.0.1:25 listening (0100007F:0019)."""
    text = (
        "#file tcp\n  sl  local_address rem_address   st\n"
        "   0: 0100007F:0019 00000000:0000 0A 00000000:00000000\n"
        "   1: 0100007F:0019 0100007F:9C40 01 00000000:00000000\n"
        "#file tcp6\n  sl  local_address rem_address st\n"
        "   0: 00000000000000000000000000000000:0016 00000000000000000000000000000000:0000 0A\n"
        "   1: B80D0120000000000000000001000000:0050 00000000000000000000000000000000:0000 0A\n"
    )
    found = [(s.protocol, s.address, s.port) for s in linux_facts.parse_sockets(text)]
    assert found == [
        ("tcp", "127.0.0.1", 25),
        ("tcp", "::", 22),
        ("tcp", "2001:db8:0:0:0:0:0:1", 80),
    ]


def test_disks_are_whole_disks(raw: RawSurvey) -> None:
    """Partitions and optical drives are no disks."""
    assert [(disk.name, disk.size_bytes) for disk in raw.disks] == [
        ("sda", 34359738368), ("sdb", 107374182400),
    ]  # fmt: skip


def test_mounts_join_fstab_sizes_and_uuids(raw: RawSurvey) -> None:
    """Every real file system has its fstab spec, UUID, label and sizes."""
    mounts = {mount.target: mount for mount in raw.mounts}
    data = mounts["/srv/data"]
    assert (data.fstype, data.label, data.fstab_spec) == ("xfs", "data", "LABEL=data")
    assert data.uuid == "017f22e2-79b0-4cc3-98c4-dc0c0c07398f"
    assert (data.size_bytes, data.used_bytes) == (107320705024, 40000000000)
    share = mounts["/mnt/my share"]
    assert share.in_fstab and share.size_bytes == 0 and share.fstype == "nfs"
    assert mounts["none"].uuid == "1f0c7e0a-8f5d-4b51-9b62-9d0d4e1f2a3b"
    assert "/sys" not in mounts and "/run" not in mounts


def test_settings_are_active_lines_only(raw: RawSurvey) -> None:
    """sysctl lines without comments, and the boot loader's recorded device."""
    assert raw.settings == (
        ("/etc/sysctl.d/50-local.conf net.ipv4.ip_forward", "1"),
        ("/etc/sysctl.conf net.ipv6.conf.all.forwarding", "1"),
        ("debconf grub-pc/install_devices", "/dev/disk/by-id/ata-DISK_S1K4NX0M700321"),
    )


def test_large_files_are_listed(raw: RawSurvey) -> None:
    """(path, bytes) of what is too large to copy."""
    assert raw.large == (("/etc/big.bin", 2097153),)


def test_archive_key_fingerprints(raw: RawSurvey) -> None:
    """Binary and armoured keyrings give the fingerprints Debian publishes.

    Debian 12 stable release key and archive signing key: ftp-master.debian.org/keys.html
    (from memory; the same digits are in the keyring package's README)."""
    by_file = {key.file.rpartition("/")[2]: key.fingerprint for key in raw.archive_keys}
    stable = by_file["debian-archive-bookworm-stable.gpg"]
    assert stable == "4D64FEC119C2029067D6E791F8D2585B8783D481"
    automatic = [k for k in raw.archive_keys if k.file.endswith("automatic.asc")]
    assert "B8B80B5B623EAB6AD8775C45B7C5D7D6350947F8" in {k.fingerprint for k in automatic}


def test_fingerprint_is_the_rfc_4880_digest() -> None:
    """RFC 4880 12.2: SHA-1 over 0x99, two length octets, and the packet's body."""
    body = b"\x04" + b"\x01" * 20
    packet = bytes([0x98, len(body)]) + body
    wanted = hashlib.sha1(b"\x99" + len(body).to_bytes(2, "big") + body).hexdigest().upper()
    assert debian_keys.find_fingerprints(packet) == (wanted,)
    assert debian_keys.find_fingerprints(b"\x98\xff\x04short") == ()


def test_raw_survey_shows_nothing_and_cannot_be_stored(raw: RawSurvey) -> None:
    """repr is masked, pickling is refused, and it is no dataclass that a writer takes."""
    assert repr(raw) == "<RawSurvey: in memory only>"
    with pytest.raises(TypeError):
        pickle.dumps(raw)
    with pytest.raises(TypeError):
        replace(raw)  # type: ignore[type-var]


@pytest.mark.parametrize("text", ['ID=ubuntu\nVERSION_ID="24.04"\n', "ID=alpine\n", ""])
def test_unknown_systems_are_refused_by_name(text: str) -> None:
    """Only ID=debian is Debian; the hint lists what is known."""
    with pytest.raises(UnknownRelease) as caught:
        detect_distro(text)
    assert "debian" in caught.value.hint
    assert detect_distro("ID=debian\n") is DISTROS["debian"]


def test_a_release_without_number_is_refused() -> None:
    """Debian testing names no VERSION_ID."""
    with pytest.raises(UnknownRelease):
        parse_release('ID=debian\nPRETTY_NAME="Debian GNU/Linux trixie/sid"\n', "trixie/sid\n")


def test_os_release_quoting() -> None:
    """os-release(5): single and double quotes, backslash escapes, comments."""
    facts = parse_os_release('# c\nA=\'x y\'\nB="say \\"hi\\" \\$1"\nC=plain\n')
    assert facts == {"A": "x y", "B": 'say "hi" $1', "C": "plain"}


def test_split_files_keeps_content() -> None:
    """Each `#file` section is its file's text."""
    assert split_files("#file /a\n1\n\n#file /b\n2\n") == {"/a": "1\n", "/b": "2\n"}
