"""What can be let happen on a clone in a step, and how it is done there.

Each fault has a cause that is laid (`Cause.lay`), in most cases struck at a moment of the
package manager's work (`MOMENTS`), and lifted again (`Cause.lift`). The moment is found by
dpkg's own status stream (dpkg(1), --status-logger): a small program on the clone reads it,
holds dpkg still at the moment and leaves a mark, so that the fault strikes there and not a
second later.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from forerun.errors import UsageError
from forerun.model.profile import FAULT_NAMES, Action, Profile, Step
from forerun.ports.gateway import Trouble
from forerun.ports.guest import Guest

_FOLDER = "/var/lib/forerun-fault"
_MARK = f"{_FOLDER}/struck"
_LOGGER = f"{_FOLDER}/watch"
_LOGGER_FILE = "/etc/dpkg/dpkg.cfg.d/forerun-fault"
_FILLER = "forerun-fault-filler"
_SCRIPT_MARK = "forerun-fault"

# When a fault strikes: what dpkg must be at, and the state that a package then gets, as
# patterns of the shell's `case` (dpkg(1), --status-fd: "processing: STAGE: PACKAGE" and
# "status: PACKAGE: STATE"). A state alone would not do: an upgraded package is
# half-configured for a moment before its files are touched, a removed one, too.
MOMENTS = {
    "unpack": ("'processing: upgrade: '*", "'status: '*': half-installed'*"),
    "configure": ("'processing: configure: '*", "'status: '*': half-configured'*"),
    # A configuration file's question, which is asked a moment later.
    "question": ("'processing: configure: '*", "'status: '*conffile-prompt*"),
    "kernel": (
        "'processing: configure: linux-image-'*",
        "'status: linux-image-'*': half-configured'*",
    ),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of the catalogue. `moment` is a key of MOMENTS, or "" where it is there from
    the step's start; `power` whether it is the power that goes; `needs` says for which
    steps it makes sense: "packages", "archive", "reboot"; `rule` goes into the runbook."""

    name: str
    title: str
    rule: str
    needs: str
    moment: str = ""
    power: bool = False


_FINISH = "Finish what was interrupted before anything else: no second upgrade, no removed lock."
CATALOGUE = (
    Fault(
        "session-lost", "the operator's terminal is gone",
        "Work in a session that outlives its connection. If one is lost: look for the package "
        "manager that still runs or waits before starting another.",
        "packages", "unpack",
    ),
    Fault(
        "session-lost-asking", "the operator's connection is gone while a question waits",
        "Before anything else find the process that waits and who holds the package manager's "
        "lock: answer it where its terminal can be had again, else end it; then finish what "
        "was interrupted.", "packages", "question",
    ),
    Fault("power-cut-unpack", "power is cut while packages are unpacked", _FINISH,
          "packages", "unpack", power=True),
    Fault("power-cut-configure", "power is cut while packages are configured", _FINISH,
          "packages", "configure", power=True),
    Fault("power-cut-kernel", "power is cut while a kernel is installed",
          f"{_FINISH} Prove the boot files again before the next restart.",
          "packages", "kernel", power=True),
    Fault("archive-gone", "the package archive does not answer",
          "Change nothing on the server: have the packages fetched before the window, or wait "
          "for the archive, or name another one.", "archive"),
    Fault("archive-slow", "the package archive is slow",
          "Fetch the packages before the window. Decide by the time that is left whether to "
          "wait.", "archive"),
    Fault("archive-altered", "packages arrive with wrong checksums",
          "Never skip the check of checksums or signatures. Take another archive.", "archive"),
    Fault("signing-key-missing", "the archive's signing key is missing",
          "Install the keyring package of the release from a source you trust; never switch "
          "signatures off.", "archive"),
    Fault("signing-key-expired", "the archive's signing key has expired",
          "Look when the keys of all archives end before the window. When it happens, look at "
          "the clock first: one that runs ahead ends every key. If it is right, renew the "
          "keyring package from a source you trust; never set a right clock back.", "archive"),
    Fault("root-full", "the root file system is full",
          "Free what is nobody's (the package cache, old logs), then finish what was "
          "interrupted.", "packages", "unpack"),
    Fault("boot-full", "the boot partition is full",
          "Remove kernels that do not run, never the running one; then finish what was "
          "interrupted.", "packages", "unpack"),
    Fault("memory-short", "memory runs short",
          "Stop what needs memory and can wait; look for what the kernel ended (journal), then "
          "finish what was interrupted.", "packages", "unpack"),
    Fault("script-fails", "a package's maintainer script fails",
          "Read its last lines and mend the cause; do not force. Then finish what was "
          "interrupted.", "packages"),
    Fault("script-hangs", "a package's maintainer script never ends",
          "Find it in the process tree; end that script alone, not the package manager; mend "
          "the cause, then finish what was interrupted.", "packages"),
    Fault("clock-wrong", "the server's clock is years behind",
          "Set the clock before the archive is asked: signatures and indexes are dated.",
          "archive"),
    Fault("no-restart", "the server does not come back from its restart",
          "Have a console that does not need the server's network. Without one, or without a "
          "cause that is understood at once: back out.", "reboot"),
)  # fmt: skip


