"""The package manager's own state, on tests/data/debian12: diversions, overrides and some
alternatives were recorded on a Debian 12 machine, the rest written by hand in the form
that dpkg, apt, ucf, debconf and dkms keep it."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from forerun.distro import debian_state
from forerun.distro.base import split_sections
from forerun.distro.debian import Debian
from forerun.distro.debian_facts import (
    find_shipped,
    judge_conffiles,
    name_list,
    parse_conffiles,
    parse_control,
    parse_sums,
)
from forerun.distro.debian_system import parse_transactions
from forerun.model.raw import RawSurvey
from forerun.model.survey import Package
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


def test_diversions_and_overrides(raw: RawSurvey) -> None:
    """dpkg-divert(1): three lines each; dpkg-statoverride(1): the mode is octal."""
    found = {row.path: (row.to, row.package) for row in raw.system.diversions}
    assert found["/usr/share/man/man1/perf.1.gz"] == (
        "/usr/share/man/man1/perf.wrapper.1.gz",
        "linux-perf",
    )
    assert [(row.path, row.owner, row.group, row.mode) for row in raw.system.overrides] == [
        ("/etc/ssl/private", "root", "ssl-cert", 0o710),
        ("/usr/lib/dbus-1.0/dbus-daemon-launch-helper", "root", "messagebus", 0o4754),
    ]
    assert debian_state.parse_diversions(["/a", "/b"]) == ()


def test_alternatives_by_hand_and_automatic(raw: RawSurvey) -> None:
    """The link tells where a manual one points; without links the best choice is an
    automatic one's target (update-alternatives(1))."""
    rows = {row.name: (row.mode, row.target) for row in raw.system.alternatives}
    assert rows["editor"] == ("manual", "/usr/bin/vim.basic")
    assert rows["awk"] == ("auto", "/usr/bin/mawk")
    lines = ("auto", "/usr/bin/x", "x.1", "/man/x.1", "", "/bin/low", "5", "", "/bin/top", "50",
             "/man/top.1", "")  # fmt: skip
    (row,) = debian_state.parse_alternatives({"x": lines}, {})
    assert row.target == "/bin/top"


def test_pins_with_their_places(raw: RawSurvey) -> None:
    """apt_preferences(5): comments, folded fields, and file names that apt ignores."""
    rows = [(p.file, p.line, p.packages, p.what, p.priority) for p in raw.system.pins]
    assert rows == [
        ("/etc/apt/preferences", 1, "acme-agent", "version 1.4*", 1001),
        ("/etc/apt/preferences", 7, "*", "release a=bookworm-backports", 50),
        ("/etc/apt/preferences.d/vendor.pref", 1, "acme-agent acme-tools",
         "origin archive.example", 600),
    ]  # fmt: skip


def test_questions_have_no_values(raw: RawSurvey) -> None:
    """debconf-devel(7): owners, kind of the template, and whether it was seen."""
    rows = {row.name: row for row in raw.system.questions}
    asked = rows["grub-pc/install_devices"]
    assert (asked.owners, asked.kind, asked.seen) == (
        ("grub-pc", "grub-common"),
        "multiselect",
        True,
    )
    assert not rows["openssh-server/permit-root-login"].seen
    assert not any("Value" in name for row in rows.values() for name in row.__slots__)


def test_managed_files() -> None:
    """ucf(1): changed, unchanged, missing, of a removed package, and not looked at."""
    sums = parse_sums(
        f"{'a' * 32}  /etc/same\n{'b' * 32}  /etc/other\n{'c' * 32}  /etc/left\n"
        "md5sum: /etc/gone: No such file or directory\n"
        "md5sum: can't open '/etc/gone2': No such file or directory\n"
    )
    hashes = "".join(
        f"{'a' * 32}  /etc/{name}\n" for name in ("same", "other", "gone", "left", "dim")
    )
    registry = [f"{'old' if name == 'left' else 'pkg'} \t /etc/{name}"
                for name in ("same", "other", "gone", "left", "dim", "gone2")]  # fmt: skip
    packages = [Package("pkg", "1", "all"), Package("old", "1", "all", state="rc")]
    rows = debian_state.parse_managed(registry, hashes, sums, packages)
    assert {row.path: row.state for row in rows} == {
        "/etc/same": "unchanged", "/etc/other": "changed", "/etc/gone": "missing",
        "/etc/gone2": "missing", "/etc/left": "obsolete", "/etc/dim": "",
    }  # fmt: skip
    other = next(row for row in rows if row.path == "/etc/other")
    assert (other.recorded, other.disk, other.package) == ("a" * 32, "b" * 32, "pkg")


