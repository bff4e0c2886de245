"""The fitted template: recipe, third parties, numbers of accounts, and what came of it."""

from __future__ import annotations

import base64
from dataclasses import replace

import pytest
from tests.unit.test_design import PROFILE, SITE, SURVEY, design, list_gaps
from tests.unit.test_template_scripts import list_arguments

from forerun.model.blueprint import SystemId, TemplateInfo
from forerun.model.survey import ArchiveSource, ConfigEntry, Package
from forerun.model.system import Account, Group, SystemFacts
from forerun.stages.design import design_clone, list_key_files
from forerun.stages.template import digest_recipe
from forerun.stages.template_fit import (
    compare_packages,
    count_fit,
    judge_packages,
    note_fit,
)
from forerun.stages.template_scripts import name_key, write_customise_script

INFO = TemplateInfo(
    "0123456789abcdef", "t", "bookworm", "bios", 8 << 30, 1, "", "", 1.0, "u",
    (("bash", "5.2.15-2+b8"), ("libssl3", "3.0.16-1"), ("nginx", "1.22.1-9"),
     ("shelf-agent", "2.3"), ("extra", "1")),
)  # fmt: skip


def test_every_package_of_production_is_accounted_for() -> None:
    """Exact, nearest, stand-in and missing sum up to the survey's installed packages; each
    that is not exact is named."""
    recipe = design().recipe
    rows = compare_packages(SURVEY, recipe, INFO)
    installed = [p for p in SURVEY.packages if p.state in ("ii", "hi")]
    assert [row.name for row in rows] == [p.name for p in installed]
    assert count_fit(rows) == {"exact": 2, "nearest": 1, "stand-in": 1, "missing": 1}
    assert sum(count_fit(rows).values()) == len(installed)
    gap = judge_packages(rows)
    assert gap.state == "approximated"
    for named in ("libssl3 3.0.15-1 (here 3.0.16-1)", "shelf-agent", "linux-image-6.1.0-1-amd64"):
        assert named in gap.note


def test_the_statement_takes_over_what_was_built() -> None:
    """One row `packages`, before and after the build."""
    blueprint = note_fit(design(), SURVEY, INFO)
    (row,) = [gap for gap in blueprint.gaps if gap.subject == "packages"]
    assert row.note.startswith("5 installed on production: 2 exact, 1 nearest")


def test_an_imported_template_tells_nothing() -> None:
    """No packages on record is unknown, not missing."""
    rows = compare_packages(SURVEY, design().recipe, replace(INFO, packages=(), imported=True))
    assert judge_packages(rows).state == "unknown"


VENDOR = ArchiveSource(
    "/etc/apt/sources.list.d/vendor.list", 1, ("deb",), ("https://vendor.example/apt",),
    ("stable",), ("main",), signed_by="/etc/apt/keyrings/vendor.gpg",
)  # fmt: skip
THIRD = replace(
    SURVEY,
    sources=(*SURVEY.sources, VENDOR),
    packages=(
        *SURVEY.packages,
        Package(
            "vendor-tool", "9", "amd64", origin="Vendor", candidate="9", automatic=True,
            relations=(("Depends", "bash"), ("Provides", "tool")),
        ),
    ),
    entries=(ConfigEntry("/etc/apt/keyrings/vendor.gpg", "file", 0o644, "root", "root"),),
)  # fmt: skip


def test_a_third_party_archive_is_used_with_its_own_key() -> None:
    """The key of the copy checks it; it is part of what the template's name stands for."""
    assert list_key_files(THIRD) == ("/etc/apt/keyrings/vendor.gpg",)
    key = b"\x98\x33key"
    made = design_clone(
        THIRD, PROFILE, SITE, run_id="r", cpus=1, memory_bytes=1, emulated=False,
        keys={"/etc/apt/keyrings/vendor.gpg": key},
    )  # fmt: skip
    source = made.recipe.sources[-1]
    assert (source.uri, source.suite) == ("http://vendor.example/apt", "stable")
    assert base64.b64decode(source.key) == key
    assert "vendor-tool" in [p.name for p in made.recipe.packages]
    assert name_key(source).endswith(".gpg")
    assert digest_recipe(made.recipe) != digest_recipe(design(THIRD).recipe)