def find_fault(name: str) -> Fault:
    """A fault by its name. Raises UsageError with all names."""
    for fault in CATALOGUE:
        if fault.name == name:
            return fault
    raise UsageError("There is no such fault.", found=name, wanted=", ".join(FAULT_NAMES))


def parse_faults(given: Sequence[str], profile: Profile) -> dict[str, tuple[Fault, ...]]:
    """NAME@STEP texts to the faults of each step, in the order given. Raises UsageError."""
    steps = {step.name: step for step in profile.steps}
    found: dict[str, tuple[Fault, ...]] = {}
    for text in given:
        name, at, step_name = text.partition("@")
        if not at:
            raise UsageError(
                "A fault is named with the step in which it happens.",
                found=text,
                wanted="NAME@STEP, for example power-cut-unpack@full-upgrade",
            )
        fault = find_fault(name)
        if step_name not in steps:
            raise UsageError(
                "The profile has no such step.",
                found=step_name,
                wanted=", ".join(steps),
            )
        lack = find_lack(fault, steps[step_name])
        if lack:
            raise UsageError(
                "That fault says nothing about that step.", where=text, wanted=lack,
                hint="`forerun faults` lists what each fault needs.",
            )  # fmt: skip
        found[step_name] = (*found.get(step_name, ()), fault)
    return found


def find_lack(fault: Fault, step: Step) -> str:
    """Why a fault cannot be tried in a step; "" when it can."""
    if fault.needs == "reboot":
        return "" if step.action is Action.REBOOT else "a step that restarts the server"
    if step.action is not Action.COMMANDS:
        return "a step with a script of its own"
    if fault.needs == "packages" and not step.changes_packages:
        return "a step that changes packages"
    if fault.needs == "archive" and not step.downloads:
        return "a step that asks the archive"
    return ""


