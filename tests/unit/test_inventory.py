"""What a clone has before and after: how it is read, and that a clone may say anything."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from forerun.model.inventory import Inventory, JournalLine, MountSeen
from forerun.model.observation import KeptFile
from forerun.model.survey import Socket, Unit
from forerun.ports.ssh import ExecResult
from forerun.stages.examine import MOST_COMPARED, MOST_DIFF_LINES, compare_kept
from forerun.stages.inventory import (
    MOST_LINES,
    parse_inventory,
    parse_journal,
    parse_obsolete,
    parse_settings,
    read_inventory,
    strip_numbers,
)
from forerun.testing import FakeClock, FakeGuest

NAMES = ("machine", "units", "sockets", "settings", "mounts", "interfaces", "accounts", "journal")
ANSWERS = {
    "machine": "bios\n6.12.43+deb13-amd64\n",
    "units": "ssh.service loaded active running OpenSSH\n#files\nssh.service enabled enabled\n",
    "sockets": 'tcp LISTEN 0 128 0.0.0.0:22 0.0.0.0:* users:(("sshd",pid=640,fd=3))\n',
    "settings": "vm.swappiness = 60\nkernel.domainname = \nnot a setting\n",
    "mounts": "/dev/vda1 / ext4 rw 0 0\ntmpfs /mnt/a\\040b tmpfs rw,size=1k 0 0\n",
    "interfaces": "/sys/class/net/ens3/device\n",
    "accounts": "user root:0\ngroup adm:4\nuser odd name:x\n",
    "journal": json.dumps({"PRIORITY": "3", "SYSLOG_IDENTIFIER": "a", "MESSAGE": "no 7"}) + "\n",
    "obsolete": "Listing...\nlibssl3/now 3.0.17-1 amd64 [installed,local]\n",
}


def answer(script: str, answers: dict[str, str] = ANSWERS) -> ExecResult:
    """What a clone's shell would print for the readings of that script."""
    mark = script.split(" ")[2].rstrip(";")
    text = "".join(
        f"{mark}{name}\n{answers.get(name, '')}{mark} 0\n"
        for name in (*NAMES, "obsolete")
        if f"{mark} {name};" in script
    )
    return ExecResult(0, text.encode("utf-8"), b"")


def test_a_clone_is_read_in_one_command() -> None:
    """Everything in its place; a name that is none is left out."""
    guest = FakeGuest(FakeClock(), answers={"printf": answer})
    found = read_inventory(guest, moment="after", at_s=900.0)
    assert len(guest.ran) == 1
    assert found == Inventory(
        "after",
        900.0,
        boot_mode="bios",
        kernel="6.12.43+deb13-amd64",
        units=(Unit("ssh.service", "active", "running", "enabled"),),
        sockets=(Socket("tcp", "0.0.0.0", 22, "sshd"),),
        settings=(("kernel.domainname", ""), ("vm.swappiness", "60")),
        mounts=(MountSeen("/", "ext4", "/dev/vda1", "rw"),
                MountSeen("/mnt/a b", "tmpfs", "tmpfs", "rw,size=1k")),
        interfaces=("ens3",),
        accounts=("group adm 4", "user root 0"),
        journal=(JournalLine("a", 3, "no 7"),),
        obsolete=("libssl3 3.0.17-1",),
    )  # fmt: skip


def test_a_clone_that_is_lost_has_an_inventory_that_says_so() -> None:
    """Nothing is raised: what went wrong on a clone is a result."""
    guest = FakeGuest(FakeClock())
    guest.lost = True
    found = read_inventory(guest, moment="after", at_s=1.0)
    assert dict(found.not_read)["units"] == "The clone did not answer over SSH."


def test_a_reading_without_an_answer_is_named() -> None:
    """One that failed, and one that was cut short."""
    found = parse_inventory({"units": b"#absent it ended with 124"}, NAMES, moment="before", at_s=0)
    said = dict(found.not_read)
    assert said["units"] == "it ended with 124"
    assert said["sockets"] == "no answer from the clone"


@given(st.dictionaries(st.sampled_from(NAMES), st.binary(max_size=300)))
def test_any_words_of_a_clone_are_taken(answers: dict[str, bytes]) -> None:
    """Whatever it says ends in rows or in none, in plain text and within bounds."""
    found = parse_inventory(answers, NAMES, moment="after", at_s=0.0)
    assert all(text.isprintable() for line in found.journal for text in (line.text,))
    assert all(len(value) <= 300 for _, value in found.settings)


def entry(**fields: object) -> str:
    return json.dumps({"PRIORITY": "4", "SYSLOG_IDENTIFIER": "kernel", **fields})


