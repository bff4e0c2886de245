"""The runbook's steps: what is done, what to expect, what the rehearsal met there."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from forerun.model.observation import PromptMet, StepEnd, StepRecord
from forerun.model.profile import Action, Check, OnFailure, Profile, PromptRule, Site, Step
from forerun.model.window import PlanLine
from forerun.report.figures import say_seconds
from forerun.report.markdown import escape, fence
from forerun.report.plain import show_controls, strip_controls
from forerun.report.wall_clock import say_time

NOT_REACHED = "not reached"
_ENDS = {
    StepEnd.DONE: "done",
    StepEnd.FAILED: "failed",
    StepEnd.OVERRAN: "ran over the time allowed",
    StepEnd.STOPPED: "stopped",
    StepEnd.UNREACHABLE: "the clone could not be reached any more",
    StepEnd.SKIPPED: "skipped",
}
_FAILURES = {
    OnFailure.STOP: "Stop the procedure. Authorised staff decide: mend it, or back out.",
    OnFailure.GO_ON: "Note it, and go on with the next step; only a server that cannot be "
    "reached any more ends the procedure here.",
}


@dataclass(frozen=True, slots=True)
class StepSheet:
    """One step with all that its section says. `record` is None when the rehearsal did
    not reach it; `behind` is True from the step on that is the point of no return. The texts
    of `record` and `prompts` are those of a cleaned run record. `line` is the step's line of
    the night's timetable, whose times are said as on the day of `since`. `rehearsed` is False
    where there was no rehearsal at all."""

    number: int
    total: int
    step: Step
    record: StepRecord | None
    prompts: tuple[PromptMet, ...]
    behind: bool
    host: str = ""
    line: PlanLine | None = None
    since: str = ""
    rehearsed: bool = True


def say_course(record: StepRecord | None) -> str:
    """A step's time in the rehearsal, and how it ended where that was not as wanted."""
    if record is None:
        return NOT_REACHED
    took = say_seconds(record.wall_s)
    return took if record.end is StepEnd.DONE else f"{took}, {_ENDS[record.end]}"


def list_checks(profile: Profile, site: Site, moment: str = "") -> tuple[Check, ...]:
    """The profile's checks and then the site's; of one moment ("before" or "after")."""
    checks = (*profile.checks, *site.checks)
    if not moment:
        return checks
    return tuple(c for c in checks if (c.before if moment == "before" else c.after))


def list_rest_units(profile: Profile, site: Site) -> tuple[tuple[str, str], ...]:
    """(unit, "profile" or "site file") of every unit that rests, in the order of stopping."""
    return tuple(
        [(unit, "profile") for unit in profile.rest_units]
        + [(unit, "site file") for unit in site.rest_units]
    )


def write_step(sheet: StepSheet, profile: Profile, site: Site) -> Iterator[str]:
    """The section of one step, the lines that must be read before it first."""
    step = sheet.step
    yield from _gates(sheet)
    yield f"### Step {sheet.number} of {sheet.total}: {escape(step.title)}"
    yield ""
    yield "- [ ] Begun at ........ Ended at ........ Done by ................"
    yield ""
    if sheet.line is not None:
        yield f"**By the clock:** {_say_clock(sheet.line, sheet.since)}"
        yield ""
    if step.action is Action.COMMANDS:
        host = escape(sheet.host) or "production"
        yield f"**Typed:** on {host}, as root, in the session that outlives the connection."
        yield ""
    yield from _DOINGS[step.action](step, profile, site)
    yield ""
    exits = ", ".join(str(code) for code in step.exits)
    wanted = f" Exit code wanted: {exits}." if step.action is Action.COMMANDS else ""
    yield from _labelled("Expected", step.expected or "The profile does not say.", wanted)
    yield ""
    yield f"**Time allowed:** {say_seconds(step.time_allowed_s)}."
    yield ""
    yield from _course(sheet)
    yield from _questions(sheet, profile, site)
    behind = " The point of no return is passed: only a restore leads back." if sheet.behind else ""
    yield f"**If it fails or runs over its time:** {_FAILURES[step.on_failure]}{behind}"
    yield ""
    yield from _labelled("Back-out", step.back_out or "The profile names none.")
    yield ""
    yield f"**Source:** {escape(step.cites or 'none is cited')}. Name in the profile: " + (
        f"{escape(step.name)}."
    )
    yield ""