def test_a_file_made_on_the_server_is_not_public_because_ucf_knows_it() -> None:
    """ucf also keeps configuration with generated passwords: only a digest that some
    packaged file has counts."""
    listed = f"{'a' * 32}  /etc/app/db.php\n{'b' * 32}  /etc/default/app\n#public {'b' * 32}\n"
    shipped = find_shipped((), (), listed)
    assert shipped == {"/etc/default/app": frozenset({"b" * 32})}


def test_modules(raw: RawSurvey) -> None:
    """dkms(8)'s tree: built for the running kernel and fitted, or only added."""
    assert [(row.name, row.version, row.state) for row in raw.system.modules] == [
        ("acme-nic", "2.3", "installed"), ("old-nic", "1.0", "added"),
    ]  # fmt: skip
    links = {"/var/lib/dkms/m/1/6.1.0-32-amd64/x86_64": "", "/var/lib/dkms/m/2/build/x": ""}
    rows = debian_state.parse_modules(links, "6.1.0-32-amd64")
    assert [(row.version, row.state) for row in rows] == [("1", "built"), ("2", "added")]


LOADER_LINKS = {
    "/dev/disk/by-id/ata-DISK_1": "../../sda",
    "/dev/disk/by-id/loop": "loop",
    "/dev/mapper/vg0-boot": "../dm-3",
}


@pytest.mark.parametrize(
    ("target", "resolved"),
    [
        ("/dev/disk/by-id/ata-DISK_1", "/dev/sda"),
        ("/dev/mapper/vg0-boot", "/dev/dm-3"),
        ("/dev/sda", "/dev/sda"),
        ("/dev/disk/by-id/ata-GONE", ""),
        ("/dev/disk/by-id/loop", ""),
    ],
)
def test_the_boot_loaders_devices(target: str, resolved: str) -> None:
    """A recorded device that is gone leads nowhere; links in a circle end."""
    loader = debian_state.find_loader(
        "bios",
        [Package("grub-pc", "2.06", "amd64"), Package("grub-efi-amd64", "2.06", "amd64")],
        [("debconf grub-pc/install_devices", f"/dev/sda, {target}")],
        LOADER_LINKS,
        devices=["sda", "dm-3"],
        secure_boot=None,
    )
    assert loader is not None
    assert (loader.package, loader.targets) == ("grub-pc", ("/dev/sda", target))
    assert loader.resolved == ("/dev/sda", resolved)


def test_the_boot_mode_chooses_the_loader() -> None:
    """With both installed, the one of the boot mode counts; a removed one does not."""
    both = [Package("grub-pc", "2", "amd64"), Package("grub-efi-amd64", "2", "amd64")]

    def find(mode: str, packages: list[Package]) -> str:
        found = debian_state.find_loader(mode, packages, [], {}, devices=[], secure_boot=True)
        return found.package if found else ""

    assert find("uefi", both) == "grub-efi-amd64" and find("bios", both) == "grub-pc"
    assert find("uefi", both[:1]) == "grub-pc"
    assert find("bios", [Package("grub-pc", "2", "amd64", state="rc")]) == ""


@pytest.mark.parametrize(
    ("running", "installed", "wanted"),
    [
        ("6.1.0-32-amd64", "6.1.0-37-amd64",
         "kernel 6.1.0-37-amd64 is installed, 6.1.0-32-amd64 runs"),
        ("6.1.0-9-amd64", "6.1.0-10-amd64",
         "kernel 6.1.0-10-amd64 is installed, 6.1.0-9-amd64 runs"),
        ("6.1.0-37-amd64", "6.1.0-32-amd64", ""),
        ("6.1.0-32-amd64", "6.1.0-37-rt-amd64", ""),
        ("6.1.0-32-amd64", "amd64", ""),
        ("6.12.38+deb13-amd64", "6.12.41+deb13-amd64",
         "kernel 6.12.41+deb13-amd64 is installed, 6.12.38+deb13-amd64 runs"),
        ("custom", "6.1.0-37-amd64", ""),
    ],
)  # fmt: skip
def test_a_newer_kernel_waits(running: str, installed: str, wanted: str) -> None:
    """Numbers are compared as numbers, and only within the running kernel's flavour."""
    packages = [Package(f"linux-image-{name}", "1", "amd64") for name in (running, installed)]
    found = debian_state.find_pending_reboot(split_sections(""), running, packages)
    assert found == ((wanted,) if wanted else ())


