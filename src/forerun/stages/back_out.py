"""Ways back, rehearsed and timed: to a hold point, and by a rebuild from the backup.

Both are proved by the same things: the checks from before the upgrade, the packages with
their versions and states, and the digests of all files below /etc.
"""

from __future__ import annotations

import io
import shlex
import tarfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from forerun.errors import CloneUnreachable, ForerunError, HypervisorFailed, SealBroken
from forerun.model.blueprint import Blueprint, TemplateInfo
from forerun.model.observation import CheckResult
from forerun.model.profile import Check
from forerun.model.trial import BackOutTried
from forerun.ports.guest import Guest
from forerun.stages.actions import run_checks
from forerun.stages.build import Clone, Yard, open_clone
from forerun.stages.hold import Holder, HoldPoint
from forerun.stages.seed import write_settle_script

TO_HOLD = "hold point"
BY_REBUILD = "rebuild"
_MARK = "--- files ---"
_STATE = (
    "dpkg-query -W -f='${binary:Package} ${Version} ${db:Status-Abbrev}\\n'; "
    f"echo '{_MARK}'; cd / && find etc -xdev -type f -print0 | sort -z | xargs -0 sha256sum"
)
# Of the machine itself or of forerun's own access; a rebuilt machine has others.
_OWN = ("etc/forerun/", "etc/systemd/network/05-sealed-link.network", "etc/hosts", "etc/motd")
# Written by the system while it runs.
_LIVELY = ("etc/adjtime", "etc/resolv.conf", "etc/.updated", "etc/ld.so.cache", "etc/machine-id")
_UPLOADED = "/var/tmp/forerun-restore.tar.gz"  # noqa: S108 - on the clone, root only
SHOWN = 20
REBUILD_ENDING = "-rebuild"


@dataclass(frozen=True, slots=True)
class OldState:
    """A server's packages and configuration at a moment, as lines: package, version and
    state; path below / and SHA-256."""

    packages: frozenset[str]
    files: frozenset[tuple[str, str]]


def read_state(guest: Guest) -> OldState:
    """The state now. Raises CloneUnreachable."""
    told = guest.run(_STATE, timeout_s=600).text()
    packages, _, listing = told.partition(f"{_MARK}\n")
    files = (line.split("  ", 1) for line in listing.splitlines() if "  " in line)
    return OldState(
        frozenset(packages.splitlines()),
        frozenset((path, digest) for digest, path in files if not path.startswith(_LIVELY)),
    )


def compare_states(
    before: OldState, now: OldState, *, without: Sequence[str] = ()
) -> tuple[str, ...]:
    """What is not as it was, in words: packages first, then files. `without` are beginnings
    of paths that are not compared."""
    told = [f"package now: {line}" for line in sorted(now.packages - before.packages)]
    told += [f"package then: {line}" for line in sorted(before.packages - now.packages)]
    then, here = dict(before.files), dict(now.files)
    for path in sorted(then.keys() | here.keys()):
        if path.startswith(tuple(without)) if without else False:
            continue
        if path not in here:
            told.append(f"file gone: /{path}")
        elif path not in then:
            told.append(f"file new: /{path}")
        elif then[path] != here[path]:
            told.append(f"file differs: /{path}")
    return tuple(told)


def compare_checks(before: Sequence[CheckResult], now: Sequence[CheckResult]) -> tuple[str, ...]:
    """The checks that do not end as they did before."""
    then = {result.name: result.result for result in before}
    return tuple(
        f"check {result.name}: {then.get(result.name, 'not run')} then, {result.result} now"
        for result in now
        if then.get(result.name) != result.result
    )


@dataclass(frozen=True, slots=True)
class Start:
    """What a way back leads to: the hold point, the state there, the checks from before."""

    step: str
    point: HoldPoint
    state: OldState
    checks: tuple[CheckResult, ...]


def return_to_hold(
    holder: Holder, clone: Clone, start: Start, checks: Sequence[Check], yard: Yard
) -> BackOutTried:
    """Go back to the hold point, and prove that all is as it was."""
    clock = yard.clock
    began = clock.monotonic()
    title = "back to the hold point, as a hypervisor's snapshot leads back"
    try:
        back_s = holder.return_to(start.point)
        proved = clock.monotonic()
        results = run_checks(clone.guest, checks, moment="before")
        now = read_state(clone.guest)
    except (CloneUnreachable, HypervisorFailed) as problem:
        took = round(clock.monotonic() - began, 2)
        return BackOutTried(TO_HOLD, title, start.step, took, why=problem.what)
    took = round(clock.monotonic() - began, 2)
    odd = compare_checks(start.checks, results)
    return BackOutTried(
        TO_HOLD,
        title,
        start.step,
        took,
        parts=(("return", back_s), ("proof", round(clock.monotonic() - proved, 2))),
        checks=len(results),
        alike=len(results) - len(odd),
        differences=(*odd, *compare_states(start.state, now))[:SHOWN],
    )