def _say_clock(line: PlanLine, since: str) -> str:
    early, ends = say_time(line.begins_p50, since=since), say_time(line.ends_p50, since=since)
    late, ends_late = say_time(line.begins_p95, since=since), say_time(line.ends_p95, since=since)
    return escape(f"{early} to {ends}; in a late night {late} to {ends_late}.")


def _gates(sheet: StepSheet) -> Iterator[str]:
    step, name = sheet.step, f"step {sheet.number}, {escape(sheet.step.title)}"
    if step.hold_point:
        yield f"**HOLD: two people agree to go on** with {name}."
        yield ""
        yield "- [ ] Agreed at ........ by ................ and ................"
        yield ""
    if step.point_of_no_return:
        yield (
            f"**POINT OF NO RETURN: after this only a restore leads back.** Two people call it "
            f"aloud before {name}."
        )
        yield ""
        yield "- [ ] Called aloud at ........ by ................ and ................"
        yield ""


def _labelled(label: str, text: str, after: str = "") -> Iterator[str]:
    """A short text beside its label; one of several lines keeps them, in a block."""
    if "\n" not in strip_controls(text).strip():
        yield f"**{label}:** {escape(text)}{after}"
        return
    yield f"**{label}:**{after}"
    yield ""
    yield from fence(strip_controls(text).strip("\n"))


def _course(sheet: StepSheet) -> Iterator[str]:
    record = sheet.record
    if record is None and not sheet.rehearsed:
        return
    if record is None:
        yield (
            f"**In the rehearsal:** {NOT_REACHED}. Nothing is known of this step on this server."
        )
        yield ""
        return
    message = f" ({escape(record.message)})" if record.message else ""
    yield f"**In the rehearsal:** {say_seconds(record.wall_s)}, {_ENDS[record.end]}{message}."
    yield ""
    lines = "\n".join(record.last_lines).strip("\n")
    built_in = sheet.step.action is not Action.COMMANDS
    if lines and (built_in or record.end not in (StepEnd.DONE, StepEnd.SKIPPED)):
        yield "What it said on the clone:"
        yield ""
        yield from fence(lines)
        yield ""


# --- what is done


def _do_commands(step: Step, _profile: Profile, _site: Site) -> Iterator[str]:
    shown = show_controls(step.script)
    if shown != step.script:
        yield (
            "**Take this script from the profile's file:** it holds control or invisible "
            "characters, which are shown as escapes here."
        )
        yield ""
    yield from fence(shown.removesuffix("\n"), "bash")


def _do_checks(step: Step, profile: Profile, site: Site) -> Iterator[str]:
    moment = step.checks or "before"
    yield (
        f"Run every check that is for {moment} the upgrade. Their scripts are in the profile and "
        "the site file; what to do when one fails stands at the end of this sheet."
    )
    yield ""
    chosen = list_checks(profile, site, moment)
    yield from (
        f"- [ ] {escape(check.name)}: {escape(check.title)} ({escape(check.severity)})"
        for check in chosen
    )
    if not chosen:
        yield "There is none."


_KEPT = "/root/configuration.tar.gz"
_RESTED = "/root/rested-units"
_KEEP = f"""umask 077
dpkg --get-selections '*' > /run/package-selections
cd /
tar -czf {_KEPT} etc var/lib/dpkg $(ls -d var/lib/apt/extended_states) -C /run package-selections
sha256sum {_KEPT}"""
_VERIFY = """sha256sum configuration.tar.gz
tar -tzf configuration.tar.gz etc/passwd var/lib/dpkg/status package-selections"""


