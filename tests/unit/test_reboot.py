"""A reboot of the clone: cut into parts, waited for, given up."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from forerun.errors import CloneUnreachable, LinkLost, ProductionUnreachable
from forerun.model.observation import StepEnd
from forerun.model.profile import ServiceProbe
from forerun.stages.reboot import (
    BootAccount,
    ConsoleWatch,
    Reboot,
    RebootTimes,
    cut_reboot,
    have_given_up,
    read_boot_account,
    read_journal_gap,
)
from forerun.testing import FakeClock, FakeGuest

BEFORE = BootAccount(-900.0, 3.0, 20.0, "6.1.0-1", "old")


class Rebooting(FakeGuest):
    """A clone that goes down 3 s after it is asked to, is a kernel again 10 s after, and
    answers 25 s after; its service manager is done 40 s after the kernel's start."""

    def __init__(self, clock: FakeClock, *, comes_back: bool = True) -> None:
        super().__init__(clock)
        self.asked_s: float | None = None
        self.comes_back = comes_back
        self.troubles: list[Exception] = []
        self.connected_while_down = 0

    def since(self) -> float:
        return -1.0 if self.asked_s is None else self.clock.at_s - self.asked_s

    def is_up(self) -> bool:
        return self.since() < 3 or (self.comes_back and self.since() >= 25)

    def connect(self, *, patience_s: float, alive: Callable[[], bool] = lambda: True) -> None:
        if self.troubles:
            raise self.troubles.pop(0)
        limit = self.clock.at_s + patience_s
        while not self.is_up():
            if not alive():
                raise CloneUnreachable("The clone powered off instead of answering.")
            if self.clock.at_s > limit:
                raise CloneUnreachable(f"The clone did not answer in {patience_s:.0f} s.")
            self.clock.sleep(0.5)

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        if not self.is_up():
            raise CloneUnreachable("gone")
        again = self.since() >= 25
        if path == "/proc/uptime":
            uptime = self.since() - 10 if again else self.clock.at_s + 900
            return f"{uptime:.2f} 1.0\n".encode()
        assert path == "/proc/sys/kernel/random/boot_id"
        return b"new\n" if again else b"old\n"

    def run(self, script: str, *, timeout_s: float):  # type: ignore[no-untyped-def]
        if "systemctl reboot" in script:
            self.asked_s = self.clock.at_s
        finish = 40_000_000 if self.since() >= 50 or self.asked_s is None else 0
        kernel = "6.12.0-2" if self.since() >= 25 else "6.1.0-1"
        self.answers["systemctl show"] = (
            f"UserspaceTimestampMonotonic=6500000\nFinishTimestampMonotonic={finish}\n{kernel}\n"
        )
        return super().run(script, timeout_s=timeout_s)


def make(
    guest: Rebooting,
    tmp_path: Path,
    *,
    silent: Callable[[float], tuple[ServiceProbe, ...]] = lambda _since: (),
    running: Callable[[], bool] = lambda: True,
) -> Reboot:
    return Reboot(
        guest,
        tmp_path / "console.log",
        guest.clock,
        origin_s=0.0,
        find_silent=silent,
        is_running=running,
    )


def test_a_reboot_is_cut_where_the_clone_says(tmp_path: Path) -> None:
    """Kernel and user space from the service manager's own stamps, the rest by the lab
    host's clock; without a console the note says what is not known."""
    guest = Rebooting(FakeClock())
    guest.clock.sleep(100)
    done, split = make(guest, tmp_path).run(allowed_s=600)
    assert done.end is StepEnd.DONE
    assert split is not None
    assert (split.kernel_before, split.kernel_after) == ("6.1.0-1", "6.12.0-2")
    assert split.requested_s == 100
    assert split.down_s == pytest.approx(10, abs=0.02)
    assert (split.kernel_s, split.userspace_s) == (6.5, 33.5)
    assert 25 <= split.ssh_s <= 26
    assert split.total_s == pytest.approx(50, abs=2)
    assert "console" in split.note


def test_the_parts_add_up_to_the_total() -> None:
    """Whatever the instants, the five parts are the whole, to rounding (5 x 0.005 s)."""
    dice = random.Random(5)
    for _ in range(500):
        requested = dice.uniform(0, 5000)
        down = requested + dice.uniform(0, 60)
        zero = down + dice.uniform(0, 30)
        userspace = dice.uniform(1, 20)
        finish = userspace + dice.uniform(0, 100)
        ready = dice.choice([None, zero + finish + dice.uniform(-20, 60)])
        seen = dice.choice([{}, {"down": down}])
        account = BootAccount(zero, userspace, finish, "k2", "new")
        _, split = cut_reboot(
            BEFORE, account, RebootTimes(requested, zero + 5, ready), seen, origin_s=0.0
        )
        parts = (
            split.down_s, split.loader_s, split.kernel_s, split.userspace_s, split.settle_s,
        )  # fmt: skip
        assert sum(parts) == pytest.approx(split.total_s, abs=0.031)
        assert all(part >= 0 for part in parts)


