"""The demonstration with every hazard of demo/shelf01/hazards.yaml: all are found by the
survey or the rehearsal, and what is found besides comes with any upgrade."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest
from lindenholm.findings import read_hazards

pytestmark = [pytest.mark.full, pytest.mark.timeout(3600)]

ROOT = Path(__file__).resolve().parents[2]
SEEN_BY = {
    "survey": ("survey", "survey and rehearsal"),
    "rehearsal": ("rehearsal", "survey and rehearsal"),
    "both": ("survey and rehearsal",),
}


def test_every_hazard_is_found_and_none_is_invented(tmp_path: Path) -> None:
    """By its name, and by whom it can be seen."""
    if os.geteuid() != 0:
        pytest.skip("the demonstration needs root")
    log = tmp_path / "log"
    with log.open("wb") as stream:
        done = subprocess.run(
            [str(ROOT / "demo" / "run"), "--hazards"],
            stdin=subprocess.DEVNULL,
            stdout=stream,
            stderr=subprocess.STDOUT,
            check=False,
        )
    assert done.returncode == 0, log.read_text(encoding="utf-8", errors="replace")[-4000:]
    told = json.loads((ROOT / "demo" / "out" / "findings.json").read_text(encoding="utf-8"))
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
