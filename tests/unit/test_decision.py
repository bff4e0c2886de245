"""The rules of the decision, one by one, and their order. The rules themselves are common
practice in change management; no published table of cases is known."""

from __future__ import annotations

from typing import Any

import pytest
from tests.practice.known_host import check, make_run

from forerun.model.finding import BY_HAND, Finding, Ruling, Severity, Witness
from forerun.model.known_change import NotKnown
from forerun.model.observation import Outage, Outcome, PromptMet, RunRecord
from forerun.model.trial import BackOutTried
from forerun.stages.decision import ADVICE_ONLY, Outlook, decide

BACK = BackOutTried("rebuild", "From the backup", "end", 60.0, checks=3, alike=3)


def proven(**parts: Any) -> RunRecord:
    """A run with a way back."""
    return make_run(**{"back_outs": (BACK,), **parts})


def look(**parts: Any) -> Outlook:
    """Everything as it should be, but for `parts`."""
    whole: dict[str, Any] = {"run": proven(), "chance_to_fit": 0.97, "completed_runs": 3}
    return Outlook(**{**whole, **parts})


def finding(severity: Severity, settled: str = "", name: str = "thing") -> Finding:
    return Finding(
        name, severity, "A thing.", "host", ("line 1",), "Do it.", "a page", Witness.BOTH, settled
    )


def test_nothing_objects() -> None:
    """A go, with the rule, and with whose decision it is."""
    decision = decide(look(findings=(finding(Severity.COSMETIC),)))
    assert decision.ruling is Ruling.GO
    assert decision.rule and not decision.conditions
    assert decision.reasons == (ADVICE_ONLY,)


OUTAGE = Outage("web", 10.0, 900.0, False, "refused", "full-upgrade", 1.0)
NO_GO: dict[str, tuple[Outlook, str]] = {
    "never rehearsed": (look(run=None), "Nothing was rehearsed"),
    "failed": (look(run=proven(outcome=Outcome.FAILED, why="full-upgrade")), "not completed"),
    "abandoned": (look(run=proven(outcome=Outcome.ABANDONED)), "not completed"),
    "drifted": (look(drifted=("package nginx: 1 to 2",)), "has changed since the survey"),
    "boot": (look(findings=(finding(Severity.STOPS_BOOT),)), "stops the boot is not settled"),
    "access": (look(findings=(finding(Severity.LOSES_ACCESS),)), "loses access is not settled"),
    "service": (look(run=proven(outages=(OUTAGE,))), "never came back"),
    "check": (
        look(run=proven(checks=check("own", "pass", "fail", "no", "must").checks)),
        "must pass passed before",
    ),
    "window": (look(chance_to_fit=0.89), "below what was agreed"),
}


@pytest.mark.parametrize("case", NO_GO)
def test_each_rule_alone_says_no(case: str) -> None:
    """It decides, in its words, with a reason of this very run."""
    outlook, words = NO_GO[case]
    decision = decide(outlook)
    assert decision.ruling is Ruling.NO_GO
    assert words in decision.rule
    assert len(decision.reasons) == 2
    assert decision.reasons[-1] == ADVICE_ONLY


