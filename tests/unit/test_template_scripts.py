"""The words a template build says to other programs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from debian.deb822 import Deb822

from forerun.model.blueprint import PinnedPackage, RecipeSource, StandInPackage, TemplateRecipe
from forerun.stages.template import digest_recipe, read_installed
from forerun.stages.template_scripts import (
    BASE_PACKAGES,
    KERNEL_PACKAGE,
    list_mmdebstrap,
    list_wanted,
    write_customise_script,
    write_loader_script,
    write_stand_in_control,
)

RECIPE = TemplateRecipe(
    family="debian",
    codename="bookworm",
    architecture="amd64",
    boot_mode="bios",
    size_bytes=10 << 30,
    sources=(
        RecipeSource("http://archive.example/debian", "bookworm", ("main", "contrib")),
        RecipeSource("http://archive.example/debian-security", "bookworm-security", ("main",)),
    ),
    packages=(
        PinnedPackage("nginx", "1.22.1-9", "amd64"),
        PinnedPackage("libssl3", "3.0.15-1~deb12u1", "amd64", automatic=True),
        PinnedPackage("bash", "5.2.15-2+b8", "amd64", held=True),
    ),
)


def list_arguments(recipe: TemplateRecipe) -> list[str]:
    return list_mmdebstrap(
        recipe,
        target=Path("/s/tree.tar"),
        preferences=Path("/s/preferences"),
        customise=Path("/s/customise.sh"),
        stand_ins=Path("/s/stand-ins"),
        proxy_port=40080,
    )


def test_every_clone_gets_what_it_is_driven_with() -> None:
    """Cloud-init, an SSH server, a kernel and a boot loader are there whatever production
    has; nothing is named twice."""
    names = list_wanted(RECIPE)
    assert set(BASE_PACKAGES) <= set(names)
    assert {"nginx", "libssl3", "bash", KERNEL_PACKAGE, "grub-pc"} <= set(names)
    assert list(names) == sorted(set(names))
    assert "grub-efi-amd64" in list_wanted(replace(RECIPE, boot_mode="uefi"))


def test_productions_own_kernel_is_kept() -> None:
    """Where production brings a kernel, no other is added."""
    own = replace(RECIPE, packages=(PinnedPackage("linux-image-amd64", "6.1.137-1", "amd64"),))
    assert KERNEL_PACKAGE not in list_wanted(own)


def test_the_archives_are_asked_through_the_gateway_only() -> None:
    """mmdebstrap(1): sources come last, one line each, with the proxy set for all of them."""
    argv = list_arguments(RECIPE)
    assert argv[-2:] == [
        "deb http://archive.example/debian bookworm main contrib",
        "deb http://archive.example/debian-security bookworm-security main",
    ]
    assert argv[-4:-2] == ["bookworm", "/s/tree.tar"]
    assert [a for a in argv if "Proxy" in a] == [
        '--aptopt=Acquire::http::Proxy "http://127.0.0.1:40080"'
    ]
    assert f"--include={','.join(list_wanted(RECIPE))}" in argv


def test_marks_of_the_package_manager_are_set_again() -> None:
    """Automatic and held packages are marked as production has them (apt-mark(8))."""
    script = write_customise_script(RECIPE)
    assert "apt-mark auto libssl3 " in script
    assert "apt-mark hold bash " in script
    plain = write_customise_script(replace(RECIPE, packages=()))
    assert "apt-mark" not in plain


def test_nothing_of_one_machine_stays_in_a_template() -> None:
    """Host keys and the machine id are not shared by all clones (machine-id(5): an empty
    file is filled at the first boot)."""
    script = write_customise_script(RECIPE)
    assert "rm -f /etc/ssh/ssh_host_*_key" in script
    assert ": > /etc/machine-id" in script


def test_the_boot_loader_goes_where_the_mode_needs_it() -> None:
    """BIOS: into the first disk; UEFI: the removable path, without firmware variables."""
    bios, uefi = write_loader_script("bios"), write_loader_script("uefi")
    assert "grub-install --target=i386-pc /dev/vda" in bios
    assert "--target=x86_64-efi" in uefi
    assert "--no-nvram --removable" in uefi
    for script in (bios, uefi):
        assert script.startswith("#!/bin/sh\n")
        assert script.index("update-grub") < script.index("forerun: boot loader written")


STANZA = """\
Package: shelf-agent
Status: install ok installed
Priority: optional
Section: misc
Installed-Size: 120
Maintainer: Shelf <shelf@records.example>
Architecture: all
Version: 1:2.3-4
Depends: bash (>= 5),
 python3
Provides: agent
Conffiles:
 /etc/shelf/agent.conf 0123456789abcdef0123456789abcdef
Description: watches the shelves
 Longer text that
 .
 is dropped.
"""


def test_a_stand_in_keeps_relations_and_nothing_else() -> None:
    """Read by python-debian: name, version and every relation stay, with their folded
    lines; status, sizes, conffiles and the description's text go."""
    control = Deb822(write_stand_in_control(STANZA))
    assert {key: control[key] for key in ("Package", "Version", "Architecture", "Provides")} == {
        "Package": "shelf-agent",
        "Version": "1:2.3-4",
        "Architecture": "all",
        "Provides": "agent",
    }
    assert control["Depends"].replace("\n", "") == "bash (>= 5), python3"
    assert not {"Status", "Conffiles", "Installed-Size"} & set(control)
    assert "Shelf" not in control["Maintainer"]
    assert control["Description"] == ("stand-in of the same name and relations, without content")


def test_a_stand_in_ends_where_its_stanza_ends() -> None:
    """Debian Policy 5.1: a blank line ends a stanza, so none may be inside."""
    assert "\n\n" not in write_stand_in_control(STANZA)


@pytest.mark.parametrize(
    "change",
    [
        {"codename": "trixie"},
        {"boot_mode": "uefi"},
        {"size_bytes": 11 << 30},
        {"packages": ()},
        {"sources": ()},
        {"stand_ins": (StandInPackage("a", "1", "all", "Package: a\n"),)},
        {"variant": "fitted"},
        {"maker": 99},
    ],
    ids=lambda change: next(iter(change)),
)
def test_whatever_changes_the_content_changes_the_name(change: dict[str, object]) -> None:
    """A template's id is the digest of all that its content depends on."""
    other = replace(RECIPE, **change)  # type: ignore[arg-type]
    assert digest_recipe(other) != digest_recipe(RECIPE)
    assert digest_recipe(replace(RECIPE)) == digest_recipe(RECIPE)
    assert len(digest_recipe(RECIPE)) == 16


def test_installed_packages_of_a_status_file() -> None:
    """Only what is really installed counts: not what was removed or is half there."""
    status = (
        "Package: bash\nStatus: install ok installed\nVersion: 5.2.15-2+b8\n"
        "Description: shell\n Status: deinstall ok config-files\n\n"
        "Package: gone\nStatus: deinstall ok config-files\nVersion: 1\n\n"
        "Package: held\nStatus: hold ok installed\nVersion: 2\n\n"
        "Package: half\nStatus: install ok half-configured\nVersion: 3\n"
    )
    assert read_installed(status) == (("bash", "5.2.15-2+b8"), ("held", "2"))
