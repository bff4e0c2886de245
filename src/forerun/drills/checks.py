"""What an objective is checked by: the state of the clone and what the looks have shown of it.

Nothing here asks what was typed: another way to the same state passes, a short cut that leaves
it wrong does not. Each judgement has the evidence that decided.
"""

from __future__ import annotations

import tarfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import shorten

from forerun.distro.debian_logs import parse_simulation
from forerun.drills.baseline import Baseline, read_login
from forerun.drills.look import History, Look, has_switched, list_old, list_verified
from forerun.model.drill import DrillEvent, DrillState, Judged, Objective, Standing
from forerun.model.profile import Profile, Site
from forerun.ports.clock import Clock
from forerun.ports.guest import Guest
from forerun.ports.prober import look_at
from forerun.stages.actions import REQUIRED_MEMBERS, run_checks
from forerun.stages.back_out import compare_states, read_state

_SHOWN = 4
_SERVICE_S = 10.0
_ARCHIVES = (".tar", ".tar.gz", ".tgz", ".tar.xz", ".tar.zst", ".tar.bz2")


@dataclass(slots=True)
class Scene:
    """What is judged: the clone now (`look`, `guest`), its past in this attempt (`seen`), what
    it was before (`baseline`), and what the trainee did beside it: `events` of this attempt,
    files taken off the clone (`taken`, path and at_s), what the terminals showed of a plan
    (`plan_shown_s`, -1 for nothing). `latest_s` is the latest moment to begin the back-out, 0
    where the drill has no window. `ports` are loopback ports of the watched services by name."""

    guest: Guest
    look: Look
    seen: History
    baseline: Baseline
    profile: Profile
    site: Site
    clock: Clock
    state: DrillState
    events: tuple[DrillEvent, ...] = ()
    taken: tuple[tuple[Path, float], ...] = ()
    plan_shown_s: float = -1.0
    latest_s: float = 0.0
    first_inject_s: float = -1.0
    ports: dict[str, int] = field(default_factory=dict)


_Verdict = tuple[Standing, str]
_NO_ANSWER = "the clone does not answer over SSH"


def judge(objective: Objective, scene: Scene) -> Judged:
    """How that objective stands now, and by what evidence."""
    try:
        standing, evidence = CHECKS[objective.check](scene)
    except Exception as problem:  # a clone may be in any state: that is no reason to lose a drill
        standing, evidence = Standing.NOT_YET, f"it could not be looked at: {problem}"
    return Judged(objective.name, standing, evidence, scene.look.at_s)


def _show(items: Sequence[str]) -> str:
    more = f" and {len(items) - _SHOWN} more" if len(items) > _SHOWN else ""
    return ", ".join(items[:_SHOWN]) + more


def _either(good: bool, yes: str, no: str, otherwise: Standing = Standing.NOT_YET) -> _Verdict:
    return (Standing.MET, yes) if good else (otherwise, no)


# -- before the upgrade --------------------------------------------------------------------------


def _taken_off(scene: Scene) -> _Verdict:
    late = ""
    for path, at_s in scene.taken:
        missing = _find_missing(path)
        if missing:
            late = f"{path.name} lacks {_show(missing)}"
            continue
        if 0 <= scene.seen.changed_s < at_s:
            late = (
                f"{path.name} was taken {at_s - scene.seen.changed_s:.0f} s after packages changed"
            )
            continue
        return Standing.MET, f"{path.name}, taken off after {at_s:.0f} s, is whole"
    if scene.seen.changed_s >= 0:
        return Standing.LOST, late or "nothing was taken off before packages changed"
    return Standing.NOT_YET, late or "no archive of the configuration was taken off the clone"


def _find_missing(path: Path) -> list[str]:
    if not path.name.endswith(_ARCHIVES):
        return ["the form of a tar archive"]
    try:
        with tarfile.open(path) as archive:
            names = {name.removeprefix("./").removeprefix("/") for name in archive.getnames()}
    except (tarfile.TarError, OSError, EOFError, ValueError) as problem:
        return [f"a readable archive ({problem})"]
    ends = {name.rpartition("/")[2] for name in names}
    return [
        wanted
        for wanted in REQUIRED_MEMBERS
        if wanted not in names and not ("/" not in wanted and wanted in ends)
    ]


def _plan_read(scene: Scene) -> _Verdict:
    seen = [at for at in (scene.seen.simulated_s, scene.plan_shown_s) if at >= 0]
    first = min(seen, default=-1.0)
    changed = scene.seen.upgraded_s
    if first >= 0 and (changed < 0 or first < changed):
        return Standing.MET, f"the package manager's plan was made after {first:.0f} s"
    if changed >= 0:
        return Standing.LOST, f"packages changed after {changed:.0f} s, and no plan was made before"
    return Standing.NOT_YET, "no plan has been made"


