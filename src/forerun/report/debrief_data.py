"""A debrief as data: the contract `forerun.debrief/1`.

Durations are seconds, said in each key, counted from when the trainee's clock began where they
are moments; null where nothing is known. Keys may be added under the same schema name; none is
renamed or removed. `forerun.report.schema_debrief` describes every key.
"""

from __future__ import annotations

import json
from typing import Any

from forerun.model.drill import DrillEvent
from forerun.report.debrief import Debrief, InjectLine, ObjectiveLine, known_seconds
from forerun.report.debrief_words import say_next, say_refresher, say_standing, say_verdict
from forerun.report.refresher import BEFORE_CHANGE_WEEKS, REFRESHER_BASIS

DEBRIEF_SCHEMA = "forerun.debrief/1"

Json = dict[str, Any]


def render_debrief_json(debrief: Debrief) -> str:
    """The debrief as indented JSON text in ASCII, with a newline at its end."""
    return json.dumps(document_debrief(debrief), indent=2, ensure_ascii=True) + "\n"


def document_debrief(debrief: Debrief) -> Json:
    """The debrief as plain dictionaries and lists, ready for `json`."""
    record, drill = debrief.record, debrief.record.drill
    due = debrief.refresher_due
    return {
        "schema": DEBRIEF_SCHEMA,
        "record": _record(debrief),
        "drill": {
            "name": drill.name,
            "title": drill.title,
            "level": drill.level,
            "situation": drill.situation,
            "digest": drill.digest,
            "key_points": list(drill.key_points),
            "debrief": list(drill.debrief),
            "read": list(drill.read),
        },
        "verdict": {
            "sentence": say_verdict(debrief),
            "passed": None if record.state.is_open else debrief.passed,
            "judged": record.verdict,
            "reasons": list(debrief.reasons),
            "went_well": list(debrief.went_well),
            "objections": list(debrief.objections),
        },
        "points": {
            "left": record.points,
            "most": record.most_points,
            "hints_cost": debrief.hint_cost,
            "share_wanted": known_seconds(drill.passing.points_share),
        },
        "time": _time(debrief),
        "objectives": [_objective(line, debrief) for line in debrief.objectives],
        "injects": [_inject(line) for line in debrief.injects],
        "injects_not_drawn": debrief.undrawn,
        "wrong_turns": [_event(event) for event in debrief.wrong_turns],
        "calls": [_event(event) for event in debrief.calls],
        "notes": [_event(event) for event in debrief.notes],
        "resets": [{"at_seconds": at, "took_seconds": took} for at, took in debrief.resets],
        "events": [_event(event) for event in debrief.events],
        "casts": list(record.casts),
        "next": {
            "refresher_due": due.isoformat() if due is not None else None,
            "before_change_weeks": BEFORE_CHANGE_WEEKS,
            "refresher": say_refresher(debrief),
            "basis": REFRESHER_BASIS,
            "drill": say_next(debrief),
        },
        "to_fill_in": {"remark": None, "keep": [None, None], "change": [None, None]},
        "cautions": list(debrief.cautions),
    }


def _record(debrief: Debrief) -> Json:
    record = debrief.record
    return {
        "id": record.id,
        "person": record.person,
        "state": record.state.value,
        "made_at": record.made_at,
        "began_at": record.began_at or None,
        "finished_at": record.finished_at or None,
        "attempts": record.attempt,
        "host": record.host,
        "survey": record.survey_id,
        "profile": record.profile,
        "profile_digest": record.profile_digest,
        "run": record.run_id or None,
        "seed": record.seed,
        "drawn": list(record.drawn),
        "forerun_version": record.forerun_version,
    }


def _time(debrief: Debrief) -> Json:
    time = debrief.time
    return {
        "spent_seconds": time.spent_s,
        "allowed_seconds": time.allowed_s,
        "window_seconds": time.window_s,
        "rehearsal_seconds": time.reference_s,
        "cold_start_seconds": time.cold_start_s,
    }


def _objective(line: ObjectiveLine, debrief: Debrief) -> Json:
    objective = line.objective
    return {
        "name": objective.name,
        "title": objective.title,
        "check": objective.check,
        "critical": objective.critical,
        "standing": say_standing(line, debrief),
        "evidence": line.evidence,
        "decided_at_seconds": line.at_s,
        "points": line.points,
        "most_points": objective.points,
        "hints": [{"text": hint.text, "cost": hint.cost} for hint in line.shown],
        "why": objective.why,
        "read": objective.read,
    }


def _inject(line: InjectLine) -> Json:
    inject, act = line.inject, line.first_act
    return {
        "name": inject.name,
        "kind": inject.kind,
        "title": inject.title,
        "outcome": line.mended.value,
        "struck_at_seconds": line.struck_s,
        "mended_at_seconds": line.mended_s,
        "took_seconds": line.took_s,
        "limit_seconds": line.limit_s,
        "first_act": None if act is None else _event(act),
        "first_act_after_seconds": line.first_act_s,
        "detection": line.detection,
        "mended_by": line.mended_by,
        "why_not_made": line.why or None,
        "cue": inject.cue,
        "right": inject.right,
        "lesson": inject.lesson,
        "read": inject.read,
    }


def _event(event: DrillEvent) -> Json:
    return {
        "at": event.at,
        "at_seconds": known_seconds(event.at_s),
        "attempt": event.attempt,
        "kind": event.kind,
        "name": event.name,
        "text": event.text,
    }
