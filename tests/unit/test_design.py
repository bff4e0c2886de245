"""From a survey and a profile to a blueprint: what is copied, what stands in, what is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from forerun.model.blueprint import AllowedArchive, Blueprint, RecipeSource
from forerun.model.profile import ServiceProbe, Site
from forerun.model.survey import (
    ArchiveSource,
    CleanSurvey,
    ConfigEntry,
    Machine,
    Mount,
    Package,
    Release,
    SurveyCost,
    Unit,
)
from forerun.model.system import Block
from forerun.profiles import load_profile, shipped_folders
from forerun.stages.design import (
    ACCESS_PORT,
    GIB,
    design_clone,
    find_held_back,
    find_running_units,
    list_allowed,
    list_recipe_archives,
)
from forerun.stages.design_gaps import FAMILIES
from forerun.stages.template import digest_recipe
from forerun.stages.template_scripts import write_customise_script

PROFILE = load_profile(shipped_folders()[0] / "debian-12-to-13" / "profile.yaml")
DATA_UUID = "6f1c1f0a-7c39-4d6e-9d6b-0f5d3e1a2b3c"

SURVEY = CleanSurvey(
    id="survey-1",
    taken_at="2026-01-31T22:00:00Z",
    host="shelf01.records.example",
    release=Release("debian", "12", "bookworm", "Debian GNU/Linux 12 (bookworm)", "12.11"),
    machine=Machine("bios", "6.1.0-37-amd64", "amd64", 4, 4 * GIB),
    packages=(
        Package("bash", "5.2.15-2+b8", "amd64", candidate="5.2.15-2+b8"),
        Package("libssl3", "3.0.15-1", "amd64", automatic=True, candidate="3.0.16-1"),
        Package("nginx", "1.22.1-9", "amd64", state="hi", held=True, candidate="1.22.1-9"),
        Package("gone", "1", "amd64", state="rc", candidate="1"),
        Package("shelf-agent", "2.3", "all", stanza="Package: shelf-agent\nVersion: 2.3\n"),
        Package("linux-image-6.1.0-1-amd64", "6.1.4-1", "amd64", stanza="Package: x\n"),
    ),
    sources=(
        ArchiveSource(
            "/etc/apt/sources.list", 1, ("deb", "deb-src"),
            ("https://archive.example/debian/",), ("bookworm", "bookworm-updates"),
            ("main", "contrib"),
        ),
        ArchiveSource(
            "/etc/apt/sources.list", 2, ("deb",),
            ("http://archive.example:8080/debian-security",), ("bookworm-security",), ("main",),
        ),
        ArchiveSource(
            "/etc/apt/sources.list.d/vendor.sources", 1, ("deb",),
            ("https://vendor.example/apt",), ("stable",), ("main",), enabled=False,
        ),
    ),
    units=(
        Unit("nginx.service", "active", "running", "enabled"),
        Unit("cron.service", "active", "running", "enabled"),
        Unit("done.service", "active", "exited", "enabled"),
        Unit("broken.service", "failed", "failed", "enabled"),
        Unit("systemd-journald.service", "active", "running", "static"),
        Unit("getty@tty1.service", "active", "running", "enabled"),
        Unit("ssh.socket", "active", "listening", "enabled"),
    ),
    sockets=(),
    disks=(),
    mounts=(
        Mount("/dev/sda1", "/", "ext4", uuid="r", size_bytes=20 * GIB + 1, in_fstab=True),
        Mount("/dev/sda2", "/boot", "ext4", uuid="b", size_bytes=GIB, in_fstab=True),
        Mount("/dev/sdb1", "/srv/archive", "ext4", "noatime,nofail", DATA_UUID, "archive",
              900 * GIB, in_fstab=True, fstab_spec="LABEL=archive"),
        Mount("/dev/sdc1", "none", "swap", "sw", DATA_UUID, size_bytes=2 * GIB, in_fstab=True),
        Mount("/dev/sdd1", "/srv/pool", "xfs", uuid=DATA_UUID, size_bytes=GIB, in_fstab=True),
        Mount("files.example:/home", "/home", "nfs4", in_fstab=True),
        Mount("tmpfs", "/run", "tmpfs"),
        Mount("tmpfs", "/scratch", "tmpfs", in_fstab=True),
        Mount("/dev/sde1", "/mnt/usb", "ext4", uuid=DATA_UUID, size_bytes=GIB),
    ),
    conffiles=(),
    entries=(
        ConfigEntry("/etc/nginx/nginx.conf", "file", 0o644, "root", "root"),
        ConfigEntry("/etc/fstab", "file", 0o644, "root", "root"),
        ConfigEntry("/etc/ssh/sshd_config", "file", 0o644, "root", "root"),
        ConfigEntry("/etc/ssh/ssh_host_ed25519_key", "file", 0o600, "root", "root"),
        ConfigEntry("/etc/shadow", "file", 0o640, "root", "shadow"),
        ConfigEntry("/usr/local/bin/tally", "file", 0o755, "root", "root"),
    ),
    withheld=(),
    replacements=(),
    not_readable=(),
    cost=SurveyCost(1.0, 0.5, 1000),
)  # fmt: skip

SITE = Site(
    name="shelf",
    services=(ServiceProbe("ssh", 22, "banner", "SSH-2.0-"), ServiceProbe("web", 443, "tcp")),
)


def design(survey: CleanSurvey = SURVEY, site: Site = SITE, *, emulated: bool = False) -> Blueprint:
    return design_clone(
        survey, PROFILE, site, run_id="run-1", cpus=2, memory_bytes=GIB, emulated=emulated
    )


def list_gaps(blueprint: Blueprint) -> dict[str, tuple[str, str]]:
    return {gap.subject: (gap.state, gap.note) for gap in blueprint.gaps}


# -- the gateway's allow-list


def test_the_allow_list_is_exactly_what_production_uses() -> None:
    """Each enabled http(s) archive once, with its port and path; disabled entries are none."""
    assert list_allowed(SURVEY.sources) == (
        AllowedArchive("https", "archive.example", 443, "/debian"),
        AllowedArchive("http", "archive.example", 8080, "/debian-security"),
    )


def test_an_archive_at_the_root_allows_the_root() -> None:
    """No path means the whole host, said as "/"; IPv6 hosts and doubles are understood."""
    uris = ("http://archive.example", "http://archive.example/", "http://[2001:db8::1]:81/d")
    sources = (ArchiveSource("f", 1, ("deb",), uris, ("bookworm",), ("main",)),)
    assert list_allowed(sources) == (
        AllowedArchive("http", "archive.example", 80, "/"),
        AllowedArchive("http", "2001:db8::1", 81, "/d"),
    )


# sources.list(5): discs and local folders are archives too, but none a gateway can ask.
LOCAL = ArchiveSource(
    "/etc/apt/sources.list.d/disc.list", 1, ("deb",),
    ("cdrom:[Debian GNU/Linux 12.5.0 _Bookworm_ - Official amd64]/", "file:/srv/mirror"),
    ("bookworm",), ("main",),
)  # fmt: skip


def test_discs_and_folders_are_not_asked_through_the_gateway() -> None:
    """They are on no allow-list and in no recipe: no clone and no build can read them."""
    survey = replace(SURVEY, sources=(LOCAL, *SURVEY.sources))
    assert list_allowed(survey.sources) == list_allowed(SURVEY.sources)
    assert design(survey).recipe.sources == design().recipe.sources


def test_a_template_is_built_with_its_own_archives_only() -> None:
    """The recipe's list holds the hosts of the recipe, by plain http."""
    allowed = list_recipe_archives(design().recipe)
    assert {(one.scheme, one.host) for one in allowed} == {("http", "archive.example")}


