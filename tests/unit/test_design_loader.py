"""Where the clone's boot loader belongs, and which way was taken."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.unit.test_design import SURVEY
from tests.unit.test_seed import BLUEPRINT, list_files, read_seed_script

from forerun.model.blueprint import Gap, LoaderPlan
from forerun.model.system import Loader, SystemFacts
from forerun.stages.design_loader import design_loader
from forerun.stages.seed import write_settle_script

ATA = "/dev/disk/by-id/ata-DISK-9_SER1AL"


def plan(loader: Loader | None) -> tuple[LoaderPlan, Gap]:
    return design_loader(replace(SURVEY, system=SystemFacts(loader=loader)))


def test_a_path_that_exists_leads_to_the_clones_disk() -> None:
    """Production's answer stays on record, and its path is there."""
    made, gap = plan(Loader("grub-pc", (ATA,), ("/dev/sda",)))
    assert made.links == ("disk/by-id/ata-DISK-9_SER1AL",)
    assert made.answers == (("grub-pc", "grub-pc/install_devices", ATA),)
    assert gap.state == "matched"
    assert "link" in gap.note


def test_a_virtio_disk_has_its_path_by_its_serial_number() -> None:
    """No link is needed: udev makes the path of the serial number itself."""
    made, gap = plan(Loader("grub-pc", ("/dev/disk/by-id/virtio-abc123",), ("/dev/vda",)))
    assert (made.serial, made.links) == ("abc123", ())
    assert "serial" in gap.note


def test_a_path_that_is_gone_is_gone_here_too() -> None:
    """The package's question about a lost device is then met on the clone as well."""
    made, gap = plan(Loader("grub-pc", (ATA,), ()))
    assert (made.links, made.answers[0][2]) == ((), ATA)
    assert "gone" in gap.note


@pytest.mark.parametrize("loader", [None, Loader("grub-pc")])
def test_nothing_on_record_is_unknown(loader: Loader | None) -> None:
    """The clone's own disk is preset by the template."""
    made, gap = plan(loader)
    assert (made, gap.state) == (LoaderPlan(), "unknown")


def test_an_older_survey_tells_it_by_its_settings() -> None:
    """The answer was read before; whether the path exists was not."""
    survey = replace(SURVEY, settings=(("debconf grub-pc/install_devices", "/dev/sda, /dev/sdb"),))
    made, gap = design_loader(survey)
    assert made.links == ("sda", "sdb")
    assert gap.state == "approximated"


@pytest.mark.parametrize("bad", ['/dev/x"; reboot', "/dev/$(id)", "relative", "/etc/passwd"])
def test_an_answer_that_is_no_device_path_is_not_used(bad: str) -> None:
    """It would reach a rule of udev and a shell."""
    made, gap = plan(Loader("grub-pc", (bad,), ("/dev/sda",)))
    assert (made, gap.state) == (LoaderPlan(), "approximated")


def test_links_are_rules_for_the_disk_and_its_partitions() -> None:
    """udev(7): SYMLINK, and %n for the partition's number, in udev's own two forms."""
    blueprint = replace(BLUEPRINT, loader=LoaderPlan("", ("disk/by-id/ata-X", "sda"), (
        ("grub-pc", "grub-pc/install_devices", "/dev/sda"),)))  # fmt: skip
    rules = list_files(blueprint)["/etc/udev/rules.d/61-forerun-disk.rules"][0]
    for link in ("disk/by-id/ata-X", "disk/by-id/ata-X-part%n", "sda", "sda%n"):
        assert f'SYMLINK+="{link}"\n' in rules
    assert 'ATTR{serial}=="forerun-system"' in rules
    script = read_seed_script(blueprint)
    assert "grub-pc grub-pc/install_devices multiselect /dev/sda\n" in script
    assert "debconf-set-selections" not in read_seed_script(BLUEPRINT)
    # What a disk for /var takes over must hold the answer already.
    assert script.index("debconf-set-selections") < script.index("stand-ins.sh")


def test_units_that_are_off_on_production_are_off() -> None:
    """systemd.unit(5): their links go; those that did not run there are stopped in the end."""
    blueprint = replace(BLUEPRINT, disable_units=("a.service",), stop_units=("b.service",))
    script = read_seed_script(blueprint)
    assert "*.wants/'a.service' *.requires/'a.service'" in script
    assert "-lname '*/a.service'" in script
    assert "systemctl stop 'b.service'" in write_settle_script(blueprint)
    assert "systemctl stop" not in write_settle_script(BLUEPRINT)