def test_the_console_tells_the_loader_from_going_down() -> None:
    """With the console's stamp the firmware's and loader's time stands on its own."""
    account = BootAccount(112.0, 6.0, 30.0, "k2", "new")
    times = RebootTimes(100.0, 120.0, 150.0)
    done, split = cut_reboot(BEFORE, account, times, {"down": 104.0}, origin_s=90.0)
    assert (split.down_s, split.loader_s, split.settle_s) == (4.0, 8.0, 8.0)
    assert (split.requested_s, split.ready_s, split.total_s) == (10.0, 50.0, 50.0)
    assert (split.note, done.message) == ("", "6.1.0-1 -> k2, 50 s")


LISTING = ServiceProbe("listing", 80, "http", units=("nginx.service",))
LOGINS = ServiceProbe("logins", 22, "banner", units=("ssh.service", "ssh.socket"))


def test_services_that_stay_away_are_said(tmp_path: Path) -> None:
    """The reboot is done; the message and `ready_s` say which did not come back. A unit
    that is still starting is given its time."""
    guest = Rebooting(FakeClock())
    guest.answers["systemctl is-active"] = "activating\n"
    done, split = make(guest, tmp_path, silent=lambda _since: (LISTING,)).run(allowed_s=600)
    assert split is not None
    assert (done.end, split.ready_s) == (StepEnd.DONE, -1.0)
    assert "not back: listing" in done.message
    assert 110 <= guest.clock.at_s < 115, "50 s of booting and 60 s of patience"


def test_a_service_whose_unit_failed_is_not_waited_for(tmp_path: Path) -> None:
    """The service manager has given it up: the result is the same, and no minute is lost."""
    guest = Rebooting(FakeClock())
    guest.answers["systemctl is-active"] = "failed\n"
    done, split = make(guest, tmp_path, silent=lambda _since: (LISTING,)).run(allowed_s=600)
    assert split is not None
    assert (done.end, split.ready_s) == (StepEnd.DONE, -1.0)
    assert "not back: listing" in done.message
    assert 50 <= guest.clock.at_s < 60


@pytest.mark.parametrize(
    ("services", "states", "expected"),
    [
        ((LISTING,), "failed", True),
        ((LISTING,), "inactive", True),
        ((LISTING,), "activating", False),
        ((LISTING,), "active", False),
        ((LISTING,), "", False),
        ((LOGINS,), "failed inactive", True),
        ((LOGINS,), "inactive inactive", True),
        ((LOGINS,), "inactive active", False),
        ((LISTING, LOGINS), "failed failed active", True),
        ((LISTING, LOGINS), "active failed active", False),
        ((LISTING, ServiceProbe("agent", 9, "tcp")), "failed", False),
    ],
)
def test_what_the_service_manager_has_given_up(
    services: tuple[ServiceProbe, ...], states: str, expected: bool
) -> None:
    """A failed unit, or all units at rest: nothing will come by itself. Without units, or
    without an answer, nothing is known (org.freedesktop.systemd1(5), ActiveState)."""
    guest = FakeGuest(
        FakeClock(), answers={"systemctl is-active": states.replace(" ", "\n") + "\n"}
    )
    assert have_given_up(guest, services) is expected


def test_a_clone_that_does_not_come_back_is_a_result(tmp_path: Path) -> None:
    """After the time allowed: unreachable, with the console's last lines for a reader."""
    (tmp_path / "console.log").write_text("boot\nKernel panic - not syncing\n")
    guest = Rebooting(FakeClock(), comes_back=False)
    done, split = make(guest, tmp_path).run(allowed_s=300)
    assert (done.end, split) == (StepEnd.UNREACHABLE, None)
    assert done.lines[-1] == "Kernel panic - not syncing"
    assert 300 <= guest.clock.at_s < 310


def test_a_clone_that_powers_off_is_not_waited_for(tmp_path: Path) -> None:
    """When the hypervisor says it is gone, the wait ends at once."""
    guest = Rebooting(FakeClock(), comes_back=False)
    done, _ = make(guest, tmp_path, running=lambda: False).run(allowed_s=300)
    assert done.end is StepEnd.UNREACHABLE
    assert guest.clock.at_s < 10


