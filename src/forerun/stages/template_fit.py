"""How well a built template fits the surveyed package set: every package accounted for."""

from __future__ import annotations

from dataclasses import dataclass, replace

from forerun.model.blueprint import Blueprint, Gap, TemplateInfo, TemplateRecipe
from forerun.model.survey import CleanSurvey


@dataclass(frozen=True, slots=True)
class FitRow:
    """One installed package of production. `state` is "exact", "nearest" (another
    version), "stand-in" (same name and version, no content) or "missing"."""

    name: str
    wanted: str
    found: str
    state: str


def compare_packages(
    survey: CleanSurvey, recipe: TemplateRecipe, info: TemplateInfo
) -> tuple[FitRow, ...]:
    """A row for each installed package of the survey, in its order. An imported template
    tells nothing of its packages: then there are no rows."""
    if info.imported and not info.packages:
        return ()
    built = dict(info.packages)
    hollow = {package.name for package in recipe.stand_ins}
    rows: list[FitRow] = []
    for package in survey.packages:
        if not package.state.startswith(("ii", "hi")):
            continue
        found = built.get(package.name.partition(":")[0], "")
        if package.name in hollow and found:
            state = "stand-in"
        elif not found:
            state = "missing"
        else:
            state = "exact" if found == package.version else "nearest"
        rows.append(FitRow(package.name, package.version, found, state))
    return tuple(rows)


def count_fit(rows: tuple[FitRow, ...]) -> dict[str, int]:
    """How many packages are in each state; the sum is the number of rows."""
    counts = dict.fromkeys(("exact", "nearest", "stand-in", "missing"), 0)
    for row in rows:
        counts[row.state] += 1
    return counts


def judge_packages(rows: tuple[FitRow, ...]) -> Gap:
    """The row `packages` of the fidelity statement, once the template is there."""
    if not rows:
        return Gap("packages", "unknown", "the template does not tell what is installed in it")
    counts = count_fit(rows)
    named = "; ".join(
        f"{state}: " + ", ".join(_show(row) for row in rows if row.state == state)
        for state in ("nearest", "stand-in", "missing")
        if counts[state]
    )
    told = ", ".join(f"{number} {state}" for state, number in counts.items())
    whole = counts["exact"] == len(rows)
    return Gap(
        "packages",
        "matched" if whole else "approximated",
        f"{len(rows)} installed on production: {told}" + (f". {named}" if named else ""),
    )


def _show(row: FitRow) -> str:
    return f"{row.name} {row.wanted} (here {row.found})" if row.state == "nearest" else row.name


def note_fit(blueprint: Blueprint, survey: CleanSurvey, info: TemplateInfo) -> Blueprint:
    """The blueprint with its row `packages` as the finished template has it."""
    row = judge_packages(compare_packages(survey, blueprint.recipe, info))
    gaps = tuple(row if gap.subject == row.subject else gap for gap in blueprint.gaps)
    return replace(blueprint, gaps=gaps)
