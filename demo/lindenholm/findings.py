"""The findings of a demonstration, beside its report, and the list of what was put there."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import yaml

from forerun.pipeline_findings import decide, find_findings
from forerun.ports.store import Store
from forerun.profiles import find_profile, load_profile, load_site

DEMO = Path(__file__).resolve().parents[1]
LIST = DEMO / "shelf01" / "hazards.yaml"


@dataclass(frozen=True, slots=True)
class Hazard:
    """What was put on the server: the finding it must give. `by` is "survey", "rehearsal"
    or "both"; an empty `subject` stands for any."""

    finding: str
    by: str
    put: str
    subject: str = ""


def read_hazards() -> tuple[tuple[Hazard, ...], frozenset[str]]:
    """The hazards, and the names of what may be found besides."""
    data = yaml.safe_load(LIST.read_text(encoding="utf-8"))
    return tuple(Hazard(**row) for row in data["hazards"]), frozenset(data["also"])


def write_findings(store: Store, survey_id: str, run_id: str, target: Path) -> None:
    """Findings and decision as JSON: the words of the records."""
    survey, run = store.load_survey(survey_id), store.load_run(run_id)
    profile = load_profile(find_profile("debian-12-to-13"))
    site = load_site(DEMO / "site.yaml")
    found = find_findings(store, survey, profile, site=site, run=run)
    told = {
        "findings": [asdict(one) for one in found.findings],
        "not_known": [asdict(one) for one in found.not_known],
        "decision": asdict(decide(found, run)),
    }
    text = json.dumps(told, indent=1, default=lambda value: value.value)
    target.write_text(text + "\n", encoding="utf-8")
