"""A whole walk over a fake clone: every action, its record, and what is left to say."""

from __future__ import annotations

import hashlib
import io
import tarfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.errors import HypervisorFailed, Interrupted
from forerun.events import Event, StepFinished, StepStarted
from forerun.model.observation import KeptFile, Outcome, StepEnd
from forerun.model.profile import (
    Action,
    Check,
    OnFailure,
    Profile,
    PromptRule,
    ReleaseMark,
    Site,
    SourcePlan,
    Stage,
    Step,
    UnknownPrompt,
)
from forerun.ports.gateway import GatewayReading, UrlMeter
from forerun.ports.hypervisor import BlockCounts
from forerun.ports.labhost import LabHost
from forerun.ports.prober import Prober
from forerun.ports.ssh import ExecResult
from forerun.stages.build import Clone
from forerun.stages.examine import find_kept_files, judge_removals
from forerun.stages.measure import DiskWatch, StepMeter
from forerun.stages.rehearse import Rehearsal
from forerun.stages.seed import Keys
from forerun.stages.session import PromptPolicy
from forerun.stages.upgrade import WalkEnd
from forerun.testing import FakeClock, FakeGuest, FakeTurn

MAC = "52:54:00:00:00:01"
LINK = "/sys/class/net/ens3"
STAT = b"cpu  100 0 100 5000 0 0 0 0 0 0\n"
ORIGIN_S = 50.0


class FakeGateway:
    """A gateway that has served what a test says."""

    port = 40080

    def __init__(self) -> None:
        self.counted = GatewayReading()

    def reading(self) -> GatewayReading:
        return self.counted

    def meters(self) -> tuple[UrlMeter, ...]:
        return ()