class Cause:
    """One fault's cause on one clone. `moment` is when it struck, "" before.

    `poll` is called again and again while the step runs; it returns whether the fault has
    struck by now. Nothing here outlives `lift`, or the return to a hold point."""

    def __init__(self, fault: Fault, guest: Guest, trouble: Trouble, keyring: str) -> None:
        self.fault = fault
        self.moment = ""
        self._guest = guest
        self._trouble = trouble
        self._keyring = keyring

    def lay(self) -> str:
        """Make ready; returns why this fault cannot be tried here, or ""."""
        made = _LAID.get(self.fault.name)
        if made is not None:
            why = made(self)
            if why:
                return why
        if self.fault.moment:
            self._watch()
        elif not self.moment:
            self.moment = "from the step's start"
        return ""

    def _watch(self) -> None:
        stage, state = MOMENTS[self.fault.moment]
        script = f"""#!/bin/sh
# Reads dpkg's status and holds dpkg at the first moment of the kind wanted.
[ ! -e {_MARK} ] || exec cat >/dev/null
at=
while read -r line; do
  case "$line" in
    {stage}) at=there ;;
    'processing: '*) at= ;;
    {state})
      [ -n "$at" ] || continue
      echo "$line" > {_MARK}
      kill -STOP "$PPID"
      exec cat >/dev/null ;;
  esac
done
"""
        self._guest.run(f"mkdir -p -m 700 {_FOLDER}", timeout_s=60)
        self._guest.write_file(_LOGGER, script.encode("ascii"), mode=0o700)
        self._guest.write_file(_LOGGER_FILE, f"status-logger=exec {_LOGGER}\n".encode("ascii"))

    def poll(self) -> bool:
        """Whether the fault has struck."""
        if self.moment or not self.fault.moment:
            return bool(self.moment)
        try:
            line = self._guest.read_file(_MARK).decode("utf-8", "replace").strip()
        except FileNotFoundError:
            return False
        self.moment = line.removeprefix("status: ")
        return True

    def let_go(self) -> None:
        """Let dpkg run on, where it was held and the power is still there."""
        self._guest.run("pkill -CONT -x dpkg || true", timeout_s=60)

    def forget(self) -> None:
        """Take away what finds the moment; what struck stays."""
        self._guest.run(f"rm -rf {_LOGGER_FILE} {_FOLDER}", timeout_s=60)

    def strike(self) -> None:
        """Do at the moment what is not a power cut."""
        struck = _STRUCK.get(self.fault.name)
        if struck is not None:
            struck(self)

    def lift(self) -> None:
        """Take the cause away, as who mends it would."""
        self._trouble.kind = ""
        lines = [f"rm -rf {_LOGGER_FILE} {_FOLDER} /{_FILLER} /boot/{_FILLER} /dev/shm/{_FILLER}"]
        lines.append(
            f'for f in /var/lib/dpkg/info/*.prerm; do grep -q {_SCRIPT_MARK} "$f" 2>/dev/null '
            '&& rm -f "$f"; done'
        )
        lines.append(
            "for f in /etc/apt/trusted.gpg.d/*.kept-away "
            f"{shlex.quote(self._keyring)}.kept-away; do "
            '[ ! -e "$f" ] || mv "$f" "${f%.kept-away}"; done'
        )
        self._guest.run("\n".join(lines), timeout_s=60)

    # -- how each is done ----------------------------------------------------------------------

    def _trouble_archive(self, kind: str) -> str:
        self._trouble.kind = kind
        return ""

    def _hide_keys(self) -> str:
        done = self._guest.run(
            f"for f in {shlex.quote(self._keyring)} /etc/apt/trusted.gpg.d/*; do "
            '[ -f "$f" ] && mv "$f" "$f.kept-away" && echo "$f"; done',
            timeout_s=60,
        )
        return "" if done.text().strip() else "the clone has no keyring to take away"

    def _check_boot(self) -> str:
        done = self._guest.run("findmnt -n -o TARGET --target /boot", timeout_s=60)
        alone = done.text().strip() == "/boot"
        return "" if alone else "/boot is no file system of its own: see root-full"

    def _fill(self, folder: str) -> None:
        path = f"{folder}/{_FILLER}"
        self._guest.run(
            # Free blocks, those reserved for root among them (statfs(2), f_bfree).
            f"set -- $(stat -f -c '%f %S' {folder or '/'}); "
            f'fallocate -l "$(($1 * $2))" {path}; cat /dev/zero >> {path}; true',
            timeout_s=300,
        )

    def _fill_memory(self) -> None:
        self._guest.run(
            "mount -o remount,size=100% /dev/shm; "
            "kb=$(awk '$1 == \"MemAvailable:\" {print $2}' /proc/meminfo); "
            f'head -c "$(( (kb - 12288) * 1024 ))" /dev/zero > /dev/shm/{_FILLER}; true',
            timeout_s=300,
        )

    def _end_terminal(self) -> None:
        """The process that holds the step's terminal dies, as the SSH server's does when a
        connection is lost: the kernel hangs up on what runs in it (credentials(7), tty)."""
        self._guest.run("pkill -KILL -x script || true", timeout_s=60)

    def _plant_script(self, body: str) -> str:
        """An old package's pre-removal script is made to fail or hang; the package is one
        that will be upgraded and whose new version brings none in its place."""
        done = self._guest.run(
            "apt-get -s -q full-upgrade | sed -n 's/^Inst \\([^ ]*\\) \\[.*/\\1/p'", timeout_s=300
        )
        have = self._guest.run("ls /var/lib/dpkg/info/*.prerm 2>/dev/null; true", timeout_s=60)
        scripted = set(re.findall(r"/([^/\s:]+)(?::\w+)?\.prerm", have.text()))
        names = [name for name in done.text().split() if name not in scripted]
        if not names:
            return "no package to be upgraded is without a script of its own"
        path = f"/var/lib/dpkg/info/{names[0]}.prerm"
        listed = self._guest.run(
            f"ls /var/lib/dpkg/info/{shlex.quote(names[0])}*.list | head -n 1", timeout_s=60
        )
        if listed.text().strip():
            path = listed.text().strip().removesuffix(".list") + ".prerm"
        text = f"#!/bin/sh\n# {_SCRIPT_MARK}\n{body}\n"
        self._guest.write_file(path, text.encode("ascii"), mode=0o755)
        self.moment = f"{names[0]}: its pre-removal script"
        return ""

    def _turn_clock_back(self) -> str:
        self._guest.run("date --set=2001-01-01 >/dev/null", timeout_s=60)
        return ""

    def _pass_expiry(self) -> str:
        """A key ends by the clock: the clone's is set decades ahead. A key without an end
        stays good, and then so does the step."""
        self._guest.run("date --set=2060-01-01 >/dev/null", timeout_s=60)
        return ""

    def _spoil_boot(self) -> str:
        done = self._guest.run(
            "[ -f /boot/grub/grub.cfg ] && sed -i -E 's/root=[^ ]+/root=LABEL=forerun-nowhere/' "
            "/boot/grub/grub.cfg && sync && echo spoilt",
            timeout_s=60,
        )
        return "" if "spoilt" in done.text() else "the clone starts by no boot menu that is known"


_LAID: dict[str, Callable[[Cause], str]] = {
    "archive-gone": lambda cause: cause._trouble_archive("gone"),
    "archive-slow": lambda cause: cause._trouble_archive("slow"),
    "archive-altered": lambda cause: cause._trouble_archive("altered"),
    "signing-key-missing": Cause._hide_keys,
    "signing-key-expired": Cause._pass_expiry,
    "boot-full": Cause._check_boot,
    "script-fails": lambda cause: cause._plant_script("exit 1"),
    "script-hangs": lambda cause: cause._plant_script("sleep 1000000"),
    "clock-wrong": Cause._turn_clock_back,
    "no-restart": Cause._spoil_boot,
}
_STRUCK: dict[str, Callable[[Cause], None]] = {
    "session-lost": Cause._end_terminal,
    "root-full": lambda cause: cause._fill(""),
    "boot-full": lambda cause: cause._fill("/boot"),
    "memory-short": Cause._fill_memory,
}