# -- the recipe


def test_the_recipe_pins_productions_packages() -> None:
    """Installed ones at their version, with their marks; removed ones are not installed."""
    recipe = design().recipe
    assert [(p.name, p.version, p.automatic, p.held) for p in recipe.packages] == [
        ("bash", "5.2.15-2+b8", False, False),
        ("libssl3", "3.0.15-1", True, False),
        ("nginx", "1.22.1-9", False, True),
    ]
    assert (recipe.codename, recipe.boot_mode, recipe.variant) == ("bookworm", "bios", "fitted")


def test_archives_of_the_recipe_are_the_profiles_suites() -> None:
    """The sources the profile knows, asked through the gateway by plain http."""
    assert design().recipe.sources == (
        RecipeSource("http://archive.example/debian", "bookworm", ("main", "contrib")),
        RecipeSource("http://archive.example/debian", "bookworm-updates", ("main", "contrib")),
        RecipeSource("http://archive.example:8080/debian-security", "bookworm-security", ("main",)),
    )


def test_another_survey_of_the_same_server_asks_for_the_same_template() -> None:
    """A sanitised name that is another one in each survey must not cost a new template."""

    def rename(package: Package, person: str) -> Package:
        return replace(package, stanza=f"{package.stanza}Maintainer: {person}\n")

    first, second = (
        replace(SURVEY, packages=tuple(rename(p, who) if p.stanza else p for p in SURVEY.packages))
        for who in ("Maintainer fe3da6 <a@one.example>", "Maintainer 9a9f66 <b@two.example>")
    )
    assert first != second
    assert digest_recipe(design(first).recipe) == digest_recipe(design(second).recipe)


