"""The demonstration with every hazard of demo/shelf01/hazards.yaml, and with none: all are
found by the survey or the rehearsal, and what is found besides comes with any upgrade."""

from __future__ import annotations

from pathlib import Path

import pytest
from lindenholm.hazards import read_hazards

from tests.full.demonstrated import play

pytestmark = [pytest.mark.full, pytest.mark.timeout(3600)]

SEEN_BY = {
    "survey": ("survey", "survey and rehearsal"),
    "rehearsal": ("rehearsal", "survey and rehearsal"),
    "both": ("survey and rehearsal",),
}
# Of what comes with any upgrade, that which something on the server must be wrong for; and
# what is so on the mended server too: it lags behind its archive, has a vendor's package, and
# after the upgrade only root may be able to use ping.
WRONG = {
    "account-changed",
    "check-broke",
    "service-never-back",
    "setting-lost",
    "socket-gone",
    "unit-failed",
}
TRUE_ANYWAY = {"behind-point-release", "local-packages", "ping-for-users"}


def test_every_hazard_is_found_and_none_is_invented(tmp_path: Path) -> None:
    """By its name, and by whom it can be seen."""
    told = play(tmp_path, "--hazards")
    found = {(one["name"], one["subject"]): one for one in told["findings"]}
    hazards, also = read_hazards()
    for hazard in hazards:
        rows = [
            one
            for (name, subject), one in found.items()
            if name == hazard.finding and hazard.subject in ("", subject)
        ]
        assert rows, (hazard, sorted(found))
        assert any(one["witness"] in SEEN_BY[hazard.by] for one in rows), (hazard, rows)
    names = {hazard.finding for hazard in hazards} | also
    assert {name for name, _ in found} <= names
    assert told["decision"]["ruling"] == "no-go"


def test_on_a_mended_server_none_is_found(tmp_path: Path) -> None:
    """The same server, put right: only what comes with any upgrade or is true of it anyway,
    and nothing forbids the night."""
    told = play(tmp_path, "--mended")
    _, also = read_hazards()
    names = {one["name"] for one in told["findings"]}
    assert names <= (also - WRONG) | TRUE_ANYWAY, [
        one for one in told["findings"] if one["name"] not in also
    ]
    assert {one["severity"] for one in told["findings"]} == {"cosmetic"}
    assert told["decision"]["ruling"] != "no-go", told["decision"]