def _rested(scene: Scene) -> _Verdict:
    units = scene.baseline.units
    if not units:
        return Standing.MET, "nothing that must rest was running"
    if scene.seen.active:
        return Standing.LOST, f"running when packages began to change: {_show(scene.seen.active)}"
    if scene.seen.upgraded_s >= 0:
        return Standing.MET, f"at rest when packages began to change: {_show(units)}"
    running = [unit for unit in units if unit not in scene.look.resting]
    return _either(
        False, "", f"running: {_show(running)}" if running else "at rest, nothing changed yet"
    )


def _switched(scene: Scene) -> _Verdict:
    plan = scene.profile.sources
    if not has_switched(scene.look, plan):
        return Standing.NOT_YET, f"in force: {_show(list_old(scene.look, plan)) or 'no new suite'}"
    verified = list_verified(scene.look, plan)
    if not verified:
        return Standing.NOT_YET, "the new suite stands in the sources, its index is not fetched"
    return _either(
        not scene.look.insecure,
        f"only the new release is in force; index {verified[0]} verified",
        f"signatures are switched off: {_show(scene.look.insecure)}",
    )


def _old_gone(scene: Scene) -> _Verdict:
    old = list_old(scene.look, scene.profile.sources)
    dead = [
        f"{source.file}:{source.line}"
        for source in scene.look.parse_sources()
        if source.enabled and "deb" in source.types and not _is_indexed(source.uris, scene.look)
    ]
    return _either(
        not old and not dead,
        "no entry of the old release is in force, and every entry has an index",
        "; ".join(
            part
            for part in (
                f"of the old release: {_show(old)}" if old else "",
                f"without an index: {_show(dead)}" if dead else "",
            )
            if part
        ),
    )


def _is_indexed(uris: Sequence[str], look: Look) -> bool:
    marks = [
        uri.partition("://")[2].strip("/").replace("_", "%5f").replace("/", "_") for uri in uris
    ]
    return any(name.startswith(mark) for mark in marks for name in look.indexed)


def _signed(scene: Scene) -> _Verdict:
    found = scene.seen.insecure or _show(scene.look.insecure)
    return _either(not found, "no check of signatures was switched off", found, Standing.LOST)


# -- during and after it -------------------------------------------------------------------------


def _one_manager(scene: Scene) -> _Verdict:
    found = "; ".join(filter(None, (scene.seen.two_managers, scene.seen.locks_removed)))
    return _either(
        not found,
        "one package manager at a time, and its locks were left alone",
        found,
        Standing.LOST,
    )


def _whole(scene: Scene) -> _Verdict:
    said = scene.guest.run("dpkg --audit; apt-get -q check 2>&1 >/dev/null", timeout_s=180)
    text = said.text().strip()
    if scene.seen.changed_s < 0:
        return Standing.NOT_YET, "no package has been changed yet"
    return _either(not text, "dpkg --audit and apt-get check find nothing", _sum_up(text))


def _sum_up(said: str) -> str:
    """What dpkg --audit and apt-get check found, without their advice: a package's line begins
    with a space, apt's errors with "E:"."""
    lines = said.splitlines()
    names = list(
        dict.fromkeys(line.split()[0] for line in lines if line[:1] == " " and line.strip())
    )
    told = [f"half way by dpkg --audit: {_show(names)}"] if names else []
    told += [line for line in lines if line.startswith("E: ")]
    return shorten("; ".join(told) or said, 300, placeholder=" ...")


def _upgraded(scene: Scene) -> _Verdict:
    said = scene.guest.run("apt-get -s -q full-upgrade", timeout_s=300)
    if said.exit_code != 0:
        return Standing.NOT_YET, (said.text() + said.stderr.decode("utf-8", "replace"))[-300:]
    if not has_switched(scene.look, scene.profile.sources):
        return Standing.NOT_YET, "the sources do not lead to the new release"
    plan = parse_simulation(said.text())
    left = [change.name for change in (*plan.upgrades, *plan.installs, *plan.removals)]
    back, half = list(plan.kept_back), scene.look.half_way
    return _either(
        not left and not back and not half and scene.seen.changed_s >= 0,
        "the package manager would change nothing more",
        f"still to change: {_show(left) or 'nothing'}; kept back: {_show(back) or 'nothing'}; "
        f"half way: {half or 'nothing'}",
    )


def _new_kernel(scene: Scene) -> _Verdict:
    look = scene.look
    if not look.reachable:
        return Standing.NOT_YET, _NO_ANSWER
    if look.boot_id == scene.baseline.boot_id or scene.seen.changed_s < 0:
        return Standing.NOT_YET, "the server has not been restarted since the upgrade"
    if 0 <= scene.seen.restarted_s < scene.seen.changed_s:
        return Standing.NOT_YET, "the server was restarted before packages changed, not after"
    newest = look.newest_kernel or look.kernel
    return _either(
        look.kernel == newest,
        f"it runs {look.kernel}, the newest that is installed",
        f"it runs {look.kernel}; installed is {newest}",
    )