def _typed(script: str) -> Iterator[str]:
    yield from fence(show_controls(script), "bash")


def _do_keep(_step: Step, _profile: Profile, _site: Site) -> Iterator[str]:
    yield (
        "Take the configuration off the server as one archive: /etc, /var/lib/dpkg, "
        "/var/lib/apt/extended\\_states and the package selections. On the server:"
    )
    yield ""
    yield from _typed(_KEEP)
    yield ""
    yield (
        f"Fetch {escape(_KEPT)} to where it outlives the server (sftp or scp; in a drill forerun "
        "drill fetch) and verify it there: its SHA-256 is that of the original, and the three "
        "files are in it."
    )
    yield ""
    yield from _typed(_VERIFY)


def _do_quiesce(_step: Step, profile: Profile, site: Site) -> Iterator[str]:
    yield (
        "Stop each of these units that is active, in this order, and note which were. None may "
        "stay active."
    )
    yield ""
    yield from _units(profile, site)
    units = " ".join(shlex.quote(unit) for unit, _ in list_rest_units(profile, site))
    if units:
        yield ""
        yield from _typed(
            f"for unit in {units}; do\n"
            f'  if systemctl is-active --quiet "$unit"; then echo "$unit" >> {_RESTED}; fi\n'
            '  systemctl stop "$unit" || true  # one that is not installed has nothing to stop\n'
            "done\n"
            f"cat {_RESTED}; systemctl is-active {units}"
        )


def _do_resume(_step: Step, profile: Profile, site: Site) -> Iterator[str]:
    yield (
        "Start again the units that were stopped to rest, and only those. Each must then be "
        "active; one that no longer exists is told."
    )
    yield ""
    yield from _units(profile, site)
    if list_rest_units(profile, site):
        yield ""
        yield from _typed(
            f"for unit in $(sort -u {_RESTED}); do\n"
            '  systemctl start "$unit"; echo "$unit $(systemctl is-active "$unit")"\n'
            "done"
        )


def _units(profile: Profile, site: Site) -> Iterator[str]:
    units = list_rest_units(profile, site)
    yield from (f"- [ ] {escape(unit)}" for unit, _ in units)
    if not units:
        yield "No unit is named."


def _do_switch(_step: Step, profile: Profile, _site: Site) -> Iterator[str]:
    plan = profile.sources
    yield (
        f"The keyring {escape(plan.keyring)} must hold at least one of these keys; if it holds "
        "none, change nothing:"
    )
    yield ""
    yield from (f"- {escape(key)}" for key in plan.fingerprints)
    yield ""
    yield "Then write the archive sources anew as one file, with these suites in place of the old:"
    yield ""
    yield from (f"- {escape(old)} becomes {escape(new)}" for old, new in plan.suites)
    yield ""
    yield (
        "An entry that names no keyring gets the one above. An entry for any other suite is kept "
        "but switched off. Each old file is put aside under its name with .before-upgrade behind "
        "it; one with a key of its own inside stays as it is. At last run sync: the file is on the "
        "disk then, even if the power goes in the next seconds."
    )
    yield ""
    yield (
        "First what is in force, and what the keyring holds; a person compares it with the above:"
    )
    yield ""
    yield from _typed(
        "cd /etc/apt\n"
        'grep -v "^#" sources.list sources.list.d/*.list sources.list.d/*.sources 2> /dev/null\n'
        f"gpg --show-keys --with-colons {shlex.quote(plan.keyring)} | grep ^fpr  # needs gnupg"
    )
    yield ""
    yield (
        "Only if a key is there: put the old files aside and write the one file (sources.list(5))."
    )
    yield ""
    yield from _typed(
        "cd /etc/apt\n"
        "for file in sources.list sources.list.d/*.list sources.list.d/*.sources; do\n"
        '  [ ! -f "$file" ] || grep -q "BEGIN PGP" "$file" || mv "$file" "$file.before-upgrade"\n'
        "done\n"
        "editor sources.list.d/debian.sources; sync"
    )


