"""The advice at the end: go, go with conditions, or no-go, and the rule that decided. Pure.

The rules stand in their order; the first that objects decides. Sources: the go rule
(no open grave finding, the chance to fit at its agreed level, a way back that was proven) is
common practice in change management; that a change has a back-out and that its impact is
analysed before and verified after: NIST SP 800-128, 3.3 (number from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from forerun.model.finding import BY_HAND, Decision, Finding, Ruling, Severity
from forerun.model.known_change import NotKnown
from forerun.model.observation import Outcome, RunRecord
from forerun.stages.findings_run import pair_results

AGREED_CHANCE = 0.9
ADVICE_ONLY = (
    "This is advice from a rehearsal on a clone, and no permission: local change control and"
    " authorised staff decide."
)
_NO_BOOT, _NO_ACCESS = Severity.STOPS_BOOT, Severity.LOSES_ACCESS
_GRAVE = (_NO_BOOT, _NO_ACCESS, Severity.SERVICE_DOWN, Severity.DATA_AT_RISK)
_MOST = 5


@dataclass(frozen=True, slots=True)
class Outlook:
    """All that is weighed. `essential` names the watched services that must come back, all
    of them where None; `chance_to_fit` is the forecast's share of nights that fit the window
    (0..1), None without a forecast; `hidden` are gaps between clone and production and what
    they may hide; `drifted` is what changed on production since the survey, as far as it
    matters; `completed_runs` counts comparable rehearsals that were completed."""

    findings: tuple[Finding, ...] = ()
    not_known: tuple[NotKnown, ...] = ()
    run: RunRecord | None = None
    essential: frozenset[str] | None = None
    chance_to_fit: float | None = None
    agreed_chance: float = AGREED_CHANCE
    hidden: tuple[str, ...] = ()
    drifted: tuple[str, ...] = ()
    completed_runs: int = 1


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule in words, and the reasons it has to object."""

    words: str
    objects: Callable[[Outlook], Iterator[str]]


def decide(outlook: Outlook) -> Decision:
    """The ruling with its rule; all that objects is told, not the deciding rule's alone."""
    deciding, reasons = _weigh(_NO_GO, outlook)
    conditions = tuple(dict.fromkeys(_weigh(_CONDITIONS, outlook)[1]))
    if deciding:
        return Decision(Ruling.NO_GO, deciding, (*reasons, ADVICE_ONLY), conditions)
    if conditions:
        rule = _weigh(_CONDITIONS, outlook)[0]
        return Decision(Ruling.CONDITIONS, rule, (ADVICE_ONLY,), conditions)
    said = "The rehearsal was completed, and no rule objects."
    return Decision(Ruling.GO, said, (ADVICE_ONLY,), ())


def _weigh(rules: Sequence[Rule], outlook: Outlook) -> tuple[str, tuple[str, ...]]:
    """The first rule that objects, "" where none does, and the reasons of all."""
    told = [(rule.words, tuple(rule.objects(outlook))) for rule in rules]
    deciding = next((words for words, reasons in told if reasons), "")
    return deciding, tuple(reason for _, reasons in told for reason in reasons)


# --- no-go


def _not_rehearsed(outlook: Outlook) -> Iterator[str]:
    if outlook.run is None:
        yield "nothing has been rehearsed"


def _not_completed(outlook: Outlook) -> Iterator[str]:
    run = outlook.run
    if run is not None and run.outcome is not Outcome.COMPLETED:
        yield f"the rehearsal {run.id} ended as {run.outcome.value}: {run.why or 'no reason given'}"


def _has_drifted(outlook: Outlook) -> Iterator[str]:
    if outlook.drifted:
        yield f"changed on production since the survey: {_list(outlook.drifted)}"


def _open_boot(outlook: Outlook) -> Iterator[str]:
    yield from _open(outlook, _NO_BOOT)


def _open_access(outlook: Outlook) -> Iterator[str]:
    yield from _open(outlook, _NO_ACCESS)


def _open(outlook: Outlook, severity: Severity) -> Iterator[str]:
    for one in outlook.findings:
        if one.severity is severity and not one.settled:
            yield f"{one.name} ({one.subject}): {one.title}"


def _never_back(outlook: Outlook) -> Iterator[str]:
    for outage in outlook.run.outages if outlook.run else ():
        needed = outlook.essential is None or outage.service in outlook.essential
        if needed and not outage.ended:
            yield f"{outage.service} never answered again after the step {outage.step}"