@pytest.mark.parametrize(
    ("suite", "components", "signed_by", "own"),
    [
        ("bookworm", ("main",), "", True),
        ("bookworm-backports", ("main",), "", True),
        ("bookworm", ("main", "non-free-firmware"),
         "/usr/share/keyrings/debian-archive-keyring.gpg", True),
        ("bookworm", ("main",), "/etc/apt/keyrings/vendor.gpg", False),
        ("bookworm", ("stable",), "", False),
        ("bookworm-vendor", ("main",), "", False),
        ("stable", ("main",), "", False),
    ],
)  # fmt: skip
def test_an_archive_of_a_third_party_is_told_from_the_distributions_own(
    suite: str, components: tuple[str, ...], signed_by: str, own: bool
) -> None:
    """A suite of the same name proves nothing; a key or components of its own do. What the
    lab host's keys cannot check is never built from."""
    source = replace(VENDOR, suites=(suite,), components=components, signed_by=signed_by)
    made = design(replace(SURVEY, sources=(source,)))
    assert len(made.recipe.sources) == own
    assert ("third-party archives" in list_gaps(made)) is not own


def test_foreign_packages_need_their_architecture() -> None:
    """mmdebstrap(1): the native architecture comes first."""
    recipe = design().recipe
    foreign = replace(recipe.packages[0], name="libc6:i386", architecture="i386")
    wide = replace(recipe, packages=(*recipe.packages, foreign))
    assert "--architectures=amd64" in list_arguments(recipe)
    assert "--architectures=amd64,i386" in list_arguments(wide)


def test_without_a_key_its_packages_are_stand_ins() -> None:
    """Nothing unchecked is installed: a maintainer script would run as root on the lab host.
    The relations come from what the survey kept; the mark `automatic` stays."""
    recipe = design(THIRD).recipe
    (hollow,) = [s for s in recipe.stand_ins if s.name == "vendor-tool"]
    assert "Depends: bash\n" in hollow.stanza
    assert "Provides: tool\n" in hollow.stanza
    assert all(not source.key for source in recipe.sources)
    assert list_gaps(design(THIRD))["third-party archives"][0] == "absent"
    assert "apt-mark auto libssl3 vendor-tool " in write_customise_script(recipe)


def test_a_checked_archive_is_written_with_its_keyring() -> None:
    """sources.list(5), signed-by; the distribution's own have none."""
    recipe = design().recipe
    assert all("signed-by" not in line for line in list_arguments(recipe)[-3:])


ACCOUNTS = SystemFacts(
    accounts=(
        Account("root", 0, 0), Account("postgres", 104, 112), Account("maria", 1000, 1000),
        Account("nobody", 65534, 65534),
    ),
    groups=(Group("postgres", 112), Group("maria", 1000), Group("ssl-cert", 111)),
)  # fmt: skip


def test_numbers_of_system_accounts_are_in_the_recipe() -> None:
    """Debian Policy 9.2.2: those that are drawn at installation, and nobody's who is a
    person: people come with each clone, so that a new one costs no new template."""
    recipe = design(replace(SURVEY, system=ACCOUNTS)).recipe
    assert recipe.ids == (
        SystemId("postgres", 104, 112), SystemId("postgres", 112), SystemId("ssl-cert", 111),
    )  # fmt: skip
    script = write_customise_script(recipe)
    assert "postgres:x:104:112:::\n" in script
    assert "ssl-cert:x:111:\n" in script
    assert "maria" not in script
    assert "perl" not in write_customise_script(replace(recipe, ids=()))
