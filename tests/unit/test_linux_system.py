"""Processor, interfaces, accounts, boots and speed, on tests/data/debian12/system and
history: written by hand in the form that Debian 12's tools print, with documentation
addresses (RFC 5737, RFC 3849, RFC 7042)."""

from __future__ import annotations

from pathlib import Path

import pytest

from forerun.distro.base import split_sections
from forerun.distro.linux_system import (
    find_naming_scheme,
    find_time_sync,
    parse_accounts,
    parse_boots,
    parse_data,
    parse_groups,
    parse_interfaces,
    parse_links,
    parse_processor,
    parse_secure_boot,
    parse_startup,
)
from forerun.model.survey import Unit
from forerun.model.system import Account, DataStore, Group

DATA = Path(__file__).parent.parent / "data" / "debian12"
ANSWER, _, LINKS_TEXT = (DATA / "system").read_text().partition("#links\n")
SYSTEM, LINKS = split_sections(ANSWER), parse_links(LINKS_TEXT)


def test_interfaces() -> None:
    """Driver and bus come from the kernel's links, names from udev's database, addresses
    from `ip`; the loopback is left out."""
    found = {one.name: one for one in parse_interfaces(SYSTEM, LINKS)}
    assert list(found) == ["br0", "enp1s0", "enx00005e005311"]
    first = found["enp1s0"]
    assert (first.mac, first.driver, first.bus) == ("00:00:5e:00:53:10", "igb", "pci")
    assert ("ID_NET_NAME_SLOT", "ens1") in first.names
    assert found["br0"].addresses == (
        "10.20.30.40/24", "fe80::200:5eff:fe00:5310/64", "2001:db8:20::40/64",
    )  # fmt: skip
    assert (found["br0"].driver, found["br0"].bus) == ("", "")
    assert found["enx00005e005311"].bus == "usb"
    assert find_naming_scheme(SYSTEM) == "v252"


def test_accounts_and_groups_without_passwords() -> None:
    """Numbers are read; a line of another shape is left out."""
    users = parse_accounts(
        ["a:1000:100:/home/a:/bin/sh", "bad", "b:x:1:/:/bin/sh", "c:1", ":0:0::"]
    )
    assert users == (Account("a", 1000, 100, "/home/a", "/bin/sh"),)
    assert parse_groups(["g:5:a,b::", "h:x::", "i"]) == (Group("g", 5, ("a", "b")),)


@pytest.mark.parametrize(
    ("lines", "model", "mhz", "flag"),
    [
        (["model name\t: X @ 2GHz", "cpu MHz\t\t: 2000.5", "flags\t: fpu aes"],
         "X @ 2GHz", 2000.5, "aes"),
        (["processor\t: 0", "Features\t: fp asimd"], "", 0.0, "asimd"),
        (["cpu MHz : fast", "flags : x"], "", 0.0, "x"),
    ],
)  # fmt: skip
def test_processors(lines: list[str], model: str, mhz: float, flag: str) -> None:
    """proc(5): x86 and ARM call their words differently."""
    found = parse_processor(lines)
    assert (found.model, found.mhz) == (model, mhz) and flag in found.flags


HEADED = """IDX BOOT ID                          FIRST ENTRY                 LAST ENTRY
 -1 0123456789abcdef0123456789abcdef Mon 2025-11-03 02:11:40 UTC Sat 2026-01-10 23:58:12 UTC
  0 fedcba9876543210fedcba9876543210 Sun 2026-01-11 00:00:31 UTC Sat 2026-01-31 21:59:50 UTC
"""
DASHED = HEADED.partition("\n")[2].replace(" UTC Sat", " UTC\u2014Sat")


@pytest.mark.parametrize("text", [HEADED, DASHED])
def test_boots_of_both_forms(text: str) -> None:
    """systemd 252 prints a heading and blanks, 247 a dash between the instants (both from
    memory of the tools); boot ids are not kept."""
    boots = parse_boots(text.splitlines(), [])
    assert [(boot.began, boot.ended) for boot in boots] == [
        ("2025-11-03T02:11:40Z", "2026-01-10T23:58:12Z"),
        ("2026-01-11T00:00:31Z", "2026-01-31T21:59:50Z"),
    ]
    assert "0123456789abcdef" not in repr(boots)


def test_only_the_latest_boots_are_kept() -> None:
    """A journal of years does not fill the record."""
    line = "{} {:032x} Mon 2025-11-03 02:11:40 UTC Mon 2025-11-03 02:{:02d}:00 UTC"
    boots = parse_boots([line.format(n - 49, n, n) for n in range(50)], [])
    assert len(boots) == 30 and boots[-1].ended == "2025-11-03T02:49:00Z"


def test_startup_parts() -> None:
    """systemd-analyze(1): minutes, seconds and milliseconds; the total is left out."""
    line = (
        "Startup finished in 8.5s (firmware) + 871ms (kernel) + 1min 12.306s (userspace) = 1min 21s"
    )
    assert parse_startup([line]) == (("firmware", 8.5), ("kernel", 0.871), ("userspace", 72.306))
    assert parse_startup(["Bootup is not yet finished"]) == ()


@pytest.mark.parametrize(
    ("shown", "wanted"),
    [
        ("   6   0   0   0   1", True),
        ("   6   0   0   0   0", False),
        ("   1", None),
        ("", None),
        ("6 0 0 0 9", None),
    ],
)
def test_secure_boot(shown: str, wanted: bool | None) -> None:
    """UEFI 2.10, 3.3: one byte, 1 for on; efivarfs puts 4 bytes of attributes before it."""
    assert parse_secure_boot([shown]) is wanted


def test_the_running_time_service_wins() -> None:
    """An enabled one that does not run is only taken when none runs."""
    chrony = Unit("chrony.service", "active", "running", "enabled")
    own = Unit("systemd-timesyncd.service", "inactive", "dead", "enabled")
    assert find_time_sync([own, chrony]) == "chrony"
    assert find_time_sync([own]) == "systemd-timesyncd"
    assert find_time_sync([]) == ""


def test_content_cannot_pass_for_a_mark() -> None:
    """A line of a file that looks like a mark stands after a tab."""
    sections = split_sections("#file /a\n\t#file /b\n\t#absent x\n#absent c gone\n")
    assert sections.find("/a") == ("#file /b", "#absent x") and sections.find("/b") == ()
    assert sections.absent == (("c", "gone"),)


def test_sizes_of_data() -> None:
    """As du(1) prints them; what is no such line is no folder."""
    lines = [
        "4096\t/var/lib/ldap",
        "12300000000\t/var/lib/mysql",
        "x\t/var",
        "5 /var",
        "5\tvar",
        "",
    ]
    assert parse_data(lines) == (
        DataStore("/var/lib/ldap", 4096),
        DataStore("/var/lib/mysql", 12_300_000_000),
    )
