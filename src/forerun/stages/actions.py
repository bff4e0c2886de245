"""The built-in actions of a procedure, each carried out on the clone."""

from __future__ import annotations

import gzip
import hashlib
import re
import secrets
import shlex
import shutil
import tarfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from forerun.distro.debian_keys import find_fingerprints
from forerun.distro.debian_logs import Simulation, parse_print_uris, parse_simulation
from forerun.distro.debian_sources import find_doubled_sources, parse_sources, plan_sources
from forerun.errors import CloneUnreachable
from forerun.model.observation import CheckResult, StepEnd
from forerun.model.profile import Check, SourcePlan
from forerun.ports.guest import Guest

SKIPPED_EXIT = 77  # as in Automake's test protocol: 77 means skipped
OUTPUT_LIMIT = 4000
CHUNK = 1 << 20
MOST_BACKUP_BYTES = 2 << 30  # /etc and dpkg's records of a large server have 300 MB
_CHECK_END = re.compile(r" ([0-9]{1,6}) ([0-9]{1,3})")
_BACKUP_MADE = re.compile(r"([0-9a-f]{64})  \S+\n([0-9]{1,15})\s*")
BACKUP_FILE = "/var/tmp/forerun-configuration.tar"  # noqa: S108 - on the clone, root only
BACKUP_PATHS = ("etc", "var/lib/dpkg", "var/lib/apt/extended_states")
REQUIRED_MEMBERS = ("etc/passwd", "var/lib/dpkg/status", "package-selections")


@dataclass(frozen=True, slots=True)
class Done:
    """How an action ended; `lines` are what a person would want to read."""

    end: StepEnd
    message: str
    lines: tuple[str, ...] = ()
    exit_code: int = 0


def run_checks(guest: Guest, checks: Sequence[Check], *, moment: str) -> tuple[CheckResult, ...]:
    """Run all checks of one moment ("before" or "after") in one go.

    They share one connection and one shell, since starting each alone costs an emulated
    clone more than most checks do. A random mark separates their outputs.
    """
    chosen = [check for check in checks if (check.before if moment == "before" else check.after)]
    if not chosen:
        return ()
    mark = f"--{secrets.token_hex(12)}--"
    parts = [f"m={mark}"]
    for number, check in enumerate(chosen):
        limit = max(1, int(check.time_allowed_s))
        parts.append(
            f"out=$(timeout {limit} sh -c {shlex.quote(check.script)} 2>&1 </dev/null); code=$?\n"
            f'printf \'%s %s %s\\n%s\\n\' "$m" {number} "$code" '
            f'"$(printf %s "$out" | head -c {OUTPUT_LIMIT})"'
        )
    allowed = sum(check.time_allowed_s for check in chosen) + 60
    guest.write_file("/run/forerun-checks", "\n".join(parts).encode("utf-8"))
    answer = guest.run("sh /run/forerun-checks; rm -f /run/forerun-checks", timeout_s=allowed)
    outputs = _split_outputs(answer.text(), mark)
    return tuple(
        judge_check(check, moment, *outputs.get(number, (-1, "no answer from the clone")))
        for number, check in enumerate(chosen)
    )


def _split_outputs(text: str, mark: str) -> dict[int, tuple[int, str]]:
    found: dict[int, tuple[int, str]] = {}
    for part in text.split(mark)[1:]:
        head, _, output = part.partition("\n")
        match = _CHECK_END.fullmatch(head)
        if match is not None:  # a check that cut the mark has no answer
            found[int(match[1])] = (int(match[2]), output.strip()[:OUTPUT_LIMIT])
    return found


def judge_check(check: Check, moment: str, code: int, output: str) -> CheckResult:
    """Pass, fail or skipped, with the rule that decided as the reason."""
    first_line = output.split("\n", 1)[0]
    if code == SKIPPED_EXIT and SKIPPED_EXIT not in check.exits:
        result, reason = "skipped", first_line or "no reason given"
    elif code == 124:
        result, reason = "fail", f"not finished in {check.time_allowed_s:.0f} s"
    elif code not in check.exits:
        # A Python program that breaks says why in its last line, not in its first.
        broke = first_line.startswith("Traceback (most recent call last)")
        line = output.rsplit("\n", 1)[-1] if broke else first_line
        result, reason = "fail", line or f"exit code {code}"
    elif check.shows and check.shows not in output:
        result, reason = "fail", f"{check.shows!r} is not in its output"
    elif check.shows_not and check.shows_not in output:
        result, reason = "fail", f"{check.shows_not!r} is in its output"
    else:
        result, reason = "pass", ""
    return CheckResult(
        check.name,
        check.title,
        moment,
        result,
        reason,
        check.severity,
        output,
        check.advice,
        check.cites,
        check.after,
    )