def _must_broke(outlook: Outlook) -> Iterator[str]:
    if outlook.run is None:
        return
    for name, (before, after) in pair_results(outlook.run).items():
        if before is None or after is None or after.severity != "must":
            continue
        if (before.result, after.result) == ("pass", "fail") and not _explains(outlook, name):
            yield f"the check {name} passed before and fails after: {after.reason}"


def _explains(outlook: Outlook, check: str) -> bool:
    """Whether a finding that is settled is of that check, or has it among its evidence."""
    return any(
        (one.name == "check-broke" and one.subject == check)
        or any(line.startswith(f"check {check}, ") for line in one.evidence)
        for one in outlook.findings
        if one.settled
    )


def _does_not_fit(outlook: Outlook) -> Iterator[str]:
    chance = outlook.chance_to_fit
    if chance is not None and chance < outlook.agreed_chance:
        yield (
            f"the forecast fits the window with a chance of {chance:.0%}; agreed are"
            f" {outlook.agreed_chance:.0%}"
        )


_NO_GO = (
    Rule("Nothing was rehearsed: no advice to go can rest on a survey alone.", _not_rehearsed),
    Rule("The rehearsal was not completed.", _not_completed),
    Rule("Production has changed since the survey: what was rehearsed is not it.", _has_drifted),
    Rule("A finding that stops the boot is not settled.", _open_boot),
    Rule("A finding that loses access is not settled.", _open_access),
    Rule("An essential service never came back.", _never_back),
    Rule("A check that must pass passed before and fails afterwards.", _must_broke),
    Rule("The chance to fit the window is below what was agreed.", _does_not_fit),
)


# --- conditions


def _by_hand(outlook: Outlook) -> Iterator[str]:
    for one in outlook.findings:
        if one.severity in _GRAVE and one.settled.startswith(BY_HAND):
            yield f"Before the night, {one.settled}: it settles {one.name} ({one.subject})."


def _open_grave(outlook: Outlook) -> Iterator[str]:
    for one in outlook.findings:
        if one.severity in _GRAVE[2:] and not one.settled:
            yield f"Settle {one.name} ({one.subject}): {one.advice or one.title}"


def _look_yourself(outlook: Outlook) -> Iterator[str]:
    rows = outlook.not_known
    names = [one.name for one in rows if one.severity in _GRAVE and not one.answered]
    if names:
        yield f"A person looks whether these concern the server: {', '.join(names)}."


def _no_way_back(outlook: Outlook) -> Iterator[str]:
    tried = outlook.run.back_outs if outlook.run else ()
    if not any(not way.why and way.checks == way.alike for way in tried):
        yield "Rehearse a way back: none was carried through with everything as it was before."


def _one_run(outlook: Outlook) -> Iterator[str]:
    if outlook.run is not None and outlook.completed_runs < 2:
        yield "Rehearse once more: one run shows no spread."


def _no_forecast(outlook: Outlook) -> Iterator[str]:
    if outlook.run is not None and outlook.chance_to_fit is None:
        yield "Make a forecast for production: nobody knows whether the work fits the window."


def _undeclared(outlook: Outlook) -> Iterator[str]:
    run = outlook.run
    met = [p for p in run.prompts if not p.declared] if run else []
    if met:
        steps = ", ".join(dict.fromkeys(prompt.step for prompt in met))
        yield f"Declare an answer to the {len(met)} unforeseen questions of: {steps}."


def _hides(outlook: Outlook) -> Iterator[str]:
    if outlook.hidden:
        said = _list(outlook.hidden)
        yield f"Accept, or look at on production, what the clone cannot show: {said}."


def _list(names: Sequence[str]) -> str:
    more = len(names) - _MOST
    return "; ".join(names[:_MOST]) + (f"; and {more} more" if more > 0 else "")


_CONDITIONS = (
    Rule("A grave finding is settled by a person's action only.", _by_hand),
    Rule("A finding that takes a service down or risks data is not settled.", _open_grave),
    Rule("Of grave known changes it is not known whether they concern it.", _look_yourself),
    Rule("No way back was rehearsed.", _no_way_back),
    Rule("There was only one rehearsal.", _one_run),
    Rule("There is no forecast.", _no_forecast),
    Rule("The rehearsal met questions nobody had declared an answer to.", _undeclared),
    Rule("The clone differs from production in what may hide something.", _hides),
)
