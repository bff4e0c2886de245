"""What was foretold against what the rehearsal met; pure, and says why where they differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from forerun.distro.debian_packages import PackageContents
from forerun.model.likeness import ForetellingCheck, Foretold
from forerun.model.observation import KeptFile, PackageChange, PromptMet
from forerun.model.survey import CleanSurvey
from forerun.stages.foretell_losses import list_owned

_QUESTIONS = ("conffile", "ucf", "debconf")
# dpkg(1), src/main/configure.c: show_prompt.
_CONFFILE = re.compile(r"Configuration file '(/[^']+)'")
_CONFFILE_ASKS = re.compile(r"\*\*\* (.+) \(Y/I/N/O/D/Z\) \[[^]]*\] \?")
# ucf's templates ucf/changeprompt and changeprompt_threeway; lines are wrapped.
_UCF = re.compile(r"of configuration file (/\S+) is available")
_UCF_ASKS = re.compile(r"What do you want to do about modified configuration file (\S+)\?")
_HEADING = re.compile(r"^Configuring (\S+)$", re.MULTILINE)
_PACKAGE_MANAGERS = ("apt", "apt-get", "aptitude")
# The kernel keeps 15 letters of a process's name (proc_pid_comm(5)).
_DEBCONF = ("frontend", "dpkg-preconfigu", "dpkg-preconfigure", "whiptail", "dialog")
_BESIDE = (".dpkg-bak", ".dpkg-old", ".dpkg-new", ".dpkg-dist", ".ucf-dist", ".ucf-old")


@dataclass(frozen=True, slots=True)
class _Met:
    kind: str
    subject: str
    package: str


def check_foretelling(
    foretold: Sequence[Foretold],
    prompts_met: Sequence[PromptMet],
    kept_files: Sequence[KeptFile] = (),
    *,
    survey: CleanSurvey,
    contents: Sequence[PackageContents] = (),
    changes: Sequence[PackageChange] = (),
) -> tuple[ForetellingCheck, ...]:
    """Each question foretold or met, once. `changes` are the packages that the run
    changed, empty where that is not known.

    Not compared: what the package manager asks about its own plan, and losses without a
    question unless the upgrade left a file beside the edited one."""
    met: dict[tuple[str, str], _Met] = {}
    for prompt in prompts_met:
        if prompt.process not in _PACKAGE_MANAGERS:
            row = read_prompt(prompt, contents, foretold)
            met.setdefault((row.kind, row.subject), row)
    checks: list[ForetellingCheck] = []
    beside = {kept.path for kept in kept_files}
    for told in foretold:
        if told.kind in _QUESTIONS:
            found = met.pop((told.kind, told.subject), None)
            result = "met" if found else "not met"
            why = "" if found else _explain_unmet(told, beside, survey, changes)
            checks.append(ForetellingCheck(told.kind, told.subject, told.package, result, why))
        elif left := [told.subject + end for end in _BESIDE if told.subject + end in beside]:
            why = f"{left[0]} lies beside it"
            checks.append(ForetellingCheck(told.kind, told.subject, told.package, "met", why))
    for row in met.values():
        why = _explain_unforetold(row, survey, contents)
        checks.append(ForetellingCheck(row.kind, row.subject, row.package, "not foretold", why))
    return tuple(checks)


def read_prompt(
    prompt: PromptMet, contents: Sequence[PackageContents], foretold: Sequence[Foretold] = ()
) -> _Met:
    """Which question a prompt is: `kind` as in `Foretold`, or "other" for what a program
    asked on the terminal by itself."""
    flat = " ".join(prompt.text.split())
    # Above it the answered questions of before may still stand.
    last = prompt.text.strip().rpartition("\n")[2].strip()
    asks = _CONFFILE_ASKS.fullmatch(last)
    if asks:
        named = _CONFFILE.findall(prompt.text)
        path = named[-1] if named else _find_by_name(asks[1], "conffile", foretold)
        return _Met("conffile", path, _find_owner(path, contents))
    ucf = _UCF_ASKS.findall(last)
    if ucf:
        # A long path may be wrapped only at blanks, so it is whole; it may be cut off above.
        named = _UCF.findall(flat)
        path = named[-1] if named else _find_by_name(ucf[-1], "ucf", foretold)
        return _Met("ucf", path, _find_told(path, "ucf", foretold))
    heading = _HEADING.findall(prompt.text)
    question = _find_template(flat, contents, foretold)
    if question is not None and (prompt.process in _DEBCONF or heading):
        return question
    if prompt.process in _DEBCONF or heading:
        return _Met("debconf", last, heading[-1] if heading else "")
    return _Met("other", last, "")


def _find_by_name(name: str, kind: str, foretold: Iterable[Foretold]) -> str:
    """The foretold path with this last part, where the text above was cut off."""
    found = [t.subject for t in foretold if t.kind == kind and t.subject.endswith(f"/{name}")]
    return found[0] if len(found) == 1 else name


def _find_owner(path: str, contents: Iterable[PackageContents]) -> str:
    for package in contents:
        if any(new.path == path for new in package.conffiles):
            return package.name
    return ""


def _find_told(path: str, kind: str, foretold: Iterable[Foretold]) -> str:
    return next((t.package for t in foretold if t.kind == kind and t.subject == path), "")


def _find_template(
    flat: str, contents: Iterable[PackageContents], foretold: Iterable[Foretold]
) -> _Met | None:
    """The template whose short description stands in the text; debconf's readline front
    end prints it last. Foretold ones first, then the longest."""
    told = {row.subject for row in foretold if row.kind == "debconf"}
    best: tuple[bool, int, str, str] | None = None
    for package in contents:
        for template in package.templates:
            words = " ".join(template.description.split())
            if template.kind in ("title", "text") or len(words) < 4:
                continue
            parts = (re.escape(part) for part in re.split(r"\$\{[^}]*\}", words))
            if re.search(".+?".join(parts), flat):
                row = (template.name in told, len(words), template.name, package.name)
                best = max(best, row) if best else row
    return _Met("debconf", best[2], best[3]) if best else None


# --- why they differ


def _explain_unmet(
    told: Foretold,
    beside: set[str],
    survey: CleanSurvey,
    changes: Sequence[PackageChange],
) -> str:
    changed = {row.name.partition(":")[0] for row in changes if row.kind in _UNPACKED}
    if changes and told.package not in changed:
        return f"{told.package} was not unpacked in this run"
    if told.kind in ("conffile", "ucf"):
        held = [w for w in (*survey.withheld, *survey.not_readable) if w.path == told.subject]
        if held:
            return f"the clone has no copy of production's file: {held[0].reason}"
        left = [told.subject + end for end in _BESIDE if told.subject + end in beside]
        if left:
            return f"decided without a question: {left[0]} lies beside it"
        if any(row.path == told.subject for row in survey.replacements):
            return "values in the clone's copy were replaced, so it is not production's file"
    if not told.sure:
        return "the package's own script decides, and did not ask"
    if told.kind == "debconf":
        return "the clone's record of answers is not production's: its packages were set up anew"
    return ""


_UNPACKED = ("upgraded", "installed")


def _explain_unforetold(row: _Met, survey: CleanSurvey, contents: Sequence[PackageContents]) -> str:
    if row.kind == "other":
        return "a program asked on the terminal by itself: no list in a package tells of that"
    if row.kind == "debconf":
        if any(
            question.name == row.subject and question.seen for question in survey.system.questions
        ):
            return "seen on production, but not on the clone"
        if not any(package.name == row.package for package in contents):
            return f"{row.package or 'its package'} was not looked into"
        return "its script asks in a way that cannot be read from it"
    if any(one.path == row.subject for one in survey.replacements):
        return "values in the clone's copy were replaced, so it is not production's file"
    if row.subject not in list_owned(survey):
        return "the survey knows no edit of it: something changed it on the clone"
    if row.kind == "conffile" and not row.package:
        return "no package that was looked into brings it"
    return ""