def test_packages_that_ask_for_a_reboot(raw: RawSurvey) -> None:
    """Each once; an empty list leaves the mark itself."""
    assert raw.system.reboot_pending[:2] == ("package linux-image-6.1.0-37-amd64", "package libc6")
    marked = split_sections("#file /run/reboot-required\n")
    assert debian_state.find_pending_reboot(marked, "x", []) == ("/run/reboot-required",)


def test_transactions_in_utc() -> None:
    """apt's log is in local time: Vienna is one hour ahead in winter, two in summer (tz
    database). An interrupted run has no duration."""
    lines = [
        "Start-Date: 2026-01-11  00:40:00", "Commandline: apt-get install x",
        "Install: x:amd64 (1), y:amd64 (1, automatic)", "",
        "Start-Date: 2026-07-01  12:00:00", "Upgrade: z:all (1, 2)", "Purge: w:all (1)",
        "End-Date: 2026-07-01  12:01:05",
    ]  # fmt: skip
    first, second = parse_transactions(lines, "Europe/Vienna")
    assert (first.began, first.seconds, first.installed) == ("2026-01-10T23:40:00Z", -1.0, 2)
    assert (second.began, second.seconds) == ("2026-07-01T10:00:00Z", 65.0)
    assert (second.upgraded, second.removed) == (1, 1)


@pytest.mark.parametrize("zone", ["", "No/Where", "../../etc/passwd", "/etc/passwd", "a\0b"])
def test_an_unknown_zone_leaves_local_time(zone: str) -> None:
    """No "Z" is claimed, and no file outside the zones is opened."""
    (row,) = parse_transactions(["Start-Date: 2026-01-11  00:40:00"], zone)
    assert row.began == "2026-01-11T00:40:00"


def test_relations_are_kept_for_every_package(raw: RawSurvey) -> None:
    """Fields that a plan needs, folded ones on one line; no maintainer, no description."""
    packages = {package.name: dict(package.relations) for package in raw.packages}
    assert packages["bash"]["Pre-Depends"] == "libc6 (>= 2.36), libtinfo6 (>= 6)"
    assert packages["bash"]["Essential"] == "yes"
    installed = [p for p in raw.packages if p.state[1:2] == "i"]
    assert all(package.relations for package in installed)
    assert not any(
        "Maintainer" in fields or "Description" in fields for fields in packages.values()
    )
    folded = parse_control(
        "Package: a\nStatus: install ok installed\nArchitecture: all\n"
        "Depends: b,\n c (>= 1)\nDescription: x\n Depends: no\n"
    )
    assert "Depends: b,\n c (>= 1)" in folded["a"].text


def test_half_installed_packages_are_there() -> None:
    """Interrupted states are package rows with their state."""
    answers = read_answers()
    answers[ProbeName.PACKAGES] += b"broken\t1.0\tamd64\tiHR\nhalf\t1.0\tamd64\tiF \n"
    states = {p.name: p.state for p in Debian().read_facts(answers).packages}
    assert (states["broken"], states["half"]) == ("iHR", "iF")


def test_digests_of_changed_conffiles() -> None:
    """What was shipped and what is there; nothing for a missing one."""
    control = parse_control(
        "Package: p\nStatus: install ok installed\nArchitecture: all\n"
        f"Conffiles:\n /etc/a {'1' * 32}\n /etc/b {'2' * 32}\n"
    )
    sums = f"{'3' * 32}  /etc/a\nmd5sum: /etc/b: No such file or directory\n"
    rows = judge_conffiles(parse_conffiles(control), sums)
    assert [(row.path, row.state, row.shipped, row.disk) for row in rows] == [
        ("/etc/a", "changed", "1" * 32, "3" * 32), ("/etc/b", "missing", "2" * 32, ""),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("shown", "name"),
    [
        ("http://deb.example/debian bookworm/main amd64 Packages",
         "deb.example_debian_dists_bookworm_"),
        ("https://u:p@deb.example:8080/d s-security/main amd64 Packages",
         "deb.example:8080_d_dists_s-security_"),
        ("http://deb.example/d stable/updates/main amd64 Packages",
         "deb.example_d_dists_stable_updates_"),
        ("file:/srv/my_repo ./ Packages", "srv_my%5frepo_"),
        ("http://deb.example/~x sub/ Packages", "deb.example_%7ex_sub_"),
    ],
)  # fmt: skip
def test_names_of_apts_list_files(shown: str, name: str) -> None:
    """apt-pkg/contrib/strutl.cc, URItoFileName (from memory; the first form is also seen on
    every Debian system): no scheme, no credentials, `_` quoted, then `/` as `_`."""
    assert name_list(shown) == name
