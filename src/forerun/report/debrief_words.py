"""The sentences of a debrief, the same in every rendering. Texts of the record are plain here:
whoever renders them escapes them."""

from __future__ import annotations

from collections.abc import Iterator

from forerun.model.drill import DrillEvent, DrillState, Standing
from forerun.report.debrief import Debrief, InjectLine, Mended, ObjectiveLine, known_seconds
from forerun.report.figures import count_of, say_clock, say_seconds
from forerun.report.plain import one_line
from forerun.report.refresher import BEFORE_CHANGE_WEEKS, REFRESHER_MONTHS
from forerun.report.wall_clock import NO_TIME, say_day

NOT_KNOWN = "not known"
NO_REHEARSAL = "No rehearsal of the same steps was measured: there is nothing to compare with."
REFERENCE_CAVEAT = (
    "The rehearsal's time is a script's, which neither reads nor decides, on this lab host: to "
    "need more is to be expected, and by how much says nothing by itself."
)
NOTICED_CAVEAT = (
    "When trouble was noticed no machine can tell. Beside each inject stands what the trainee "
    "first did or asked for afterwards, as far as it was recorded."
)
_ENDS = {
    DrillState.FAILED: "The drill could not be made: nothing was practised",
    DrillState.LEFT: "Not passed, since the drill was left before its end",
}


def say_verdict(debrief: Debrief) -> str:
    """What became of the drill, in one sentence."""
    state = debrief.record.state
    if state is DrillState.FAILED:
        return f"{_ENDS[state]}."
    counts = f"{_say_met(debrief)}, {_say_points(debrief)}, {_say_spent(debrief)}"
    if state.is_open:
        return f"Not over yet ({state.value}), and nothing is judged: {counts} so far."
    head = _ENDS.get(state, "Passed" if debrief.passed else "Not passed")
    return f"{head}: {counts}."


def _say_met(debrief: Debrief) -> str:
    lines = debrief.objectives
    lost = sum(line.objective.critical and not line.is_met for line in lines)
    told = f"{sum(line.is_met for line in lines)} of {count_of(len(lines), 'objective')} met"
    return f"{told} ({count_of(lost, 'critical one')} not)" if lost else told


def _say_points(debrief: Debrief) -> str:
    record = debrief.record
    if record.most_points <= 0:
        return "no points to be had"
    share = f"{record.drill.passing.points_share * 100:.0f} %"
    return f"{record.points} of {count_of(record.most_points, 'point')} ({share} wanted)"


def _say_spent(debrief: Debrief) -> str:
    time = debrief.time
    if time.spent_s is None:
        return "time not known"
    if time.allowed_s is None:
        return f"in {say_seconds(time.spent_s)}, with no limit"
    return f"in {say_seconds(time.spent_s)} of the {say_seconds(time.allowed_s)} allowed"


def say_next(debrief: Debrief) -> str:
    """Which drill is best played next, by one rule: first what is not met, then the same without
    help, then other injects, then more."""
    state = debrief.record.state
    if state.is_open:
        return "This one, to its end."
    if state is DrillState.FAILED:
        return "The same drill, once what kept it from being made is mended."
    if not debrief.passed:
        return "The same drill again, soon, after reading up what was not met."
    if debrief.hint_cost or any(line.shown for line in debrief.objectives) or debrief.resets:
        return "The same drill without hints and resets."
    if debrief.undrawn:
        return f"The same drill with another draw: {say_undrawn(debrief)}"
    return "A drill of a higher level, or a part in the next real change."


def say_undrawn(debrief: Debrief) -> str:
    """How many injects were left out. Their names would spoil them for the next time."""
    return (
        f"its file has {count_of(debrief.undrawn, 'more inject')}, not named here, as a surprise "
        "for another time."
    )


def say_refresher(debrief: Debrief) -> str:
    """When the next refresher is due."""
    before = f"within {BEFORE_CHANGE_WEEKS} weeks before a real change"
    if debrief.refresher_due is not None:
        return (
            f"By {debrief.refresher_due.isoformat()}, {REFRESHER_MONTHS} months after this drill, "
            f"and in any case {before}, whichever comes first."
        )
    if debrief.passed:
        return (
            f"{REFRESHER_MONTHS} months after this drill, whose day is not on record, and in any "
            f"case {before}."
        )
    return f"No term runs before the drill is passed. Repeat it soon, and pass it {before}."