@dataclass(frozen=True, slots=True)
class NewGround:
    """What a rebuild is made of: the clone's plan, its template, the backup's file. Before
    the backup reaches the fresh machine `prove_sealed` tries every way out of it, and raises
    SealBroken."""

    blueprint: Blueprint
    template: TemplateInfo
    backup: Path
    prove_sealed: Callable[[Guest], None]


def rebuild(ground: NewGround, start: Start, checks: Sequence[Check], yard: Yard) -> BackOutTried:
    """A fresh machine from the template, the configuration backup over it, a restart, and
    the proof. What lies outside the backup (data, logs, mail) is not brought back."""
    clock = yard.clock
    began = clock.monotonic()
    title = "a fresh machine of the old release with the configuration backup"
    if not ground.backup.is_file():
        return BackOutTried(
            BY_REBUILD, title, start.step, 0.0, why="no configuration backup was taken"
        )
    parts: list[tuple[str, float]] = []

    def lap(name: str, since: float) -> float:
        now = clock.monotonic()
        parts.append((name, round(now - since, 2)))
        return now

    bare = replace(
        ground.blueprint,
        run_id=f"{ground.blueprint.run_id}{REBUILD_ENDING}",
        copy_paths=(),
        merged_paths=(),
    )
    try:
        with open_clone(bare, ground.template, _empty_tar(), yard) as fresh:
            at = lap("start of a fresh machine", began)
            ground.prove_sealed(fresh.guest)
            at = clock.monotonic()  # no part of a way back
            fresh.guest.run(write_settle_script(bare), timeout_s=600)
            at = lap("settling", at)
            _restore(fresh.guest, ground.backup)
            at = lap("restore", at)
            _restart(fresh, yard)
            at = lap("restart", at)
            results = run_checks(fresh.guest, checks, moment="before")
            now = read_state(fresh.guest)
            lap("proof", at)
    except SealBroken:
        raise
    except ForerunError as problem:
        took = round(clock.monotonic() - began, 2)
        return BackOutTried(
            BY_REBUILD, title, start.step, took, parts=tuple(parts), why=problem.what
        )
    odd = compare_checks(start.checks, results)
    return BackOutTried(
        BY_REBUILD,
        title,
        start.step,
        round(sum(seconds for _, seconds in parts), 2),
        parts=tuple(parts),
        checks=len(results),
        alike=len(results) - len(odd),
        differences=(*odd, *compare_states(start.state, now, without=_OWN))[:SHOWN],
    )


def _empty_tar() -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT):
        pass
    return out.getvalue()


def _restore(guest: Guest, backup: Path) -> None:
    """The backup's /etc over the machine's, but for forerun's own way in."""
    guest.write_file(_UPLOADED, backup.read_bytes())
    without = " ".join(f"--exclude={shlex.quote(path.rstrip('/'))}" for path in _OWN)
    done = guest.run(
        f"tar -C / -xpzf {_UPLOADED} --numeric-owner {without} etc && "
        # What the backup does not have was not there; forerun's own stays.
        f"tar -tzf {_UPLOADED} | grep '^etc/' | sed 's,/$,,' | sort > /run/forerun-kept && "
        "cd / && find etc -xdev -type f | sort | comm -23 - /run/forerun-kept > /run/forerun-new; "
        f"grep -v {' '.join(f'-e ^{path}' for path in _OWN)} /run/forerun-new | "
        f"tr '\\n' '\\0' | xargs -0 -r rm -f; rm -f {_UPLOADED}; "
        "usermod -p '*' root; sync",
        timeout_s=900,
    )
    if done.exit_code != 0:
        raise CloneUnreachable(
            "The configuration backup could not be restored.",
            found=done.stderr.decode("utf-8", "replace")[-300:].strip(),
        )


def _restart(clone: Clone, yard: Yard) -> None:
    path = "/proc/sys/kernel/random/boot_id"
    before = clone.guest.read_file(path)
    clone.guest.run("systemctl --no-block reboot", timeout_s=60)
    limit = yard.clock.monotonic() + 420.0
    while yard.clock.monotonic() < limit:
        yard.clock.sleep(2.0)
        try:
            clone.guest.close()
            clone.guest.connect(
                patience_s=30.0, alive=lambda: yard.hypervisor.is_running(clone.name)
            )
            if clone.guest.read_file(path) != before:
                clone.guest.run("timeout 240 systemctl is-system-running --wait", timeout_s=260)
                return
        except (ForerunError, FileNotFoundError):
            continue
    raise CloneUnreachable("The rebuilt machine did not come back from its restart.")
