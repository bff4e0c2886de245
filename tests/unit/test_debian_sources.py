"""Archive sources: both formats, the switch to a new release, doubles.

Source of the formats: sources.list(5) of apt 2.6."""

from __future__ import annotations

from forerun.distro.debian import Debian
from forerun.distro.debian_sources import (
    SWITCHED_FILE,
    find_doubled_sources,
    parse_sources,
    plan_sources,
)
from forerun.model.profile import SourcePlan

PLAN = SourcePlan(
    suites=(
        ("bookworm", "trixie"),
        ("bookworm-updates", "trixie-updates"),
        ("bookworm-security", "trixie-security"),
    ),
    keyring="/usr/share/keyrings/debian-archive-keyring.gpg",
    fingerprints=(),
)

LIST = """\
# deb http://archive.example/debian bookworm main
deb http://archive.example/debian bookworm main contrib  # local
deb-src http://archive.example/debian bookworm main contrib
deb [arch=amd64,i386 signed-by=/etc/apt/keyrings/vendor.gpg] https://vendor.example/apt stable main
deb [trusted=yes] file:/srv/local ./
deb cdrom:[Debian GNU/Linux 12 _Bookworm_]/ bookworm main
nonsense here
"""

STANZAS = """\
# the distribution
Types: deb
URIs: http://archive.example/debian
Suites: bookworm bookworm-updates
Components: main
Signed-By: /usr/share/keyrings/debian-archive-keyring.gpg

Enabled: no
Types: deb
URIs: http://old.example/debian
Suites: bullseye
Components: main

Types: deb
URIs: https://keyed.example/apt
Suites: stable
Components: main
Signed-By:
 -----BEGIN PGP PUBLIC KEY BLOCK-----
 .
 mQENBF0example
 -----END PGP PUBLIC KEY BLOCK-----
"""


def test_one_line_entries() -> None:
    """Entries carry line, options by their deb822 names, and exact-path suites."""
    rows = parse_sources({"/etc/apt/sources.list": LIST})
    assert [row.line for row in rows] == [2, 3, 4, 5, 6]
    assert rows[0].components == ("main", "contrib")
    assert rows[1].types == ("deb-src",)
    assert rows[2].signed_by == "/etc/apt/keyrings/vendor.gpg"
    assert rows[2].options == (("Architectures", "amd64 i386"),)
    assert rows[3].suites == ("./",) and rows[3].components == ()
    assert rows[4].uris[0].startswith("cdrom:[Debian GNU/Linux 12")


def test_deb822_stanzas() -> None:
    """Stanzas carry their first line, and know off from on and a key from a path."""
    rows = parse_sources({"/etc/apt/sources.list.d/x.sources": STANZAS})
    assert [row.line for row in rows] == [2, 8, 14]
    assert rows[0].suites == ("bookworm", "bookworm-updates")
    assert [row.enabled for row in rows] == [True, False, True]
    assert rows[2].signed_by == "embedded"


def test_switch_renames_and_reads_back() -> None:
    """The new file is valid deb822 that names only the target release's suites."""
    old = parse_sources({"/etc/apt/sources.list": LIST.partition("deb [arch")[0]})
    switched = plan_sources(old, PLAN)
    assert switched.file == SWITCHED_FILE
    assert switched.retire == ("/etc/apt/sources.list",)
    new = parse_sources({SWITCHED_FILE: switched.content})
    assert len(new) == 1
    assert new[0].types == ("deb", "deb-src")
    assert new[0].suites == ("trixie",)
    assert new[0].components == ("main", "contrib")
    assert new[0].uris == ("http://archive.example/debian",)
    assert new[0].signed_by == PLAN.keyring
    assert "bookworm" not in switched.content


def test_sources_without_rule_are_disabled_and_reported() -> None:
    """A third-party entry is kept with its options, disabled, and named."""
    switched = plan_sources(parse_sources({"/etc/apt/sources.list": LIST}), PLAN)
    assert switched.disabled[0] == "/etc/apt/sources.list:4 https://vendor.example/apt stable"
    new = parse_sources({SWITCHED_FILE: switched.content})
    vendor = next(row for row in new if "vendor" in row.uris[0])
    assert not vendor.enabled
    assert vendor.signed_by == "/etc/apt/keyrings/vendor.gpg"
    assert vendor.options == (("Architectures", "amd64 i386"),)


def test_an_embedded_key_keeps_its_own_file() -> None:
    """The key is not in the survey, so its file is neither rewritten nor retired."""
    path = "/etc/apt/sources.list.d/x.sources"
    switched = plan_sources(parse_sources({path: STANZAS}), PLAN)
    assert path not in switched.retire
    assert "keyed.example" not in switched.content
    assert any("keyed.example" in row for row in switched.disabled)


def test_an_already_disabled_source_is_not_reported_again() -> None:
    """What production does not use is no news; it stays disabled."""
    switched = plan_sources(
        parse_sources({"/etc/apt/a.sources": STANZAS.partition("Types: deb\nURIs: https")[0]}), PLAN
    )
    assert switched.disabled == ()
    off = [row for row in parse_sources({"x.sources": switched.content}) if not row.enabled]
    assert [row.uris for row in off] == [("http://old.example/debian",)]


def test_doubled_sources_are_found_across_formats() -> None:
    """The same archive, suite and component in both formats is a double; slashes and
    upper case in the host make no difference; deb-src and disabled entries do not count."""
    rows = parse_sources({
        "/etc/apt/sources.list": "deb http://Archive.example/debian/ bookworm main\n"
        "deb-src http://archive.example/debian bookworm main\n",
        "/etc/apt/sources.list.d/x.sources": STANZAS,
    })  # fmt: skip
    doubled = find_doubled_sources(rows)
    assert [(d.suite, d.component, d.places) for d in doubled] == [
        ("bookworm", "main", ("/etc/apt/sources.list:1", "/etc/apt/sources.list.d/x.sources:2"))
    ]
    assert Debian().find_doubled_sources(rows) == doubled