def test_entries_that_differ_in_numbers_are_one() -> None:
    """Process numbers, addresses and times are left out of the comparison."""
    first = "unit a[17] at 0x7ffe12 took 12.5 s (id 0123456789abcdef)"
    second = "unit a[918] at 0xbeef took 3.75 s (id fedcba9876543210)"
    text = "\n".join([entry(MESSAGE=first), entry(MESSAGE=second), entry(MESSAGE="unit b failed")])
    assert parse_journal(text) == (
        JournalLine("kernel", 4, first, 2),
        JournalLine("kernel", 4, "unit b failed"),
    )
    assert strip_numbers(first) == strip_numbers(second)


def test_a_journal_without_end_is_cut() -> None:
    """So many kinds of entries, and the rest passed over; so are messages in bytes, and
    lines that are no JSON."""
    lines = [entry(MESSAGE=f"{chr(97 + n % 26)}{chr(97 + n // 26)}") for n in range(26 * 26)]
    assert len(parse_journal("\n".join(lines))) == MOST_LINES
    odd = (entry(MESSAGE=[104, 105]), "[1]", "{", "[" * 5000, entry(MESSAGE="x", PRIORITY="9"))
    assert parse_journal("\n".join(odd)) == ()


def test_settings_of_several_lines() -> None:
    """sysctl(8) repeats the key; the last line counts."""
    text = "dev.cdrom.info = a\ndev.cdrom.info = b\tc\n"
    assert parse_settings(text) == (("dev.cdrom.info", "b c"),)


def test_obsolete_packages() -> None:
    """apt(8)'s list, whose head is no package."""
    assert parse_obsolete("Listing...\naa/now 1 all [x]\n+/now 2 all\n") == ("aa 1",)


FILES = {
    "/etc/a.conf": b"own = 1\nshared = 2\n",
    "/etc/a.conf.dpkg-dist": b"new = 1\nshared = 2\n",
    "/etc/sysctl.conf.dpkg-bak": b"vm.swappiness = 1\n",
    "/etc/b.dpkg-dist": b"\0\1",
    "/etc/b": b"text\n",
}


def compare(path: str, **more: bytes) -> str:
    files = {**FILES, **{f"/etc/{name}": content for name, content in more.items()}}
    kept = KeptFile(path, path.rpartition(".")[0], len(files.get(path, b"")))
    (one,) = compare_kept([kept], files.get)
    return one.diff


def test_a_difference_leads_from_the_older_to_the_newer() -> None:
    """The file in use is the older beside a new version; what was put aside is the older,
    also where nothing is in use any more."""
    assert compare("/etc/a.conf.dpkg-dist").splitlines() == [
        "--- /etc/a.conf", "+++ /etc/a.conf.dpkg-dist", "@@ -1,2 +1,2 @@",
        "-own = 1", "+new = 1", " shared = 2",
    ]  # fmt: skip
    assert compare("/etc/sysctl.conf.dpkg-bak").splitlines() == [
        "--- /etc/sysctl.conf.dpkg-bak", "+++ /etc/sysctl.conf", "@@ -1 +0,0 @@",
        "-vm.swappiness = 1",
    ]  # fmt: skip


def test_what_is_no_text_or_too_much_is_not_compared() -> None:
    """Bounded in lines, in files, in size; a file that is gone has no difference."""
    assert compare("/etc/b.dpkg-dist") == ""
    assert compare("/etc/gone.dpkg-dist") == ""
    long = b"".join(b"line %d\n" % number for number in range(1000))
    lines = compare("/etc/c.dpkg-dist", **{"c.dpkg-dist": long}).splitlines()
    assert len(lines) == MOST_DIFF_LINES + 1
    assert lines[-1] == f"({1003 - MOST_DIFF_LINES} more lines)"
    many = [KeptFile("/etc/a.conf.dpkg-dist", "/etc/a.conf", 5)] * (MOST_COMPARED + 1)
    compared = compare_kept(many, FILES.get)
    assert compared[-2].diff and not compared[-1].diff
    (large,) = compare_kept([KeptFile("/etc/a.conf.dpkg-dist", "/etc/a.conf", 1 << 20)], FILES.get)
    assert large.diff == ""


def test_no_identifier_of_a_machine_is_kept() -> None:
    """journald names its files by machine-id(5), and a template may have production's."""
    own = "8b2f0c4d5e6a7b8c9d0e1f2a3b4c5d6e"
    dashed = "8b2f0c4d-5e6a-7b8c-9d0e-1f2a3b4c5d6e"
    text = "".join(
        json.dumps({"MESSAGE": message, "PRIORITY": "4", "SYSLOG_IDENTIFIER": "journald"}) + "\n"
        for message in (f"File /var/log/journal/{own}/system.journal corrupted", f"id {dashed}")
    )
    kept = [line.text for line in parse_journal(text)]
    assert kept == ["File /var/log/journal/#/system.journal corrupted", "id #"]