CONDITIONS: dict[str, tuple[Outlook, str, str]] = {
    "by hand": (
        look(findings=(finding(Severity.STOPS_BOOT, f"{BY_HAND}copy the loader (operator)"),)),
        "person's action only",
        "copy the loader (operator)",
    ),
    "service down": (
        look(findings=(finding(Severity.SERVICE_DOWN),)),
        "takes a service down or risks data",
        "Settle thing (host): Do it.",
    ),
    "data": (
        look(findings=(finding(Severity.DATA_AT_RISK),)),
        "takes a service down or risks data",
        "Settle thing (host)",
    ),
    "not known": (
        look(not_known=(NotKnown("keys", Severity.LOSES_ACCESS, "Keys", ("no homes",)),)),
        "not known whether they concern it",
        "keys",
    ),
    "no way back": (look(run=make_run()), "No way back", "Rehearse a way back"),
    "a way back that lost something": (
        look(run=proven(back_outs=(BackOutTried("r", "R", "e", 1.0, checks=3, alike=2),))),
        "No way back",
        "Rehearse a way back",
    ),
    "a way back that failed": (
        look(run=proven(back_outs=(BackOutTried("r", "R", "e", 1.0, why="no room"),))),
        "No way back",
        "Rehearse a way back",
    ),
    "one run": (look(completed_runs=1), "only one rehearsal", "one run shows no spread"),
    "no forecast": (look(chance_to_fit=None), "no forecast", "Make a forecast"),
    "questions": (
        look(
            run=proven(prompts=(PromptMet("go", 1.0, "?", "apt", False, "", "y", "person", 2.0),))
        ),
        "questions nobody had declared",
        "unforeseen questions of: go",
    ),
    "gaps": (look(hidden=("disk, size: room",)), "may hide something", "disk, size: room"),
}


@pytest.mark.parametrize("case", CONDITIONS)
def test_each_condition_alone(case: str) -> None:
    """A go under exactly that condition."""
    outlook, rule, words = CONDITIONS[case]
    decision = decide(outlook)
    assert decision.ruling is Ruling.CONDITIONS
    assert rule in decision.rule
    (condition,) = decision.conditions
    assert words in condition


def test_what_is_settled_objects_to_nothing() -> None:
    """A step of the procedure that takes care of it is enough, at any severity."""
    grave = tuple(finding(one, "step boot-files", one.name) for one in Severity)
    assert decide(look(findings=grave)).ruling is Ruling.GO


def test_the_first_rule_decides_and_all_reasons_are_told() -> None:
    """The order of the rules is the order of their weight; nothing is kept back."""
    everything = look(
        findings=(finding(Severity.LOSES_ACCESS), finding(Severity.STOPS_BOOT)),
        run=proven(outages=(OUTAGE,)),
        chance_to_fit=0.1,
        completed_runs=1,
    )
    decision = decide(everything)
    assert "stops the boot" in decision.rule
    assert len(decision.reasons) == 5
    assert decision.conditions == ("Rehearse once more: one run shows no spread.",)


def test_a_service_that_is_not_essential_may_stay_away() -> None:
    """Where the owner has named the essential ones."""
    outlook = look(run=proven(outages=(OUTAGE,)), essential=frozenset({"ssh"}))
    assert decide(outlook).ruling is Ruling.GO


def test_the_agreed_chance_is_the_owners() -> None:
    """At the level itself it fits."""
    assert decide(look(chance_to_fit=0.8, agreed_chance=0.8)).ruling is Ruling.GO
    assert decide(look(chance_to_fit=0.97, agreed_chance=0.99)).ruling is Ruling.NO_GO


def test_a_check_whose_cause_is_settled_does_not_object() -> None:
    """By its own finding, or as evidence of a known change."""
    run = proven(checks=check("own", "pass", "fail", "no", "must").checks)
    for name, subject, line in (
        ("check-broke", "own", "passed before"),
        ("python-bound", "Python programs", "check own, after the upgrade: no"),
    ):
        settled = Finding(
            name, Severity.SERVICE_DOWN, "T", subject, (line,), "", "", Witness.BOTH, "step x"
        )
        assert decide(look(run=run, findings=(settled,))).ruling is Ruling.GO


def test_what_a_person_has_answered_is_known() -> None:
    """And so is what is harmless in any case."""
    rows = (
        NotKnown("keys", Severity.LOSES_ACCESS, "Keys", ("no homes",), answered="none (operator)"),
        NotKnown("words", Severity.COSMETIC, "Words", ("nobody looked",)),
    )
    assert decide(look(not_known=rows)).ruling is Ruling.GO
