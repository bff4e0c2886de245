"""What can be let happen in a drill, how it is done on the clone, and how it shows there that
its trouble is gone.

What is a fault of the catalogue (`stages/faults.py`) is done as a rehearsal does it. The rest
is here: each is laid by a short script as root on the clone, and judged by its state alone.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass, replace

from forerun.drills.baseline import Baseline, read_login
from forerun.drills.look import History, Look, list_verified
from forerun.model.drill import Inject, Moment
from forerun.model.profile import Action, Profile, Site
from forerun.ports.gateway import Trouble
from forerun.ports.guest import Guest
from forerun.stages.faults import Cause, Fault, find_fault

SHELLS_FILE = "/run/forerun-shells"
VENDOR_HOST = "packages.vendor.example"
_VENDOR_FILE = "/etc/apt/sources.list.d/vendor.list"
_DROP_IN = "90-local-storage.conf"
_READY = "/run/local-storage-ready"
_RENAME = "/etc/systemd/network/00-cabinet.link"
_SEALED = "/etc/systemd/network/05-sealed-link.network"
_SCRIPT_S = 120.0

# Moments that only dpkg's own status stream tells, and what `Fault.moment` calls them.
WATCHED = {
    Moment.UNPACKING: "unpack",
    Moment.CONFIGURING: "configure",
    Moment.ASKING: "question",
}


@dataclass(frozen=True, slots=True)
class Ground:
    """Where injects happen. `cut_power` switches the clone off and on again."""

    guest: Guest
    trouble: Trouble
    profile: Profile
    site: Site
    baseline: Baseline
    cut_power: Callable[[], None]

    def list_units(self) -> tuple[str, ...]:
        """Units of the services that are watched from outside, but for the way in."""
        return tuple(
            unit
            for service in self.site.services
            if service.speaks != "banner"
            for unit in service.units
        )


@dataclass(frozen=True, slots=True)
class Mended:
    """Whether an inject's trouble is gone, and what shows it."""

    gone: bool
    text: str


_Lay = Callable[[Ground], str]
_Judge = Callable[[Ground, Look, History], Mended]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of inject. `lay` makes it happen and returns why it cannot, or "". `judge`
    looks whether its trouble is gone."""

    lay: _Lay
    judge: _Judge


def find_moment(inject: Inject, profile: Profile) -> Moment | None:
    """The state of the clone at which it happens; None where it goes by the clock. A step is
    known by the state that it brings about. Raises ValueError for a step that brings none."""
    if not inject.step:
        return inject.when
    step = next((one for one in profile.steps if one.name == inject.step), None)
    if step is None:
        raise ValueError(f"the profile has no step {inject.step}")
    if step.action is Action.COMMANDS and step.changes_packages:
        return Moment.UNPACKING
    by_action = {
        Action.QUIESCE: Moment.RESTING,
        Action.SWITCH_SOURCES: Moment.SWITCHED,
        Action.REBOOT: Moment.RESTARTED,
    }
    if step.action not in by_action:
        raise ValueError(f"no state of the clone tells when the step {inject.step} is at work")
    return by_action[step.action]


def has_come(moment: Moment, seen: History) -> bool:
    """Whether the looks have seen that state. Those in WATCHED are told by dpkg instead."""
    return {
        Moment.START: True,
        Moment.RESTING: seen.rested_s >= 0,
        Moment.SWITCHED: seen.switched_s >= 0,
        Moment.INDEXED: seen.indexed_s >= 0,
        Moment.RESTARTED: seen.restarted_s >= 0,
    }.get(moment, False)


def make_watch(moment: Moment, ground: Ground) -> Cause:
    """What finds that moment of dpkg's work and holds it still there until it is let go."""
    fault = Fault("moment", "", "", "packages", WATCHED[moment])
    return Cause(fault, ground.guest, ground.trouble, ground.profile.sources.keyring)


# -- how each is done ----------------------------------------------------------------------------


def _run(ground: Ground, script: str) -> str:
    """Run it; returns the reason that it gives on its last line with an exit code of 1."""
    done = ground.guest.run(script, timeout_s=_SCRIPT_S)
    if done.exit_code == 0:
        return ""
    lines = (done.text() + done.stderr.decode("utf-8", "replace")).strip().splitlines()
    return lines[-1][:200] if lines else f"exit code {done.exit_code}"


def _lay_fault(name: str) -> _Lay:
    def lay(ground: Ground) -> str:
        fault = replace(find_fault(name), moment="")  # the moment is the drill's
        cause = Cause(fault, ground.guest, ground.trouble, ground.profile.sources.keyring)
        why = cause.lay()
        if not why:
            cause.strike()
        return why

    return lay


def drop_shells(ground: Ground) -> str:
    """The trainee's connections are gone at once, as when a line is cut and the server's side
    notices: what ran in them is hung up on (credentials(7))."""
    return _run(
        ground,
        f"[ ! -f {SHELLS_FILE} ] || while read -r pid; do kill -KILL $pid; done < {SHELLS_FILE} "
        f"2>/dev/null; rm -f {SHELLS_FILE}; true",
    )