def conclude_checks(results: Sequence[CheckResult]) -> Done:
    """A failed `must` makes the step fail; counts are said either way."""
    counts = {kind: 0 for kind in ("pass", "fail", "skipped")}
    for result in results:
        counts[result.result] += 1
    text = f"{counts['pass']} passed, {counts['fail']} failed, {counts['skipped']} skipped"
    failed = [result for result in results if result.result == "fail"]
    must = [result.name for result in failed if result.severity == "must"]
    lines = tuple(f"{result.name}: {result.reason}" for result in failed)
    if must:
        return Done(StepEnd.FAILED, f"{text}; must pass: {', '.join(must)}", lines, 1)
    return Done(StepEnd.DONE, text, lines)


def keep_configuration(guest: Guest, folder: Path, *, allowed_s: float) -> Done:
    """Take the configuration off the clone and verify it here: digest of the whole, and
    the members that the release notes ask for."""
    made = guest.run(
        f"umask 077; dpkg --get-selections '*' > /run/package-selections && "
        f"tar -cf {BACKUP_FILE} -C / {' '.join(BACKUP_PATHS)} -C /run package-selections && "
        f"sha256sum {BACKUP_FILE} && stat -c %s {BACKUP_FILE}",
        timeout_s=allowed_s,
    )
    if made.exit_code != 0:
        return Done(StepEnd.FAILED, made.stderr.decode("utf-8", "replace")[-400:].strip(), (), 1)
    told = _BACKUP_MADE.fullmatch(made.text())
    if told is None or int(told[2]) > MOST_BACKUP_BYTES:
        return Done(StepEnd.FAILED, f"no digest and credible size: {made.text()[:200]!r}", (), 1)
    wanted, size = told[1], int(told[2])
    plain = folder / "configuration.tar"
    found = _fetch(guest, plain, size)
    guest.run(f"rm -f {BACKUP_FILE} /run/package-selections", timeout_s=60)
    if found != wanted:
        plain.unlink()  # what is not whole must not pass for a backup
        return Done(
            StepEnd.FAILED, f"the copy differs: wanted sha256 {wanted}, found {found}", (), 1
        )
    try:
        count, missing = _inspect(plain)
    except (tarfile.TarError, OSError, EOFError, ValueError, OverflowError, MemoryError) as problem:
        plain.unlink()
        return Done(StepEnd.FAILED, f"the copy is no whole archive: {problem}", (), 1)
    if missing:
        plain.unlink()
        return Done(StepEnd.FAILED, f"missing from the copy: {', '.join(missing)}", (), 1)
    packed = folder / "configuration.tar.gz"
    with plain.open("rb") as source, gzip.open(packed, "wb", compresslevel=1) as target:
        shutil.copyfileobj(source, target, CHUNK)
    plain.unlink()
    return Done(StepEnd.DONE, f"{count} files, {size} bytes, sha256 {wanted[:16]}… agrees")


def _fetch(guest: Guest, target: Path, size: int) -> str:
    digest = hashlib.sha256()
    with target.open("wb") as out:
        target.chmod(0o600)
        offset = 0
        while offset < size:
            chunk = guest.read_file(BACKUP_FILE, offset=offset, limit=min(CHUNK, size - offset))
            if not chunk:
                break
            digest.update(chunk)
            out.write(chunk)
            offset += len(chunk)
    return digest.hexdigest()


def _inspect(path: Path) -> tuple[int, list[str]]:
    with tarfile.open(path, mode="r:") as archive:
        names = archive.getnames()
    return len(names), [name for name in REQUIRED_MEMBERS if name not in names]


def quiesce(guest: Guest, units: Sequence[str], *, allowed_s: float) -> tuple[Done, list[str]]:
    """Stop the units that run; returns which were stopped, in the order given."""
    names = " ".join(shlex.quote(unit) for unit in units)
    answer = guest.run(
        f'for u in {names}; do systemctl is-active -q "$u" || continue; '
        'if systemctl stop "$u"; then echo "stopped $u"; else echo "still active $u"; fi; done',
        timeout_s=allowed_s,
    )
    lines = tuple(answer.text().splitlines())
    stopped = [unit for unit in units if f"stopped {unit}" in lines]
    stuck = [unit for unit in units if f"still active {unit}" in lines]
    if stuck:
        return Done(StepEnd.FAILED, f"could not be stopped: {', '.join(stuck)}", lines, 1), stopped
    return Done(StepEnd.DONE, f"{len(stopped)} of {len(units)} were active", lines), stopped


