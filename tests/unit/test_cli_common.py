"""What the commands share: sizes, link rates, archives."""

from __future__ import annotations

import pytest

from forerun.cli_common import find_archives, find_recipe_sources, parse_limit, parse_size
from forerun.errors import UsageError


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1GiB", 1073741824),
        ("512 MiB", 536870912),
        ("2GB", 2_000_000_000),
        ("1.5GiB", 1610612736),
        ("10G", 10_000_000_000),
        ("4Ki", 4096),
        ("1TiB", 1099511627776),
        ("1048576", 1048576),
        ("100B", 100),
        (" 3 kB ", 3000),
        ("1gib", 1073741824),
    ],
)
def test_a_size_is_read_as_the_standard_says(text: str, wanted: int) -> None:
    """IEC 80000-13: Ki is 1024, k is 1000, and so on upwards."""
    assert parse_size(text) == wanted


@pytest.mark.parametrize("text", ["", "GiB", "1 PiB", "-1GiB", "1,5GiB", "1GiB2", "one", "1 Gbit"])
def test_what_is_no_size_is_refused_with_an_example(text: str) -> None:
    """The message has what was given and what would do."""
    with pytest.raises(UsageError) as caught:
        parse_size(text)
    assert caught.value.found == text
    assert "1GiB" in caught.value.wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("20Mbit/s", 20_000_000),
        ("0", 0),
        ("1.5Gbit/s", 1_500_000_000),
        ("56 kbit/s", 56_000),
        ("2.5MB/s", 20_000_000),
        (" 0 ", 0),
    ],
)
def test_the_limit_of_a_line(text: str, wanted: int) -> None:
    """SI prefixes, bits or bytes a second; 0 is no limit."""
    assert parse_limit(text) == wanted


@pytest.mark.parametrize("text", ["", "20Mb/s", "8M", "300bit/s", "00", "fast", "-1"])
def test_what_is_no_link_rate_is_refused(text: str) -> None:
    """A unit is not guessed at, and less than 1 kbit/s is a slip of it."""
    with pytest.raises(UsageError) as caught:
        parse_limit(text)
    assert "bit/s" in caught.value.wanted


def test_given_archives_are_used_as_given() -> None:
    """`URL SUITE...`: one source a suite; without one, the codename."""
    found = find_recipe_sources(
        ["http://archive.example/debian one one-updates", "http://other.example/debian"], "one"
    )
    assert [(s.uri, s.suite, s.components) for s in found] == [
        ("http://archive.example/debian", "one", ("main",)),
        ("http://archive.example/debian", "one-updates", ("main",)),
        ("http://other.example/debian", "one", ("main",)),
    ]


def test_archives_become_an_allow_list_with_their_suites() -> None:
    """One entry an archive, with host, port and path."""
    ((allowed, suites),) = find_archives(["http://archive.example/debian one two"], "one")
    assert (allowed.scheme, allowed.host, allowed.port) == ("http", "archive.example", 80)
    assert allowed.path_prefix.startswith("/debian")
    assert suites == ("one", "two")


def test_no_archive_known_is_an_empty_list_for_an_inspection() -> None:
    """A look at the lab host says so itself; a build refuses."""
    assert find_archives(None, "no-such-release") == ()
    with pytest.raises(UsageError, match="No archive"):
        find_recipe_sources(None, "no-such-release")