def _cut_power(ground: Ground) -> str:
    ground.cut_power()
    return ""


def _edit_login(ground: Ground) -> str:
    """Every file of the SSH server that a package brings gets a local line, so that a new
    version of it has to ask."""
    return _run(
        ground,
        "n=0; for f in /etc/ssh/sshd_config /etc/ssh/sshd_config.d/*.conf; do "
        '[ -f "$f" ] && dpkg-query -S "$f" >/dev/null 2>&1 || [ "$f" = /etc/ssh/sshd_config ] '
        "|| continue; "
        'printf "%s\\n" "# local setting" "LogLevel VERBOSE" >> "$f"; n=$((n + 1)); '
        'done; [ $n -gt 0 ] || { echo "no file of an SSH server"; exit 1; }; sshd -t',
    )


def _add_vendor(ground: Ground) -> str:
    old = next((old for old, new in ground.profile.sources.suites if old != new), "")
    line = f"deb http://{VENDOR_HOST}/agent {old} main"
    return _run(ground, f"echo {shlex.quote(line)} > {_VENDOR_FILE}")


def _hold_package(ground: Ground) -> str:
    """The package that brings the watched service; without one, one chosen by hand."""
    units = " ".join(map(shlex.quote, ground.list_units()))
    return _run(
        ground,
        f"p=; for u in {units}; do f=$(systemctl show -P FragmentPath $u); "
        'p=$(dpkg-query -S "$f" 2>/dev/null | sed -n "s/:.*//p" | head -n 1); '
        '[ -z "$p" ] || break; done; '
        '[ -n "$p" ] || p=$(apt-mark showmanual | grep -v -e ^linux- -e ^grub -e ^openssh | '
        "head -n 1); "
        '[ -n "$p" ] || { echo "no package to hold"; exit 1; }; apt-mark hold "$p"',
    )


def _keep_down(ground: Ground) -> str:
    """The watched service needs something that does not outlive a restart."""
    units = ground.list_units()
    if not units:
        return "the site file names no unit of a watched service"
    folder = f"/etc/systemd/system/{units[0]}.d"
    lines = (
        f"[Service]\\n# Storage is mounted by hand, then this file is made\\n"
        f"ExecStartPre=/usr/bin/test -e {_READY}\\n"
    )
    return _run(
        ground,
        f"mkdir -p {folder} && printf {shlex.quote(lines)} > {folder}/{_DROP_IN} && "
        f"touch {_READY} && systemctl daemon-reload",
    )


def _rename_link(ground: Ground) -> str:
    """From its next start on the clone's interface has another name, and its settings go by
    the old one."""
    return _run(
        ground,
        f'[ -f {_SEALED} ] || {{ echo "no link of a known kind"; exit 1; }}; '
        f"mac=$(sed -n 's/^MACAddress=//p' {_SEALED}); "
        'for d in /sys/class/net/*; do [ "$(cat $d/address)" = "$mac" ] && name=${d##*/}; done; '
        '[ -n "$name" ] || { echo "no such interface"; exit 1; }; '
        f'sed -i "s/^MACAddress=.*/Name=$name/" {_SEALED}; '
        f'printf "[Match]\\nPermanentMACAddress=%s\\n\\n[Link]\\nName=lan9\\n" "$mac" > {_RENAME}',
    )


# `try FILE PACKAGE`: the first edited file whose package can be fetched is answered wrongly.
_TRY = r"""try() {
  [ -z "$done" ] || return 0
  rm -f ./*.deb
  apt-get -q download "$2=$(dpkg-query -W -f '${Version}' "$2")" >/dev/null 2>&1 || return 0
  dpkg-deb --fsys-tarfile ./*.deb | tar -xO ".$1" > new 2>/dev/null || return 0
  [ -s new ] && ! cmp -s new "$1" || return 0
  cp -p "$1" "$1.dpkg-old" && cat new > "$1" && done=$1
}
done=; rm -rf /run/forerun-colleague; mkdir /run/forerun-colleague; cd /run/forerun-colleague
"""


def _answer_wrongly(ground: Ground) -> str:
    """A colleague took the package's version of an edited file; the edited one lies beside it,
    as dpkg(1) leaves it."""
    tries = "".join(
        f"try {shlex.quote(path)} {shlex.quote(package)}\n"
        for path, package in ground.baseline.edited_owners
    )
    return _run(
        ground,
        f"{_TRY}{tries}cd /; rm -rf /run/forerun-colleague\n"
        '[ -n "$done" ] || { echo "no edited file whose package can be had"; exit 1; }',
    )


# -- whether its trouble is gone -----------------------------------------------------------------


def _judge_whole(_ground: Ground, look: Look, _seen: History) -> Mended:
    if not look.reachable:
        return Mended(False, "the clone does not answer")
    if look.half_way:
        return Mended(False, f"{look.half_way} packages are half way")
    if any(one.name == "dpkg" for one in look.managers):
        return Mended(False, "dpkg is at work")
    return Mended(True, "no package is half way, and no package manager runs")