def resume(guest: Guest, units: Sequence[str], *, allowed_s: float) -> Done:
    """Start again what `quiesce` stopped; a unit that no longer exists is said."""
    names = " ".join(shlex.quote(unit) for unit in units)
    answer = guest.run(
        f"for u in {names}; do "
        'if ! systemctl cat "$u" >/dev/null 2>&1; then echo "gone $u"; continue; fi; '
        'systemctl is-active -q "$u" || systemctl start "$u"; '
        'systemctl is-active -q "$u" && echo "active $u" || echo "inactive $u"; done',
        timeout_s=allowed_s,
    )
    lines = tuple(answer.text().splitlines())
    bad = [line for line in lines if not line.startswith("active ")]
    if bad:
        return Done(StepEnd.FAILED, "; ".join(bad), lines, 1)
    return Done(StepEnd.DONE, f"{len(lines)} started again", lines)


def switch_sources(guest: Guest, plan: SourcePlan) -> Done:
    """Point the archive sources at the new release, if the keyring can prove it."""
    listed = guest.run(
        "cd /etc/apt && for f in sources.list sources.list.d/*.list sources.list.d/*.sources; do "
        '[ ! -f "$f" ] || echo "/etc/apt/$f"; done',
        timeout_s=60,
    )
    paths = listed.text().split()
    files = {path: guest.read_file(path).decode("utf-8", "replace") for path in paths}
    try:
        fingerprints = find_fingerprints(guest.read_file(plan.keyring))
    except FileNotFoundError:
        return Done(StepEnd.FAILED, f"the keyring {plan.keyring} is missing", (), 1)
    known = [key for key in plan.fingerprints if key in fingerprints]
    if not known:
        return Done(
            StepEnd.FAILED,
            f"{plan.keyring} holds none of the target release's keys; wanted one of "
            f"{', '.join(plan.fingerprints)}",
            (),
            1,
        )
    sources = parse_sources(files)
    switched = plan_sources(sources, plan)
    for path in switched.retire:
        if path != switched.file:
            guest.run(f"mv {shlex.quote(path)} {shlex.quote(path)}.before-upgrade", timeout_s=60)
    guest.run(f"mkdir -p $(dirname {shlex.quote(switched.file)})", timeout_s=60)
    guest.write_file(switched.file, switched.content.encode("utf-8"), mode=0o644)
    # The upgrade stands on this file, whatever happens to the power in the next seconds.
    guest.run("sync", timeout_s=300)
    doubled = find_doubled_sources(sources)
    lines = [*switched.content.splitlines()]
    lines += [f"disabled, no rule for it: {entry}" for entry in switched.disabled]
    lines += [f"was doubled: {d.uri} {d.suite} in {', '.join(d.places)}" for d in doubled]
    message = f"{switched.file} written; key {known[0][-16:]} in the keyring"
    if doubled:
        message += f"; {len(doubled)} doubled sources found and joined"
    return Done(StepEnd.DONE, message, tuple(lines))


_ADDRESSES = "-- addresses --"
# Both questions at once: each costs apt a reading of all its indexes, on a processor of
# its own. Neither takes apt's lock (apt-get(8), -s; --print-uris: observed).
_PLAN = f"""file=$(mktemp)
apt-get --print-uris -qq -y dist-upgrade > "$file" 2>/dev/null &
apt-get -s -q dist-upgrade
code=$?
if wait $!; then
  echo '{_ADDRESSES}'
  cat "$file"
fi
rm -f "$file"
exit $code
"""


def simulate(guest: Guest, *, allowed_s: float) -> tuple[Done, Simulation | None]:
    """Ask the package manager for its plan and its download, -1 bytes if it cannot say."""
    answer = guest.run(_PLAN, timeout_s=allowed_s)
    told, known, addresses = answer.text().partition(f"{_ADDRESSES}\n")
    if answer.exit_code != 0:
        text = (told + answer.stderr.decode("utf-8", "replace")).strip()
        return Done(StepEnd.FAILED, text.splitlines()[-1] if text else "no plan", (), 1), None
    plan = parse_simulation(told)
    download = parse_print_uris(addresses).total_bytes if known else -1
    removed = ", ".join(change.name for change in plan.removals) or "nothing"
    message = (
        f"{len(plan.upgrades)} to upgrade, {len(plan.installs)} new, "
        f"{len(plan.removals)} to remove, {len(plan.kept_back)} kept back, "
        f"{download} bytes to fetch"
    )
    return Done(StepEnd.DONE, message, (f"removes: {removed}",)), plan


def count_stored(guest: Guest) -> int:
    """Bytes of package files that the package manager has fetched and stored so far. Raises
    CloneUnreachable."""
    answer = guest.run(
        "find /var/cache/apt/archives -maxdepth 1 -name '*.deb' -printf '%s\\n' "
        "| awk '{sum += $1} END {printf \"%d\", sum}'",
        timeout_s=120,
    )
    told = answer.text().strip() or "0"
    if not re.fullmatch(r"[0-9]{1,15}", told):
        raise CloneUnreachable("The clone does not say what it has fetched.", found=told[:80])
    return int(told)
