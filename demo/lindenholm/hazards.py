"""The list of hazards that the demonstration can put on its server."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import yaml

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
