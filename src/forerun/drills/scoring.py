"""Whether a drill is passed, and by which rule."""

from __future__ import annotations

from dataclasses import replace

from forerun.model.drill import DrillRecord, Standing


def count_points(record: DrillRecord) -> tuple[int, int]:
    """(points, the most there are): those of the objectives met, less what hints cost."""
    standing = {one.name: one.standing for one in record.judged}
    given = dict(record.hints)
    most = sum(one.points for one in record.drill.objectives)
    earned = 0
    for objective in record.drill.objectives:
        if standing.get(objective.name) is Standing.MET:
            cost = sum(hint.cost for hint in objective.hints[: given.get(objective.name, 0)])
            earned += max(0, objective.points - cost)
    return earned, most


def conclude(record: DrillRecord) -> DrillRecord:
    """The record with its points, whether it is passed, and the rule that decided. A critical
    objective that is not met fails the drill, whatever else was done well."""
    standing = {one.name: one.standing for one in record.judged}
    points, most = count_points(record)
    drill, passing = record.drill, record.drill.passing
    missed = [
        one.title
        for one in drill.objectives
        if one.critical and standing.get(one.name) is not Standing.MET
    ]
    late = passing.within_time and record.spent_s > drill.time_allowed_s
    share = points / most if most else 0.0
    if missed:
        verdict = f"Not passed: {len(missed)} critical objective{'s' * (len(missed) > 1)} not met"
        verdict += f" ({'; '.join(missed)})."
    elif late:
        over = record.spent_s - drill.time_allowed_s
        verdict = f"Not passed: {over / 60:.0f} min over the time allowed."
    elif share < passing.points_share:
        verdict = (
            f"Not passed: {points} of {most} points, {passing.points_share:.0%} are needed; every "
            "critical objective is met."
        )
    else:
        verdict = f"Passed: every critical objective is met, {points} of {most} points."
    return replace(
        record,
        points=points,
        most_points=most,
        passed=verdict.startswith("Passed"),
        verdict=verdict,
    )