class Keep:
    """A sink that keeps what it is told."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def emit(self, event: Event) -> None:
        self.events.append(event)

    def close(self) -> None:
        pass


def make_step(name: str, action: Action = Action.COMMANDS, **fields: object) -> Step:
    return Step(name, name.title(), Stage.WINDOW, action, 600.0, **fields)  # type: ignore[arg-type]


def make_profile(steps: Sequence[Step], **fields: object) -> Profile:
    whole = Profile(
        name="one-to-two",
        title="",
        origin=ReleaseMark("debian", "1", "one"),
        target=ReleaseMark("debian", "2", "two"),
        steps=tuple(steps),
        prompts=(PromptRule("go-on", r"Go on\? \[y/n\] ?$", "y", "It must."),),
        checks=(),
        sources=SourcePlan((("one", "two"),), "/k.gpg", ("AB" * 20,)),
        unknown_prompt=UnknownPrompt.STOP,
        quiet_s=4.0,
        environment=(("LC_ALL", "C.UTF-8"),),
        rest_units=("cron.service",),
        digest="",
        path="",
    )
    return replace(whole, **fields)  # type: ignore[arg-type]


class Stage1:
    """A rehearsal with every port faked, ready to be run."""

    def __init__(
        self, folder: Path, profile: Profile, site: Site | None = None, *, chosen: str = ""
    ) -> None:
        self.clock = FakeClock()
        self.clock.sleep(ORIGIN_S)
        self.guest = FakeGuest(
            self.clock,
            files={
                "/proc/stat": STAT,
                "/proc/mounts": b"/dev/vda1 / ext4 rw 0 0\n",
                f"{LINK}/statistics/rx_bytes": b"1000\n",
                f"{LINK}/statistics/rx_packets": b"10\n",
            },
            answers={"grep -lixF": f"{LINK}/address\n"},
        )
        self.gateway = FakeGateway()
        self.sink = Keep()
        self.folder = folder
        site = site or Site()
        clone = Clone(
            "forerun-run-1", "run-1", folder, folder / "console.log", (), self.guest,
            Keys("", "", "", ""), MAC, 1.0,
        )  # fmt: skip
        self.disk = DiskWatch(self.guest, self.clock, origin_s=ORIGIN_S)
        self.rehearsal = Rehearsal(
            clone,
            profile,
            site,
            policy=PromptPolicy(site.prompts, profile.prompts, profile.unknown_prompt, 4.0),
            meter=StepMeter(
                self.guest,
                self.gateway,
                LabHost(),
                self.clock,
                host_cpu=lambda: 0.0,
                blocks=BlockCounts,
                sent=self.guest.sent_bytes,
                mac=MAC,
            ),
            disk=self.disk,
            prober=Prober((), clock=self.clock, origin_s=ORIGIN_S),
            clock=self.clock,
            sink=self.sink,
            folder=folder,
            origin_s=ORIGIN_S,
            expected_s={"go": 12.5},
            chosen=chosen.split(),
            is_running=lambda: True,
        )

    def run(self) -> WalkEnd:
        return self.rehearsal.run()

    @property
    def ends(self) -> list[tuple[str, StepEnd]]:
        return [(record.name, record.end) for record in self.rehearsal.observed.steps]


DPKG_LOG = b"""\
2026-01-31 21:00:00 upgrade old:amd64 1 2
2026-01-31 21:00:00 status installed old:amd64 2
2026-01-31 22:10:00 upgrade nano:amd64 7.2-1 8.4-1
2026-01-31 22:10:00 status half-configured nano:amd64 7.2-1
2026-01-31 22:10:00 status unpacked nano:amd64 7.2-1
2026-01-31 22:10:02 status unpacked nano:amd64 8.4-1
2026-01-31 22:10:03 configure nano:amd64 8.4-1 <none>
2026-01-31 22:10:03 status half-configured nano:amd64 8.4-1
2026-01-31 22:10:04 status installed nano:amd64 8.4-1
"""


def make_whole_profile() -> Profile:
    check = Check("web", "Web", "true", before=True, after=True)
    return make_profile(
        [
            make_step("look", Action.CHECKS, checks="before"),
            make_step("keep", Action.KEEP_CONFIGURATION),
            make_step("rest", Action.QUIESCE),
            make_step("go", script="apt-get dist-upgrade", downloads=True, changes_packages=True),
            make_step("wake", Action.RESUME),
            make_step("again", Action.CHECKS, checks="after"),
        ],
        checks=(check,),
    )


def test_a_whole_procedure_is_walked_and_recorded(tmp_path: Path) -> None:
    """Every action in order; prompts, checks, packages, leftovers and units that failed are
    all in what was observed, and every step was announced and concluded."""
    scene = Stage1(tmp_path, make_whole_profile(), Site(rest_units=("web.service",)))
    guest = scene.guest
    guest.sessions["go"] = (
        FakeTurn("Need to get 5,000 B of archives.\nGo on? [y/n] ", waits="apt-get"),
        FakeTurn("Setting up nano\n", after_s=30.0, exit_code=0),
    )

    def answer_checks(_script: str) -> ExecResult:
        first = guest.files["/run/forerun-checks"].decode().split("\n", 1)[0]
        return ExecResult(0, f"{first[2:]} 0 0\nwell\n".encode(), b"")

    backup = make_backup()
    guest.files["/var/tmp/forerun-configuration.tar"] = backup
    guest.answers |= {
        "forerun-checks": answer_checks,
        "sha256sum": f"{hashlib.sha256(backup).hexdigest()}  x\n{len(backup)}\n",
        "systemctl stop": "stopped cron.service\nstopped web.service\n",
        "systemctl start": "active cron.service\nactive web.service\n",
        "date '+": "2026-01-31 22:00:00\n",
        "-printf '%s %p": "120 /etc/ssh/sshd_config.dpkg-dist\n",
        "/etc/os-release": "Two 2.1\n",
        "systemctl --failed": "quota.service loaded failed failed Quotas\n",
    }
    guest.files["/var/log/dpkg.log"] = DPKG_LOG
    scene.rehearsal.note_log_start()
    end = scene.run()
    observed = scene.rehearsal.observed
    assert end.outcome is Outcome.COMPLETED
    assert scene.ends == [
        (name, StepEnd.DONE) for name in ("look", "keep", "rest", "go", "wake", "again")
    ]
    assert [(met.step, met.rule, met.answer) for met in observed.prompts] == [("go", "go-on", "y")]
    assert [(c.name, c.moment, c.result) for c in observed.checks] == [
        ("web", "before", "pass"),
        ("web", "after", "pass"),
    ]
    assert [(p.name, p.kind, p.old, p.new) for p in observed.packages] == [
        ("nano", "upgraded", "7.2-1", "8.4-1")
    ], "what dpkg did before the rehearsal belongs to the template"
    assert [k.path for k in observed.kept_files] == ["/etc/ssh/sshd_config.dpkg-dist"]
    assert observed.release_after == "Two 2.1"
    assert [s.title for s in observed.seen] == ["The unit quota.service has failed."]
    started = [e for e in scene.sink.events if isinstance(e, StepStarted)]
    assert [(e.step, e.number, e.of) for e in started] == [
        (name, n, 6) for n, name in enumerate(("look", "keep", "rest", "go", "wake", "again"), 1)
    ]
    assert next(e for e in started if e.step == "go").expected_s == 12.5
    finished = [e for e in scene.sink.events if isinstance(e, StepFinished)]
    assert [e.end for e in finished] == ["done"] * 6
    rested = next(script for script in guest.ran if "systemctl start" in script)
    assert "cron.service web.service" in rested, "the profile's units and the site's"


def make_backup() -> bytes:
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        for name in ("etc/passwd", "var/lib/dpkg/status", "package-selections"):
            tar.addfile(tarfile.TarInfo(name))
    return packed.getvalue()


def test_a_step_is_timed_on_the_lab_hosts_clock(tmp_path: Path) -> None:
    """Start counts from the run's start; the wall time is the session's, to one look."""
    scene = Stage1(tmp_path, make_profile([make_step("go")]))
    scene.guest.sessions["go"] = (FakeTurn("x\n"), FakeTurn(after_s=90.0, exit_code=0))
    scene.run()
    (record,) = scene.rehearsal.observed.steps
    assert record.started_s == 0.0
    assert 90.0 <= record.wall_s < 91.0
    assert len(scene.disk.samples) > 10, "the disks were sampled meanwhile"
    assert (tmp_path / "terminal.log").read_bytes() == b"\n=== window: go ===\nx\n"


def test_cpu_and_download_are_differences(tmp_path: Path) -> None:
    """CPU seconds of the clone and bytes of gateway and wire are those of the step alone."""
    scene = Stage1(tmp_path, make_profile([make_step("go")]))
    scene.gateway.counted = GatewayReading(5, 100, 100, 100, 100, 100)

    original = scene.guest.start_session

    def start(name: str, script: str, environment: dict[str, str]) -> None:
        original(name, script, environment)
        scene.guest.files["/proc/stat"] = b"cpu  300 0 150 5000 0 0 0 0 0 0\n"
        scene.guest.files[f"{LINK}/statistics/rx_bytes"] = b"9000\n"
        scene.guest.files[f"{LINK}/statistics/rx_packets"] = b"30\n"
        scene.gateway.counted = GatewayReading(9, 7100, 300, 6100, 1100, 500)

    scene.guest.start_session = start  # type: ignore[method-assign]
    scene.run()
    (record,) = scene.rehearsal.observed.steps
    assert record.guest_cpu_s == 2.5
    assert record.download is not None
    assert (record.download.requests, record.download.gateway_bytes) == (4, 7000)
    assert (record.download.wire_bytes, record.download.wire_packets) == (8000, 20)


def test_a_failed_step_ends_the_walk_with_its_last_lines(tmp_path: Path) -> None:
    """Failure on the clone is a result: no exception, the rest of the record is kept."""
    scene = Stage1(tmp_path, make_profile([make_step("go"), make_step("never")]))
    scene.guest.sessions["go"] = (FakeTurn("E: broken\n", exit_code=100),)
    end = scene.run()
    assert end == WalkEnd(Outcome.FAILED, "go failed: exit code 100, wanted 0")
    assert scene.ends == [("go", StepEnd.FAILED)]
    assert scene.rehearsal.observed.steps[0].last_lines == ("E: broken",)


def test_an_undeclared_question_abandons_the_run(tmp_path: Path) -> None:
    """By the profile's policy `stop`; the question is in the record."""
    scene = Stage1(tmp_path, make_profile([make_step("go"), make_step("never")]))
    scene.guest.sessions["go"] = (FakeTurn("Wipe it? ", waits="tool"),)
    end = scene.run()
    assert end.outcome is Outcome.ABANDONED
    assert "Wipe it?" in end.why
    assert [met.declared for met in scene.rehearsal.observed.prompts] == [False]


