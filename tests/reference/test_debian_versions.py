"""Version order: Debian Policy 4.6.2.0, section 5.6.12, and dpkg itself.

The pairs marked POLICY are the Policy's own examples (5.6.12.1, 5.6.12.2); all 30 were
confirmed with `dpkg --compare-versions`, which the `tools` test repeats."""

from __future__ import annotations

from itertools import pairwise

import pytest

from forerun.distro.debian import compare_versions
from forerun.ports.command import LocalCommand

SIGNS = {"<": -1, "=": 0, ">": 1}
PAIRS = (
    "1.0~~ < 1.0~", "1.0~~a < 1.0~", "1.0~ < 1.0", "1.0~rc1 < 1.0", "1.0 < 1.0a", "1.0a < 1.0+",
    "1.0 < 1.0-1", "1.0-0 = 1.0", "1.0 = 1.00", "0:1.0-1 = 1.0-1", "1:0.1 > 9.9",
    "1:1.2.13.dfsg-1 < 2:1.0-1", "1.9 < 1.10", "1.0-1 < 1.0-1+b1", "1.0-1+b1 < 1.0-1.1",
    "1.0-1.1 < 1.0-2", "1.0-1~bpo12+1 < 1.0-1", "1.0-1-1 > 1.0-1", "1.0.0-1 < 1.0.0.1-1",
    "1.0-0.0 > 1.0", "2.36-9+deb12u7 < 2.41-12", "6.1.0-13 < 6.12.1-1",
    "7.88.1-10+deb12u5 < 7.88.1-10+deb12u12", "0.0~git20240101 > 0",
)  # fmt: skip
POLICY = (
    "1.4-5 < 1.4-5+deb10u1", "1.4-5+deb10u1 < 1.4-5+deb10u2", "1.5-1~deb10u1 < 1.5-1",
    "1.5-1~deb10u1 > 1.4-5+deb10u2", "2.3-3 < 2.3+really2.2-1", "2.3+really2.2-1 < 2.4-1",
)  # fmt: skip


@pytest.mark.parametrize("pair", PAIRS + POLICY)
def test_published_pairs(pair: str) -> None:
    """The order of each published pair, both ways round."""
    first, sign, second = pair.split()
    assert compare_versions(first, second) == SIGNS[sign]
    assert compare_versions(second, first) == -SIGNS[sign]


def test_sorted_parts_of_the_policy() -> None:
    """Policy 5.6.12: "~~", "~~a", "~", "", "a" is the sorted order of these parts."""
    order = [f"1{part}" for part in ("~~", "~~a", "~", "", "a")]
    assert all(compare_versions(a, b) == -1 for a, b in pairwise(order))


def test_a_bad_version_is_a_value_error() -> None:
    """What Policy does not allow is refused, not guessed."""
    with pytest.raises(ValueError, match="nvalid"):
        compare_versions("1.0:x y", "1")


@pytest.mark.tools
@pytest.mark.parametrize("pair", PAIRS + POLICY)
def test_dpkg_agrees(pair: str) -> None:
    """dpkg itself orders the pair as we do."""
    command = LocalCommand()
    if not command.find("dpkg"):
        pytest.skip("dpkg is not installed on this lab host")
    first, _, second = pair.split()
    word = {-1: "lt", 0: "eq", 1: "gt"}[compare_versions(first, second)]
    done = command.run(
        ["dpkg", "--compare-versions", first, word, second], timeout_s=10, check=False
    )
    assert done.exit_code == 0
