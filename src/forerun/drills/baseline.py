"""A clone as it was before a drill: what its end is compared with."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass, replace

from forerun.drills.look import take_look
from forerun.model.profile import Profile, Site
from forerun.ports.guest import Guest
from forerun.stages.back_out import OldState

# Who may log in, and how: of `sshd -T`.
_LOGIN = ("port", "permitrootlogin", "passwordauthentication", "pubkeyauthentication",
          "allowusers", "allowgroups", "denyusers", "denygroups", "authenticationmethods",
          "listenaddress")  # fmt: skip
_PUT_ASIDE = ".dpkg-bak"  # an edited file that a package gives up: dpkg-maintscript-helper(1)
# Files that a package brings as configuration, with the digest of its own version (dpkg-query(1)),
# and those that somebody edited.
_EDITED = r"""dpkg-query -W -f='@${Package}\n${Conffiles}\n' | awk '
  /^@/ { package = substr($0, 2); next }
  NF == 2 && $1 ~ /^\// { print $2, $1, package }' > /run/forerun-conffiles
awk '{ print $1 "  " $2 }' /run/forerun-conffiles | md5sum --quiet -c 2>/dev/null |
  sed -n 's/: FAILED$//p' | while read -r path; do
    grep -F " $path " /run/forerun-conffiles | head -n 1 | cut -d ' ' -f 2-
  done
rm -f /run/forerun-conffiles"""


@dataclass(frozen=True, slots=True)
class Baseline:
    """The clone before the drill. `units` are those that must rest and were active;
    `edited` (path, SHA-256) the configuration files that somebody had edited and
    `edited_owners` (path, package) who brings them; `login` the lines of `sshd -T` that say
    who may log in; `changes` what dpkg's log counted. `packages` and `files` are all of them, as
    a way back is proved by: read last, once what is there from the start is laid."""

    units: tuple[str, ...]
    failed: tuple[str, ...]
    held: tuple[str, ...]
    boot_id: str
    kernel: str
    changes: int
    edited: tuple[tuple[str, str], ...]
    edited_owners: tuple[tuple[str, str], ...]
    login: tuple[str, ...]
    packages: tuple[str, ...] = ()
    files: tuple[tuple[str, str], ...] = ()

    def with_state(self, state: OldState) -> Baseline:
        """The same, with all packages and files as they are then."""
        return replace(
            self, packages=tuple(sorted(state.packages)), files=tuple(sorted(state.files))
        )

    def old_state(self) -> OldState:
        """Packages and files as a way back is proved by."""
        return OldState(frozenset(self.packages), frozenset(self.files))

    def list_changed(self, guest: Guest) -> tuple[str, ...]:
        """Edited configuration files that are no longer as they were. One that the new version
        of its package does without lies beside its place, and nobody is asked."""
        paths = [path for path, _ in self.edited]
        now = dict(_read_digests(guest, [*paths, *(f"{path}{_PUT_ASIDE}" for path in paths)]))
        return tuple(
            path
            for path, digest in self.edited
            if now.get(path, now.get(f"{path}{_PUT_ASIDE}")) != digest
        )


def read_baseline(guest: Guest, profile: Profile, site: Site) -> Baseline:
    """The clone as it is now, but for all its packages and files. Raises CloneUnreachable."""
    wanted = tuple(dict.fromkeys((*profile.rest_units, *site.rest_units)))
    look = take_look(guest, wanted, 0.0)
    rows = [
        line.rsplit(" ", 1)
        for line in guest.run(_EDITED, timeout_s=300).text().splitlines()
        if line.startswith("/") and " " in line
    ]
    owners = tuple((path, package) for path, package in rows)
    return Baseline(
        units=tuple(unit for unit in wanted if unit not in look.resting),
        failed=look.failed,
        held=look.held,
        boot_id=look.boot_id,
        kernel=look.kernel,
        changes=look.changes,
        edited=_read_digests(guest, [path for path, _ in owners]),
        edited_owners=owners,
        login=read_login(guest),
    )


def read_login(guest: Guest) -> tuple[str, ...]:
    """The lines of `sshd -T` that say who may log in; none where it finds a mistake."""
    said = guest.run("mkdir -p /run/sshd; sshd -T 2>/dev/null", timeout_s=60)
    if said.exit_code != 0:
        return ()
    lines = [line.strip() for line in said.text().lower().splitlines()]
    return tuple(sorted(line for line in lines if line.split(" ", 1)[0] in _LOGIN))


def _read_digests(guest: Guest, paths: list[str]) -> tuple[tuple[str, str], ...]:
    if not paths:
        return ()
    names = " ".join(map(shlex.quote, paths))
    said = guest.run(f"sha256sum -- {names} 2>/dev/null", timeout_s=120).text()
    found = re.findall(r"(?m)^\\?([0-9a-f]{64})  (/.+)$", said)
    return tuple((path, digest) for digest, path in found)
