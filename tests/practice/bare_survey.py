"""A survey with nothing in it but what a test puts there."""

from __future__ import annotations

from typing import Any

from forerun.model.survey import CleanSurvey, ConfigEntry, Machine, Package, Release, SurveyCost


def make_survey(*packages: str, **parts: Any) -> CleanSurvey:
    """`packages` are `name=version`; `parts` are fields of the survey."""
    whole: dict[str, Any] = {
        "id": "survey-1",
        "taken_at": "2026-01-31T22:00:00Z",
        "host": "shelf01.records.example",
        "release": Release("debian", "12", "bookworm", "Debian 12"),
        "machine": Machine("bios", "6.1.0", "x86_64", 2, 1 << 31),
        "packages": tuple(
            Package(name, version, "all")
            for name, _, version in (p.partition("=") for p in packages)
        ),
        **dict.fromkeys(("sources", "units", "sockets", "disks", "mounts", "conffiles"), ()),
        **dict.fromkeys(("entries", "withheld", "replacements", "not_readable"), ()),
        "cost": SurveyCost(1.0, 0.1, 1000),
    }
    return CleanSurvey(**{**whole, **parts})


def make_entry(path: str) -> ConfigEntry:
    """A regular file of the sanitised copy."""
    return ConfigEntry(path, "file", 0o644, "root", "root")