@pytest.mark.parametrize("trouble", [LinkLost("cut"), ProductionUnreachable("refused")])
def test_the_old_system_may_cut_the_line_while_it_goes_down(
    tmp_path: Path, trouble: Exception
) -> None:
    """A connection that is lost halfway says nothing about the new boot: ask again."""
    guest = Rebooting(FakeClock())
    guest.troubles = [trouble, trouble]
    done, split = make(guest, tmp_path).run(allowed_s=600)
    assert done.end is StepEnd.DONE
    assert split is not None


def test_a_boot_that_never_finishes_has_overrun() -> None:
    """A hanging start job leaves no "finished" stamp: user space is unknown (-1), not a
    negative time, and the step did not end well."""
    account = BootAccount(112.0, 6.0, 0.0, "k2", "new")
    done, split = cut_reboot(
        BEFORE, account, RebootTimes(100.0, 120.0, None), {"down": 104.0}, origin_s=0.0
    )
    assert done.end is StepEnd.OVERRAN
    assert (split.userspace_s, split.own_userspace_s, split.settle_s) == (-1.0, -1.0, -1.0)
    assert (split.kernel_s, split.total_s) == (6.0, 20.0)
    assert "not finished" in split.note


def test_the_boot_account_is_put_on_the_lab_hosts_clock() -> None:
    """systemd's monotonic stamps are microseconds since the kernel's start (org.freedesktop
    .systemd1(5)); /proc/uptime says when that was."""
    clock = FakeClock()
    clock.sleep(1000)
    guest = FakeGuest(
        clock,
        files={"/proc/uptime": b"250.50 10.0\n", "/proc/sys/kernel/random/boot_id": b"b-1\n"},
        answers={
            "systemctl show": "UserspaceTimestampMonotonic=4250000\n"
            "FinishTimestampMonotonic=0\n6.1.0-1\n"
        },
    )
    account = read_boot_account(guest, clock)
    assert account == BootAccount(749.5, 4.25, 0.0, "6.1.0-1", "b-1")


# -- the console


def test_the_console_is_stamped_as_it_grows(tmp_path: Path) -> None:
    """The kernel's last line, then the loader: each at its first sight, also when a line
    comes in two pieces."""
    log, clock = tmp_path / "console.log", FakeClock()
    log.write_bytes(b"earlier boot\nreboot: Restarting system\nGRUB\n")
    watch = ConsoleWatch(log, clock)
    watch.look()
    assert watch.seen == {}, "what was there before does not count"
    for at, text in ((5.0, b"[ 99.1] reboot: Rest"), (6.0, b"arting system\n"), (9.0, b"GRUB\n")):
        clock.sleep(at - clock.at_s)
        with log.open("ab") as stream:
            stream.write(text)
        watch.look()
    clock.sleep(10)
    watch.look()
    assert watch.seen == {"down": 6.0, "loader": 9.0}


def test_a_loader_before_the_end_is_none(tmp_path: Path) -> None:
    """`GRUB` in the old system's own words (its package is being configured) is no loader."""
    log, clock = tmp_path / "console.log", FakeClock()
    watch = ConsoleWatch(log, clock)
    watch.look()  # no file yet: no trouble
    log.write_bytes(b"Installing GRUB\n")
    watch.look()
    assert watch.seen == {}


def test_the_thread_ends_with_the_block(tmp_path: Path) -> None:
    """Leaving the context leaves no thread behind."""
    with ConsoleWatch(tmp_path / "console.log", FakeClock()) as watch:
        assert watch._thread.is_alive()
    assert not watch._thread.is_alive()


@pytest.mark.parametrize(
    ("said", "gap_s"),
    [
        (
            "IDX BOOT ID                          FIRST ENTRY                 LAST ENTRY\n"
            " -1 0123456789abcdef0123456789abcdef Sat 2026-01-31 22:00:00 UTC "
            "Sat 2026-01-31 22:10:00 UTC\n"
            "  0 fedcba9876543210fedcba9876543210 Sat 2026-01-31 22:10:22 UTC "
            "Sat 2026-01-31 22:11:00 UTC\n",
            22.0,
        ),
        (
            "  0 fedcba9876543210fedcba9876543210 Sat 2026-01-31 22:10:22 UTC "
            "Sat 2026-01-31 22:11:00 UTC\n",
            -1.0,
        ),
        ("no journal files were found", -1.0),
    ],
)
def test_the_gap_between_two_journals(said: str, gap_s: float) -> None:
    """By `journalctl --list-boots`, as on production; none where only one start is known."""
    guest = FakeGuest(FakeClock(), answers={"list-boots": said})
    assert read_journal_gap(guest) == gap_s
    guest.lost = True
    assert read_journal_gap(guest) == -1.0