def _judge_room(folder: str) -> _Judge:
    def judge(ground: Ground, look: Look, seen: History) -> Mended:
        whole = _judge_whole(ground, look, seen)
        if not whole.gone:
            return whole
        room = ground.guest.room(folder)
        share = 1 - room.used_bytes / room.size_bytes if room.size_bytes else 0.0
        return Mended(share >= 0.03, f"{share:.0%} of {folder} is free; {whole.text}")

    return judge


def _judge_login(ground: Ground, look: Look, _seen: History) -> Mended:
    if not look.reachable:
        return Mended(False, "the clone does not answer")
    now = read_login(ground.guest)
    changed = [line for line in ground.baseline.login if line not in now]
    if not now:
        return Mended(False, "the SSH server's configuration has a mistake (sshd -t)")
    if changed:
        return Mended(False, f"the way in has changed: it was {', '.join(changed)}")
    if look.changes <= ground.baseline.changes:
        return Mended(False, "the upgrade has not come that far")
    if look.half_way or look.managers:  # between two packages none is half way
        return Mended(False, "the upgrade is at work")
    return Mended(True, "sshd -t finds no mistake, and who may log in is as it was")


def _judge_keys(ground: Ground, look: Look, seen: History) -> Mended:
    if seen.insecure:
        return Mended(False, f"signatures were switched off: {seen.insecure}")
    fresh = list_verified(look, ground.profile.sources)
    if not fresh:
        return Mended(False, "no index of the new release has been fetched and verified")
    return Mended(True, f"verified index: {fresh[0]}")


def _judge_vendor(_ground: Ground, look: Look, _seen: History) -> Mended:
    found = [
        f"{source.file}:{source.line}"
        for source in look.parse_sources()
        if source.enabled and any(VENDOR_HOST in uri for uri in source.uris)
    ]
    if found:
        return Mended(False, f"in force: {', '.join(found)}")
    return Mended(look.reachable, "the vendor's source is switched off")


def _judge_held(ground: Ground, look: Look, _seen: History) -> Mended:
    held = [name for name in look.held if name not in ground.baseline.held]
    if held:
        return Mended(False, f"held: {', '.join(held)}")
    return Mended(look.reachable, "nothing is held that was not held before")


def _judge_service(ground: Ground, look: Look, seen: History) -> Mended:
    units = ground.list_units()[:1]
    if seen.restarted_s < 0:
        return Mended(False, "the server has not been restarted yet")
    if not look.reachable:
        return Mended(False, "the clone does not answer")
    state = ground.guest.run(f"systemctl is-active {' '.join(units)}", timeout_s=60).text().strip()
    return Mended(state == "active", f"{units[0]} is {state}")


def _judge_link(_ground: Ground, look: Look, seen: History) -> Mended:
    if seen.restarted_s < 0:
        return Mended(False, "the clone has not answered since a restart")
    return Mended(look.reachable, "the clone answers over its network after the restart")


def _judge_answer(ground: Ground, look: Look, _seen: History) -> Mended:
    if not look.reachable:
        return Mended(False, "the clone does not answer")
    changed = ground.baseline.list_changed(ground.guest)
    if changed:
        return Mended(False, f"not as it was kept: {', '.join(changed)}")
    return Mended(True, "every edited file is as it was kept")


def _judge_archive(ground: Ground, look: Look, seen: History) -> Mended:
    if seen.changed_s >= 0 and not look.managers and not look.half_way:
        return Mended(True, "the packages were fetched in the end, and are installed")
    if not ground.trouble.kind:
        return Mended(True, "the archive is as quick as before again")
    return Mended(False, f"the archive is {ground.trouble.kind}")


def _judge_script(ground: Ground, look: Look, seen: History) -> Mended:
    if seen.changed_s < 0:
        return Mended(False, "no package has been changed yet")
    return _judge_whole(ground, look, seen)


KINDS: dict[str, Kind] = {
    "session-lost": Kind(drop_shells, _judge_whole),
    "power-cut": Kind(_cut_power, _judge_whole),
    "root-full": Kind(_lay_fault("root-full"), _judge_room("/")),
    "boot-full": Kind(_lay_fault("boot-full"), _judge_room("/boot")),
    "login-question": Kind(_edit_login, _judge_login),
    "signing-key-missing": Kind(_lay_fault("signing-key-missing"), _judge_keys),
    "signing-key-expired": Kind(_lay_fault("signing-key-expired"), _judge_keys),
    "vendor-without-suite": Kind(_add_vendor, _judge_vendor),
    "held-package": Kind(_hold_package, _judge_held),
    "service-stays-down": Kind(_keep_down, _judge_service),
    "interface-renamed": Kind(_rename_link, _judge_link),
    "wrong-answer-given": Kind(_answer_wrongly, _judge_answer),
    "archive-slow": Kind(_lay_fault("archive-slow"), _judge_archive),
    "archive-gone": Kind(_lay_fault("archive-gone"), _judge_archive),
    "script-hangs": Kind(_lay_fault("script-hangs"), _judge_script),
    "script-fails": Kind(_lay_fault("script-fails"), _judge_script),
}