def test_a_package_no_archive_offers_gets_a_stand_in_and_a_gap() -> None:
    """The stand-in keeps the stanza; the gap names it, so that nobody believes it was
    rehearsed. An old kernel is left out and said."""
    blueprint = design()
    assert [(s.name, s.version) for s in blueprint.recipe.stand_ins] == [("shelf-agent", "2.3")]
    gaps = list_gaps(blueprint)
    state, note = gaps["packages no archive offers"]
    assert state == "approximated"
    assert "shelf-agent" in note
    assert gaps["old kernels no archive offers"] == ("absent", "linux-image-6.1.0-1-amd64")


@pytest.mark.parametrize(
    ("size", "wanted"), [(0, 8), (GIB, 8), (8 * GIB, 8), (8 * GIB + 1, 9), (20 * GIB + 1, 21)]
)
def test_the_system_disk_has_productions_size(size: int, wanted: int) -> None:
    """Rounded up to a GiB, at least 8: a full disk must show on the clone too."""
    mounts = (Mount("/dev/sda1", "/", "ext4", size_bytes=size, in_fstab=True),)
    assert design(replace(SURVEY, mounts=mounts)).recipe.size_bytes == wanted * GIB
    assert design(replace(SURVEY, mounts=())).recipe.size_bytes == 8 * GIB


# -- data disks


def test_data_disks_get_stand_ins() -> None:
    """Type, label, UUID and the mount table's own line stay; the size is capped."""
    boot, archive, swap = design().stand_ins
    assert (boot.target, boot.size_bytes) == ("/boot", GIB)
    assert (archive.target, archive.fstype, archive.uuid, archive.label) == (
        "/srv/archive", "ext4", DATA_UUID, "archive",
    )  # fmt: skip
    assert archive.size_bytes == 4 * GIB
    assert archive.fstab_line == "LABEL=archive /srv/archive ext4 noatime,nofail 0 2"
    assert (swap.fstype, swap.size_bytes) == ("swap", 2 * GIB)
    assert swap.fstab_line.startswith(f"UUID={DATA_UUID} none swap sw ")


def test_what_cannot_stand_in_is_said() -> None:
    """A file system without a maker, and a network share, are gaps; memory and what is not
    in the mount table are neither disks nor gaps."""
    gaps = list_gaps(design())
    assert gaps["data disk /srv/archive"][0] == "approximated"
    assert gaps["data disk /srv/pool"] == ("absent", "no stand-in for xfs without xfsprogs")
    assert gaps["network share /home"][0] == "absent"
    assert not [subject for subject in gaps if "usb" in subject or "scratch" in subject]


# -- the copy


@pytest.mark.parametrize(
    "path",
    [
        "/etc/fstab", "/etc/machine-id", "/etc/hostname", "/etc/hosts", "/etc/resolv.conf",
        "/etc/network/interfaces", "/etc/network/interfaces.d/eth0", "/etc/netplan/50.yaml",
        "/etc/systemd/network/10-x.link", "/etc/crypttab",
        "/etc/passwd", "/etc/passwd-", "/etc/shadow",
        "/etc/group", "/etc/gshadow-", "/etc/subuid", "/etc/forerun/host_key",
        "/etc/udev/rules.d/70-persistent-net.rules", "/etc/cloud/cloud.cfg",
    ],
)  # fmt: skip
def test_what_belongs_to_the_clone_is_held_back(path: str) -> None:
    """A clone with production's disks, names, addresses or accounts would not start."""
    assert find_held_back(path)