def _do_simulate(_step: Step, _profile: Profile, _site: Site) -> Iterator[str]:
    yield (
        "Ask the package manager what the whole upgrade would do, and let it do nothing. A person "
        "reads every package that it would remove."
    )
    yield ""
    yield from _typed("apt-get -s -q dist-upgrade")


def _do_reboot(_step: Step, _profile: Profile, site: Site) -> Iterator[str]:
    watched = ", ".join(escape(service.name) for service in site.services)
    yield (
        "Restart the server (systemctl reboot), with the console in view. It is back when it "
        "answers over SSH with the new boot, the service manager says that the start is finished, "
        f"and every watched service answers ({watched or 'none is named'})."
    )


_DOINGS: dict[Action, Callable[[Step, Profile, Site], Iterator[str]]] = {
    Action.COMMANDS: _do_commands,
    Action.REBOOT: _do_reboot,
    Action.CHECKS: _do_checks,
    Action.KEEP_CONFIGURATION: _do_keep,
    Action.QUIESCE: _do_quiesce,
    Action.RESUME: _do_resume,
    Action.SWITCH_SOURCES: _do_switch,
    Action.SIMULATE: _do_simulate,
}


# --- what was asked


def _questions(sheet: StepSheet, profile: Profile, site: Site) -> Iterator[str]:
    if not sheet.prompts:
        if sheet.record is not None and sheet.step.action is Action.COMMANDS:
            yield "**Questions in the rehearsal:** none."
            yield ""
        return
    yield f"**Questions in the rehearsal:** {len(sheet.prompts)}, in this order."
    yield ""
    for number, prompt in enumerate(sheet.prompts, 1):
        yield f"Question {number}, asked by {escape(prompt.process) or 'an unknown process'}:"
        yield ""
        yield from fence(prompt.text)
        yield ""
        yield _answer(prompt, profile, site)
        yield ""


def _answer(prompt: PromptMet, profile: Profile, site: Site) -> str:
    if not prompt.declared:
        return (
            f"**UNDECLARED: there is no agreed answer.** {_say_undeclared(prompt)} Agree on an "
            "answer before the night, and declare it in the profile or the site file."
        )
    from_site = prompt.answered_by == "site"
    rule = _find_rule(site.prompts if from_site else profile.prompts, prompt.rule)
    if prompt.answered_by == "nobody":
        return (
            f"**NOT SETTLED:** the question came back too often in spite of the answer by rule "
            f"{escape(prompt.rule)}, and the run stopped. Settle it before the night."
        )
    keys = "typed without Enter" if rule is not None and rule.raw else "then Enter"
    answer = rule.answer if rule is not None else prompt.answer
    typed = f"**{_say_keys(answer)}**, {keys}" if answer else "**Enter alone**"
    why = f" Why: {escape(prompt.why)}" if prompt.why else ""
    where = "site file" if from_site else "profile"
    return f"Agreed answer: {typed}. Rule {escape(prompt.rule)} of the {where}.{why}"


def _say_undeclared(prompt: PromptMet) -> str:
    if prompt.answered_by == "nobody":
        return "In the rehearsal nobody answered it, and the run stopped."
    who = {"policy": "by policy", "person": "by a person"}.get(prompt.answered_by, "")
    typed = _say_keys(prompt.answer) or "Enter alone"
    return f"In the rehearsal it was answered {who or escape(prompt.answered_by)}: {typed}."


def _say_keys(answer: str) -> str:
    shown = show_controls(answer).replace("\n", "\\n").replace("\t", "\\t")
    return escape(shown)


def _find_rule(rules: Sequence[PromptRule], name: str) -> PromptRule | None:
    return next((rule for rule in rules if rule.name == name), None)