def test_a_clone_that_goes_away_is_unreachable(tmp_path: Path) -> None:
    """Even in a go-on step; the examination afterwards does not raise either."""
    steps = [make_step("go", on_failure=OnFailure.GO_ON), make_step("never")]
    scene = Stage1(tmp_path, make_profile(steps))
    original = scene.guest.start_session

    def start(name: str, script: str, environment: dict[str, str]) -> None:
        original(name, script, environment)
        scene.guest.lost = True

    scene.guest.start_session = start  # type: ignore[method-assign]
    end = scene.run()
    assert end.outcome is Outcome.FAILED
    assert scene.ends == [("go", StepEnd.UNREACHABLE)]


@pytest.mark.parametrize("problem", [HypervisorFailed("gone"), Interrupted("Ctrl-C")])
def test_trouble_of_the_lab_host_is_raised_and_the_step_kept(
    tmp_path: Path, problem: BaseException
) -> None:
    """Not the clone's fault: raised on, with the cut step in what was observed."""
    scene = Stage1(tmp_path, make_profile([make_step("go")]))

    def start(name: str, script: str, environment: dict[str, str]) -> None:
        scene.clock.sleep(7.0)
        raise problem

    scene.guest.start_session = start  # type: ignore[method-assign]
    with pytest.raises(type(problem)):
        scene.run()
    (record,) = scene.rehearsal.observed.steps
    assert (record.end, record.wall_s) == (StepEnd.STOPPED, 7.0)