@pytest.mark.parametrize(
    "path",
    [
        "/etc/ssh/sshd_config", "/etc/sysctl.conf", "/etc/hosts.allow", "/etc/default/grub",
        "/etc/nginx/nginx.conf", "/etc/apt/sources.list", "/etc/systemd/system/x.service",
        "/etc/fstab.d/x", "/usr/local/bin/tally", "/etc/networks",
        "/etc/ssh/ssh_host_rsa_key", "/etc/ssh/ssh_host_rsa_key.pub",
    ],
)  # fmt: skip
def test_what_the_upgrade_meets_is_copied(path: str) -> None:
    """Configuration that the upgrade reads or changes must be there."""
    assert find_held_back(path) == ""


def test_every_path_is_copied_or_has_a_reason() -> None:
    """No entry of the survey is lost on the way; the gap counts those held back."""
    blueprint = design()
    held = dict(blueprint.held_back_paths)
    assert set(blueprint.copy_paths) | set(held) == {entry.path for entry in SURVEY.entries}
    assert not set(blueprint.copy_paths) & set(held)
    assert all(held.values())
    assert list_gaps(blueprint)["configuration files"][1].startswith(
        "2 files held back, 2 of them read"
    )


# -- services, ports, standing gaps


def test_running_services_are_started_again() -> None:
    """Those that run on production and are no machinery: they read the copied settings."""
    assert find_running_units(SURVEY) == ("nginx.service", "cron.service")


def test_ports_lead_to_access_and_to_each_watched_service() -> None:
    """Nothing else of the clone can be reached."""
    assert design().guest_ports == (
        (ACCESS_PORT, "forerun's own access"),
        (22, "service ssh"),
        (443, "service web"),
    )


def test_the_standing_gaps_are_always_said() -> None:
    """Even for the smallest server: what a clone never has stands in the statement, with a
    state of the closed set."""
    bare = replace(SURVEY, packages=(), mounts=(), entries=(), units=(), sources=())
    gaps = list_gaps(design(bare, Site()))
    for subject in (
        "secrets, names and addresses", "boot mode", "firmware and hardware start",
        "network interfaces", "users and groups", "units", "boot loader's device", "access",
        *FAMILIES,
    ):  # fmt: skip
        assert subject in gaps
    assert {state for state, _ in gaps.values()} <= {
        "matched", "approximated", "absent", "unknown",
    }  # fmt: skip


def test_design_is_a_function() -> None:
    """The same survey gives the same blueprint, and names survey and run."""
    assert design() == design()
    assert (design().survey_id, design().run_id, design().hostname) == (
        SURVEY.id, "run-1", SURVEY.host,
    )  # fmt: skip
    assert Path(PROFILE.path).name == "profile.yaml"


def test_only_an_emulated_clone_has_words_for_its_kernel() -> None:
    """They are in the recipe, hence in the template's id and its boot loader's settings,
    and said as a difference to production; on real hardware support there are none."""
    emulated, plain = design(emulated=True), design()
    assert plain.recipe.kernel_words == ""
    assert "kernel command line" not in list_gaps(plain)
    words = emulated.recipe.kernel_words
    assert list_gaps(emulated)["kernel command line"] == ("approximated", f"{words} added")
    line = f'GRUB_CMDLINE_LINUX="console=tty0 console=ttyS0,115200 {words}"'
    assert line in write_customise_script(emulated.recipe).splitlines()
    assert f" {words}" not in write_customise_script(plain.recipe)
    assert digest_recipe(emulated.recipe) != digest_recipe(plain.recipe)


def test_the_root_has_productions_ids() -> None:
    """UUID, label and PARTUUID of the surveyed root file system, which start-up files and
    scripts find it by; the label no longer than ext4 has room for."""
    root = next(mount for mount in SURVEY.mounts if mount.target == "/")
    uuid, part = "919108f7-52d1-4320-9bac-f847db4148a8", "8953b397-01"
    mounts = tuple(
        replace(m, uuid=uuid, label="a label too long for ext4") if m is root else m
        for m in SURVEY.mounts
    )
    block = Block("sda1", "part", 1 << 30, uuid=uuid, partition_uuid=part)
    recipe = design(
        replace(SURVEY, mounts=mounts, system=replace(SURVEY.system, blocks=(block,)))
    ).recipe
    assert (recipe.root_uuid, recipe.root_partition) == (uuid, part)
    assert recipe.root_label == "a label too long"


def test_ids_that_fit_no_template_are_left_alone() -> None:
    """A root whose id is no UUID gets one of the template's own."""
    mounts = tuple(replace(m, uuid="1A2B-3C4D") if m.target == "/" else m for m in SURVEY.mounts)
    assert design(replace(SURVEY, mounts=mounts)).recipe.root_uuid == ""