def list_times(debrief: Debrief) -> Iterator[tuple[str, str]]:
    """(what, seconds in words) of the time spent and what it is held against."""
    time = debrief.time
    yield "Spent", _say(time.spent_s)
    yield "Allowed", "no limit" if time.allowed_s is None else say_seconds(time.allowed_s)
    if time.spent_s is not None and time.allowed_s is not None:
        left = time.allowed_s - time.spent_s
        yield ("Left" if left >= 0 else "Over"), say_seconds(abs(left))
    if time.window_s is not None:
        yield "Window in the drill", say_seconds(time.window_s)
    if time.reference_s is not None:
        run = debrief.record.run_id
        yield f"Measured rehearsal{f', run {run}' if run else ''}", say_seconds(time.reference_s)
        if time.spent_s is not None:
            more = time.spent_s - time.reference_s
            times = time.spent_s / time.reference_s
            said = f"{say_seconds(abs(more))} ({times:.1f} times as long)"
            yield ("More than that" if more >= 0 else "Less than that"), said


def _say(seconds: float | None) -> str:
    return NOT_KNOWN if seconds is None else say_seconds(seconds)


def say_standing(line: ObjectiveLine, debrief: Debrief) -> str:
    """met; not yet; not met; lost. Once the drill is over, "not yet" is never."""
    if line.standing is Standing.NOT_YET and not debrief.record.state.is_open:
        return "not met"
    return line.standing.value


def say_weight(line: ObjectiveLine) -> str:
    """critical; or not."""
    return "critical" if line.objective.critical else "not critical"


def say_earned(line: ObjectiveLine) -> str:
    """10 of 10; 10 of 10, hints -3."""
    told = f"{line.points} of {line.objective.points}"
    return f"{told}, hints -{line.hint_cost}" if line.shown else told


def say_took(line: InjectLine) -> str:
    """How long the trouble lasted, against its limit; of what never happened, nothing."""
    if line.struck_s is None:
        return NO_TIME
    limit = "no limit" if line.limit_s is None else f"limit {say_seconds(line.limit_s)}"
    if line.took_s is not None:
        return f"{say_seconds(line.took_s)} ({limit})"
    return f"to the end ({limit})" if line.mended is Mended.OPEN else NOT_KNOWN


def say_noticed(line: InjectLine) -> str:
    """What the trainee first did afterwards."""
    act = line.first_act
    if act is None:
        return "nothing on record before it was over"
    after = "" if line.first_act_s is None else f", {say_seconds(line.first_act_s)} after it"
    told = one_line(f"{say_kind(act.kind)} {act.name}")
    return f"{told}{after}{f': {act.text}' if act.text else ''}"


def say_at(event: DrillEvent) -> str:
    """When it happened, by the trainee's clock: 0:12:34; a dash where that is not known."""
    return say_clock(known_seconds(event.at_s))


_KINDS = {"shell": "terminal", "call": "call", "wrong": "wrong turn", "fetched": "download"}


def say_kind(kind: str) -> str:
    """An event's kind in words."""
    return _KINDS.get(kind, kind)


def say_help(debrief: Debrief) -> str:
    """Hints and resets in one line: 3 hints (10 points), 2 resets."""
    shown = sum(len(line.shown) for line in debrief.objectives)
    cost = f" ({count_of(debrief.hint_cost, 'point')})" if shown else ""
    return f"{count_of(shown, 'hint')}{cost}, {count_of(len(debrief.resets), 'reset')}"


def say_resets(debrief: Debrief) -> str:
    """What going back cost, against making the clone anew."""
    known = [took for _, took in debrief.resets if took is not None]
    cold = debrief.time.cold_start_s
    if not debrief.resets:
        return "The trainee never went back to a hold point."
    told = f"{count_of(len(debrief.resets), 'reset')}"
    if not known:
        return f"{told}; how long they took is not known."
    told += f"; the longest took {say_seconds(max(known))}"
    if cold is None:
        return f"{told}. A start of this clone from nothing was not measured."
    return f"{told}. To make this clone from nothing had taken {say_seconds(cold)}."


def list_facts(debrief: Debrief) -> Iterator[tuple[str, str]]:
    """(label, value) of where the drill comes from; nothing is left empty."""
    record, drill = debrief.record, debrief.record.drill
    rows = (
        ("Record", record.id),
        ("Drill", f"{drill.title} ({drill.name}), level {drill.level or NOT_KNOWN}"),
        ("Drill file, SHA-256", drill.digest),
        ("Person (a pseudonym)", record.person),
        ("State", record.state.value),
        ("Began", say_day(record.began_at)),
        ("Ended", say_day(record.finished_at)),
        ("Attempts", str(record.attempt)),
        ("Clone of", f"{record.host}, survey {record.survey_id}"),
        ("Profile, SHA-256", f"{record.profile}, {record.profile_digest}".strip(", ")),
        ("Injects drawn", f"{len(record.drawn)}, seed {record.seed}"),
        ("forerun", record.forerun_version),
    )
    yield from ((label, value or NOT_KNOWN) for label, value in rows)