def test_an_interruption_while_meters_are_read_is_not_swallowed(tmp_path: Path) -> None:
    """Meters shrug off a clone that is away; Ctrl-C at that moment must still stop the run."""
    scene = Stage1(tmp_path, make_profile([make_step("go")]))
    scene.guest.sessions["go"] = (FakeTurn(after_s=100.0, exit_code=0),)

    def room(path: str) -> object:
        raise Interrupted("Ctrl-C")

    scene.guest.room = room  # type: ignore[method-assign, assignment]
    with pytest.raises(Interrupted):
        scene.run()


def test_nothing_stopped_is_nothing_to_start(tmp_path: Path) -> None:
    """Resume after a quiesce that found nothing active is skipped, and says so."""
    profile = make_profile([make_step("rest", Action.QUIESCE), make_step("wake", Action.RESUME)])
    scene = Stage1(tmp_path, profile)
    assert scene.run().outcome is Outcome.COMPLETED
    assert scene.ends == [("rest", StepEnd.DONE), ("wake", StepEnd.SKIPPED)]


def test_planned_removals_are_judged(tmp_path: Path) -> None:
    """What somebody installed on purpose is missed, unless the plan brings its renamed
    successor; the rest is listed once. Versions as seen in a 12 to 13 upgrade."""
    scene = Stage1(
        tmp_path,
        make_profile([make_step("plan", Action.SIMULATE)]),
        chosen="webmailer nano libdb5.3 libkept5",
    )
    scene.guest.answers |= {
        "apt-get -s": "Remv webmailer [1.4-1]\nRemv libold1 [1]\nRemv libold2 [2]\n"
        "Remv libdb5.3 [5.3.28+dfsg2-1]\nRemv libkept5 [5]\n"
        "Inst libdb5.3t64 (5.3.28+dfsg2-9 Debian:13.8/stable [amd64])\n"
        "0 upgraded, 1 newly installed, 5 to remove and 0 not upgraded.\n",
    }
    scene.run()
    assert [(s.severity, s.title) for s in scene.rehearsal.observed.seen] == [
        ("service down", "The upgrade removes the package webmailer."),
        ("service down", "The upgrade removes the package libkept5."),
        (
            "cosmetic",
            "The upgrade removes 3 packages that came as dependencies or have a successor.",
        ),
    ]


def test_no_removal_is_nothing_to_say() -> None:
    """An empty plan gives no finding."""
    assert judge_removals([], {"a"}, ()) == ()


def test_kept_files_are_found_beside_the_one_in_use() -> None:
    """dpkg and ucf write NAME.dpkg-dist, NAME.ucf-old, ...: sorted by path; blanks in names
    stay; what is no `SIZE PATH` line is no file."""
    listing = "12 /etc/z.conf.dpkg-new\n7 /etc/a b.ucf-old\nfind: error\n\n"
    assert find_kept_files(listing) == (
        KeptFile("/etc/a b.ucf-old", "/etc/a b", 7),
        KeptFile("/etc/z.conf.dpkg-new", "/etc/z.conf", 12),
    )