def _resumed(scene: Scene) -> _Verdict:
    stopped = [unit for unit in scene.baseline.units if unit in scene.look.resting]
    if not scene.look.reachable:
        return Standing.NOT_YET, _NO_ANSWER
    return _either(
        not stopped and scene.seen.changed_s >= 0,
        f"running again: {_show(scene.baseline.units) or 'nothing rested'}",
        f"not running: {_show(stopped)}" if stopped else "no package has been changed yet",
    )


def _none_failed(scene: Scene) -> _Verdict:
    new = [unit for unit in scene.look.failed if unit not in scene.baseline.failed]
    if not scene.look.reachable:
        return Standing.NOT_YET, _NO_ANSWER
    return _either(not new, "no unit has failed", f"failed: {_show(new)}")


def _answer(scene: Scene) -> _Verdict:
    silent = []
    for service in scene.site.services:
        port = scene.ports.get(service.name, 0)
        sample = look_at(service, port, scene.clock) if port else None
        if sample is None or sample.state == "down":
            silent.append(f"{service.name} ({sample.cause if sample else 'not reachable'})")
    names = [service.name for service in scene.site.services]
    return _either(
        not silent,
        f"answer from outside: {_show(names) or 'none is watched'}",
        f"no answer: {_show(silent)}",
    )


def _as_decided(scene: Scene) -> _Verdict:
    changed = scene.baseline.list_changed(scene.guest)
    count = len(scene.baseline.edited)
    return _either(
        not changed and scene.seen.changed_s >= 0,
        f"{count} edited configuration files are in use as they were",
        f"not as it was kept: {_show(changed)}" if changed else "no package has been changed yet",
    )


def _way_in(scene: Scene) -> _Verdict:
    if not scene.look.reachable:
        return Standing.NOT_YET, _NO_ANSWER
    now = read_login(scene.guest)
    if not now:
        return Standing.NOT_YET, "sshd -t finds a mistake in the SSH server's configuration"
    lost = [line for line in scene.baseline.login if line not in now]
    return _either(
        not lost, "the SSH server answers, and who may log in is as it was", f"was: {_show(lost)}"
    )


def _procedure(scene: Scene) -> _Verdict:
    if scene.seen.changed_s < 0:
        return Standing.NOT_YET, "no package has been changed yet"
    checks = (*scene.profile.checks, *scene.site.checks)
    results = run_checks(scene.guest, checks, moment="after")
    failed = [f"{one.name} ({one.reason})" for one in results
              if one.result == "fail" and one.severity == "must"]  # fmt: skip
    return _either(
        not failed, f"{len(results)} checks of the procedure pass", f"fail: {_show(failed)}"
    )


# -- going back ----------------------------------------------------------------------------------


def _called(scene: Scene) -> _Verdict:
    calls = [event for event in scene.events if event.kind == "call"]
    latest = scene.latest_s
    if calls:
        at_s = calls[0].at_s
        return _either(
            at_s <= latest,
            f"called after {at_s:.0f} s; the latest moment was {latest:.0f} s",
            f"called after {at_s:.0f} s, {at_s - latest:.0f} s too late",
            Standing.LOST,
        )
    if scene.look.at_s > latest:
        return Standing.LOST, f"not called by the latest moment, {latest:.0f} s"
    return Standing.NOT_YET, f"not called; the latest moment is {latest:.0f} s"


def _as_before(scene: Scene) -> _Verdict:
    if scene.state is not DrillState.BACKED_OUT:
        return Standing.NOT_YET, "the back-out has not been called"
    odd = compare_states(scene.baseline.old_state(), read_state(scene.guest))
    stopped = [unit for unit in scene.baseline.units if unit in scene.look.resting]
    if stopped:
        return Standing.NOT_YET, f"not running as before: {_show(stopped)}"
    return _either(not odd, "packages, configuration and services are as before", _show(odd))


def _noted(scene: Scene) -> _Verdict:
    notes = [event for event in scene.events if event.kind == "note"]
    late = [event for event in notes if event.at_s >= scene.first_inject_s]
    return _either(
        bool(late),
        f"noted after {late[0].at_s:.0f} s: {late[0].text[:120]}" if late else "",
        "nothing was noted since the night left its plan" if notes else "nothing was noted",
    )


CHECKS: dict[str, Callable[[Scene], _Verdict]] = {
    "configuration-taken-off": _taken_off,
    "plan-read": _plan_read,
    "services-rested": _rested,
    "services-resumed": _resumed,
    "services-answer": _answer,
    "sources-switched": _switched,
    "old-sources-gone": _old_gone,
    "signatures-kept": _signed,
    "packages-whole": _whole,
    "all-upgraded": _upgraded,
    "one-package-manager": _one_manager,
    "new-kernel-running": _new_kernel,
    "no-unit-failed": _none_failed,
    "configuration-as-decided": _as_decided,
    "way-in-kept": _way_in,
    "procedure-checks-pass": _procedure,
    "back-out-called-in-time": _called,
    "state-as-before": _as_before,
    "decision-noted": _noted,
}
