"""The statement of how a clone differs: every family, for every server."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.unit.test_design import SURVEY, design, list_gaps

from forerun.model.profile import SampleContent, Site
from forerun.model.survey import CleanSurvey, ConfigEntry, Mount, Package
from forerun.model.system import Block, Interface, Loader, Module, Processor, SystemFacts
from forerun.stages.design_gaps import FAMILIES

STATES = {"matched", "approximated", "absent", "unknown"}
BARE = replace(SURVEY, packages=(), mounts=(), entries=(), units=(), sources=(), sockets=())
RICH = replace(
    SURVEY,
    packages=tuple(
        Package(name, "1", "amd64", candidate="1")
        for name in ("postgresql-15", "keepalived", "chrony", "sssd", "nftables", "lvm2")
    ),
    mounts=(Mount("files.example:/h", "/h", "nfs4", in_fstab=True),),
    entries=(
        ConfigEntry("/etc/ssl/web.key", "file", 0o600, "root", "root"),
        ConfigEntry("/etc/vendor/license.dat", "file", 0o600, "root", "root"),
    ),
    system=SystemFacts(
        blocks=(Block("dm-0", "crypt", 1, ("sda",), uuid="r"),),
        interfaces=(Interface("enp1s0", "02:00:00:00:00:01", "igb", "pci", ("192.0.2.9/24",)),),
        modules=(Module("shelf-drv", "2", "installed"),),
        processor=Processor("Example 9000"),
        time_sync="chrony",
        loader=Loader("grub-pc", ("/dev/sda",), ("/dev/sda",), secure_boot=True),
    ),
)


@pytest.mark.parametrize("survey", [BARE, SURVEY, RICH], ids=["bare", "older", "rich"])
@pytest.mark.parametrize("emulated", [False, True])
def test_every_family_is_there_once(survey: CleanSurvey, emulated: bool) -> None:
    """A row each, with a state of the closed set and a note of what may be hidden."""
    rows = [gap for gap in design(survey, emulated=emulated).gaps if gap.subject in FAMILIES]
    assert tuple(gap.subject for gap in rows) == FAMILIES
    assert {gap.state for gap in rows} <= STATES
    assert all(len(gap.note) > 20 for gap in rows)


def test_the_families_are_the_known_ways_to_mispredict() -> None:
    """Every way in which a rehearsal may not predict production, as practice has them (no
    published list is known): one that is dropped would no longer be spoken of."""
    assert FAMILIES == (
        "processor speed", "storage sync", "network and mirror speed",
        "missing disks, ids and labels", "boot mode and loader", "layered root",
        "third-party and local packages", "steps that grow with data",
        "kernel drivers and modules", "network cards and interface names",
        "licences bound to hardware", "clusters and peers", "time sync",
        "certificates and keys", "name service, directory, shares and proxy", "load and caches",
        "users' data and permissions", "access rules and firewall", "front end and terminal",
        "people", "repository changes", "survivorship",
    )  # fmt: skip


def test_what_the_survey_tells_is_named() -> None:
    """Software, hardware and files that a clone cannot rehearse stand in the notes."""
    gaps = list_gaps(design(RICH))
    for subject, word in (
        ("processor speed", "Example 9000"),
        ("steps that grow with data", "postgresql-15"),
        ("kernel drivers and modules", "shelf-drv 2"),
        ("network cards and interface names", "enp1s0 (igb)"),
        ("licences bound to hardware", "license.dat"),
        ("clusters and peers", "keepalived"),
        ("time sync", "chrony"),
        ("certificates and keys", "1 files"),
        ("name service, directory, shares and proxy", "/h"),
        ("access rules and firewall", "nftables"),
        ("boot mode and loader", "signatures are not checked"),
        ("layered root", "crypt"),
    ):
        assert word in gaps[subject][1], subject


def test_what_was_not_read_is_unknown_not_matched() -> None:
    """An older survey has none of the further facts."""
    gaps = list_gaps(design(BARE))
    for subject in ("network cards and interface names", "layered root", "time sync",
                    "missing disks, ids and labels", "boot loader's device"):  # fmt: skip
        assert gaps[subject][0] == "unknown", subject


def test_made_up_files_are_said() -> None:
    """With sample content of the site file the data is approximated, without it absent."""
    site = Site(sample_content=(SampleContent("/srv/archive", 5, ((1024, 1),)),))
    assert list_gaps(design(SURVEY, site))["users' data and permissions"][0] == "approximated"
    assert list_gaps(design(SURVEY))["users' data and permissions"][0] == "absent"
