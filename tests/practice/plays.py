"""How the shipped drills are played on the practice server: by the runbook, and wrongly.

A play is a function of a player; `PLAYS` names each with the drill it is of and the objectives
that must not be met by it (none where it is by the runbook)."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from forerun.drills.build import UNMEASURED_BACK_OUT_S
from tests.practice.player import (
    ANSWERS,
    BACKUP,
    LOOK,
    PLAN,
    REPAIR,
    REST,
    RESUME,
    SWITCH,
    UPDATE,
    UPGRADE,
    Player,
)

# The window of that drill, less a way back that nobody has measured.
LATEST_S = 20 * 60 - UNMEASURED_BACK_OUT_S
UNSIGNED = "sed -i 's/ second / second /; s/\\[signed-by=[^]]*\\]/[trusted=yes]/' /etc/apt/sources.list.d/practice.list"  # noqa: E501


BLINDLY = "yes '' | apt-get -q -y -o Dpkg::Options::=--force-confold full-upgrade >/dev/null 2>&1"


@dataclass(frozen=True, slots=True)
class Play:
    """One way through a drill. `fails` are the objectives that it must not meet; every other
    critical one it must."""

    name: str
    drill: str
    act: Callable[[Player], None]
    fails: tuple[str, ...] = ()
    seed: int = 1


def _back_up(player: Player) -> None:
    with player.shell() as shell:
        shell.do(BACKUP, exits=0)
    player.command("fetch", "/var/tmp/configuration.tar.gz")


def _work(player: Player, *commands: str) -> None:
    with player.shell() as shell:
        for command in commands:
            shell.type(command)
            shell.wait()


def _restart(player: Player) -> None:
    with player.shell() as shell:
        shell.child.sendline("systemctl reboot")
        shell.wait_until_lost(limit_s=120)


def _after(player: Player, *more: str) -> None:
    _work(player, RESUME, "apt-get -q clean", *more)


def play_calm(player: Player) -> None:
    """By the runbook."""
    _back_up(player)
    _work(player, REST, SWITCH, UPDATE, PLAN, UPGRADE)
    _restart(player)
    _after(player)


def play_without_backup(player: Player) -> None:
    """The backup is made and left on the server."""
    _work(player, BACKUP, REST, SWITCH, UPDATE, PLAN, UPGRADE)
    _restart(player)
    _after(player)


def play_packages_version(player: Player) -> None:
    """The package's version of an edited file is taken."""
    _back_up(player)
    with player.shell() as shell:
        for command in (REST, SWITCH, UPDATE, PLAN):
            shell.do(command, limit_s=600)
        shell.type(UPGRADE)
        takes = {**ANSWERS, r"\(Y/I/N/O/D/Z\) \[[^]]*\] \?\s*$": "Y"}
        shell.wait(answers=takes)
    _restart(player)
    _after(player)


def play_unsigned(player: Player) -> None:
    """Checks of signatures are switched off."""
    _back_up(player)
    _work(player, REST, SWITCH, UNSIGNED, UPDATE, PLAN, UPGRADE)
    _restart(player)
    _after(player)


def play_without_restart(player: Player) -> None:
    """Everything but the restart."""
    _back_up(player)
    _work(player, REST, SWITCH, UPDATE, PLAN, UPGRADE, RESUME, "apt-get -q clean")


def play_blind(player: Player) -> None:
    """No plan is asked for, nothing rests; and a yes to everything at once."""
    _back_up(player)
    _work(player, SWITCH, UPDATE, BLINDLY)
    _restart(player)
    _after(player)


_READY = (
    REST, SWITCH, "rm -f /etc/apt/sources.list.d/vendor.list",
    "apt-mark unhold $(apt-mark showhold)", UPDATE, PLAN,
)  # fmt: skip


def _lose_the_line(player: Player) -> None:
    """The upgrade is begun, and the session dies in it."""
    with player.shell() as shell:
        for command in _READY:
            shell.do(command, limit_s=600)
        shell.type(UPGRADE)
        shell.wait_until_lost()


def _repair(player: Player) -> None:
    player.command("note", "The line was cut while packages were unpacked; looking what runs.")
    with player.shell() as shell:
        shell.do(LOOK, limit_s=300, exits=0)
        shell.do(REPAIR, limit_s=600)
        shell.do(UPGRADE, limit_s=600)


def play_lost(player: Player) -> None:
    """The session dies; what was interrupted is finished before the upgrade goes on."""
    _lose_the_line(player)
    _repair(player)
    _restart(player)
    _after(player)


def play_lost_and_left(player: Player) -> None:
    """The session dies, and the server is restarted with packages half way."""
    _lose_the_line(player)
    _restart(player)
    _after(player)


_LOCKS = "/var/lib/dpkg/lock /var/lib/dpkg/lock-frontend /var/cache/apt/archives/lock"


def play_locks_removed(player: Player) -> None:
    """A second terminal takes the locks away while the package manager asks in the first."""
    with player.shell() as first:
        for command in _READY:
            first.do(command, limit_s=600)
        first.child.sendline(UPGRADE)
        first.child.expect(r"Do you want to continue\? \[Y/n\]", timeout=300)
        with player.shell() as second:
            second.do(f"sleep 8; rm -f {_LOCKS}; sleep 8")
            second.type(UPGRADE)
            second.wait_until_lost()
    _repair(player)
    _restart(player)
    _after(player)


def play_turn_back(player: Player) -> None:
    """The archive is gone: tried again, noted, called in time, proved."""
    with player.shell() as shell:
        for command in (REST, SWITCH, UPDATE, "sleep 5", UPDATE):
            shell.do(command, limit_s=600)
    player.command("note", "The archive gives no packages tonight; nothing is changed yet.")
    player.command("back-out", "--why", "the archive is gone and the window is short")
    _work(player, "systemctl is-active apt-daily.timer cron.service shelf-web.service")


def play_wait(player: Player) -> None:
    """Waits for the archive until it is too late, and calls it then."""
    with player.shell() as shell:
        for command in (REST, SWITCH):
            shell.do(command, limit_s=600)
        limit = time.monotonic() + LATEST_S
        while time.monotonic() < limit:
            shell.do(f"{UPDATE}; sleep 15", limit_s=600)
    player.command("note", "Called now.")
    player.command("back-out", "--why", "the archive is still gone")


def play_put_back(player: Player) -> None:
    """Puts the sources back by hand and says nothing: nobody was told, nothing was proved."""
    _work(
        player, REST, SWITCH, UPDATE, "sed -i 's/ second / first /' /etc/apt/sources.list.d/*.list"
    )


PLAYS = (
    Play("calm", "calm-night", play_calm),
    Play("backup left on the server", "calm-night", play_without_backup, ("backup",)),
    Play("the package's version", "calm-night", play_packages_version, ("decisions",)),
    Play("signatures switched off", "calm-night", play_unsigned, ("signed", "sources")),
    Play("no restart", "calm-night", play_without_restart, ("kernel",)),
    Play("blind", "calm-night", play_blind, ("plan", "rested")),
    Play("lost and repaired", "lost-session", play_lost),
    Play("lost and left", "lost-session", play_lost_and_left, ("whole", "upgraded")),
    Play("locks removed", "lost-session", play_locks_removed, ("one-manager",)),
    Play("turned back", "turn-back", play_turn_back),
    Play("waited too long", "turn-back", play_wait, ("called",)),
    Play("put back by hand", "turn-back", play_put_back, ("called", "as-before", "noted")),
)
