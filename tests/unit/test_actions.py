"""The built-in actions: checks, the configuration backup, resting units, sources, the plan."""

from __future__ import annotations

import gzip
import hashlib
import io
import re
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest

from forerun.model.observation import CheckResult, StepEnd
from forerun.model.profile import Check, SourcePlan
from forerun.ports.command import LocalCommand
from forerun.ports.ssh import ExecResult
from forerun.stages.actions import (
    BACKUP_FILE,
    OUTPUT_LIMIT,
    conclude_checks,
    count_stored,
    judge_check,
    keep_configuration,
    quiesce,
    resume,
    run_checks,
    simulate,
    switch_sources,
)
from forerun.testing import FakeClock, FakeGuest

RECORDED = Path(__file__).parents[1] / "data" / "recorded"


def make_guest() -> FakeGuest:
    return FakeGuest(FakeClock())


def make_check(name: str = "one", **fields: object) -> Check:
    return Check(name, name.title(), "true", **fields)  # type: ignore[arg-type]


# -- checks


def answer_checks(
    guest: FakeGuest, outcomes: dict[int, tuple[int, str]]
) -> Callable[[str], ExecResult]:
    """What the composed script prints on the clone: a head with the script's own mark,
    the check's number and its exit code, then its output."""

    def answer(_script: str) -> ExecResult:
        script = guest.files["/run/forerun-checks"].decode()
        mark = re.search(r"^m=(\S+)$", script, re.MULTILINE)
        assert mark
        parts = [f"{mark[1]} {n} {code}\n{text}\n" for n, (code, text) in outcomes.items()]
        return ExecResult(0, "".join(parts).encode(), b"")

    return answer


def test_checks_share_one_run_and_keep_their_outputs() -> None:
    """Each check gets its own exit code and output back, in the profile's order."""
    guest = make_guest()
    guest.answers["forerun-checks"] = answer_checks(
        guest, {0: (0, "two\nlines"), 1: (1, "broken: x"), 2: (77, "no such service")}
    )
    found = run_checks(guest, [make_check("a"), make_check("b"), make_check("c")], moment="before")
    assert [(r.name, r.result, r.reason, r.output) for r in found] == [
        ("a", "pass", "", "two\nlines"),
        ("b", "fail", "broken: x", "broken: x"),
        ("c", "skipped", "no such service", "no such service"),
    ]
    assert {r.moment for r in found} == {"before"}
    assert len(guest.ran) == 1


def test_only_the_checks_of_the_moment_run() -> None:
    """`before: false` and `after: false` leave a check out; none left costs nothing."""
    early, late = make_check("early", after=False), make_check("late", before=False)
    guest = make_guest()
    guest.answers["forerun-checks"] = answer_checks(guest, {0: (0, "")})
    assert [r.name for r in run_checks(guest, [early, late], moment="after")] == ["late"]
    assert [r.name for r in run_checks(guest, [early, late], moment="before")] == ["early"]
    count = len(guest.ran)
    assert run_checks(guest, [late], moment="before") == ()
    assert len(guest.ran) == count


def test_a_check_without_an_answer_fails() -> None:
    """A clone that stops in the middle passes nothing it did not answer."""
    guest = make_guest()
    guest.answers["forerun-checks"] = answer_checks(guest, {0: (0, "")})
    found = run_checks(guest, [make_check("a"), make_check("b")], moment="before")
    assert [(r.result, r.reason) for r in found] == [
        ("pass", ""),
        ("fail", "no answer from the clone"),
    ]


@pytest.mark.tools
def test_the_composed_script_keeps_checks_apart_in_a_real_shell() -> None:
    """A POSIX shell and timeout(1) run it: quotes, output of any form, exit codes, a check
    that runs too long (124, as timeout(1) says) and one that floods its output."""
    guest = make_guest()
    shell = LocalCommand()

    def run(_script: str) -> ExecResult:
        script = guest.files["/run/forerun-checks"].decode()
        done = shell.run(["sh", "-c", script], timeout_s=60, check=False)
        return ExecResult(done.exit_code, done.stdout, done.stderr)

    guest.answers["forerun-checks"] = run
    checks = [
        Check("quotes", "", """printf '%s' "it's \\"so\\" %s \\$HOME"; exit 3""", exits=(3,)),
        Check("hang", "", "sleep 30", time_allowed_s=1),
        Check("flood", "", "head -c 100000 /dev/zero | tr '\\0' x"),
        Check("skip", "", "echo nothing to do; exit 77"),
        Check("reads", "", "cat; echo end"),
    ]
    quotes, hang, flood, skip, reads = run_checks(guest, checks, moment="after")
    assert (quotes.result, quotes.output) == ("pass", """it's "so" %s $HOME""")
    assert (hang.result, hang.reason) == ("fail", "not finished in 1 s")
    assert (flood.result, flood.output) == ("pass", "x" * OUTPUT_LIMIT)
    assert (skip.result, skip.reason) == ("skipped", "nothing to do")
    assert (reads.result, reads.output) == ("pass", "end"), "standard input is empty"


@pytest.mark.parametrize(
    ("check", "code", "output", "result", "reason"),
    [
        (make_check(), 0, "", "pass", ""),
        (make_check(), 1, "why\nmore", "fail", "why"),
        (make_check(), 4, "", "fail", "exit code 4"),
        (
            make_check(),
            1,
            'Traceback (most recent call last):\n  File "x", line 3\nKeyError: 4',
            "fail",
            "KeyError: 4",
        ),
        (make_check(exits=(0, 4)), 4, "", "pass", ""),
        (make_check(), 77, "", "skipped", "no reason given"),
        (make_check(exits=(77,)), 77, "", "pass", ""),
        (make_check(time_allowed_s=9.0), 124, "x", "fail", "not finished in 9 s"),
        (make_check(shows="ready"), 0, "is ready now", "pass", ""),
        (make_check(shows="ready"), 0, "is not", "fail", "'ready' is not in its output"),
        (make_check(shows_not="error"), 0, "an error", "fail", "'error' is in its output"),
        (make_check(shows_not="error"), 0, "fine", "pass", ""),
        (make_check(shows="ready"), 1, "ready", "fail", "ready"),
    ],
)
def test_a_check_is_judged_by_one_named_rule(
    check: Check, code: int, output: str, result: str, reason: str
) -> None:
    """Exit code first (77 is Automake's "skipped", 124 timeout(1)'s), then the texts."""
    found = judge_check(check, "after", code, output)
    assert (found.result, found.reason) == (result, reason)


def result(name: str, kind: str, severity: str = "must") -> CheckResult:
    return CheckResult(name, name, "before", kind, f"why {name}", severity)


def test_a_failed_must_fails_the_step() -> None:
    """The message counts all and names the musts; the lines name every failure."""
    done = conclude_checks(
        [result("a", "pass"), result("b", "fail"), result("c", "fail", "note"),
         result("d", "skipped")]
    )  # fmt: skip
    assert done.end is StepEnd.FAILED
    assert done.message == "1 passed, 2 failed, 1 skipped; must pass: b"
    assert done.lines == ("b: why b", "c: why c")


def test_a_failed_note_never_stops_a_run() -> None:
    """A note is said, and the step is done."""
    done = conclude_checks([result("c", "fail", "note")])
    assert (done.end, done.lines) == (StepEnd.DONE, ("c: why c",))


# -- the configuration backup


def write_backup(*, without: str = "") -> bytes:
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        for name in ("etc/passwd", "var/lib/dpkg/status", "package-selections", "etc/hosts"):
            if name != without:
                info = tarfile.TarInfo(name)
                info.size = len(name)
                tar.addfile(info, io.BytesIO(name.encode()))
    return packed.getvalue()


def backed_up(content: bytes, *, told: bytes | None = None) -> FakeGuest:
    """A clone whose backup file holds `content` and which says the digest of `told`."""
    guest = make_guest()
    guest.files[BACKUP_FILE] = content
    digest = hashlib.sha256(content if told is None else told).hexdigest()
    guest.answers["sha256sum"] = f"{digest}  {BACKUP_FILE}\n{len(content)}\n"
    return guest


def test_the_backup_is_fetched_compared_and_packed(tmp_path: Path) -> None:
    """The copy here has the bytes that the clone's own sha256sum saw."""
    content = write_backup() + b"\0" * (3 << 20)  # several chunks
    guest = backed_up(content)
    done = keep_configuration(guest, tmp_path, allowed_s=60)
    assert done.end is StepEnd.DONE
    assert done.message.startswith("4 files")
    assert [entry.name for entry in tmp_path.iterdir()] == ["configuration.tar.gz"]
    assert gzip.decompress((tmp_path / "configuration.tar.gz").read_bytes()) == content
    assert any(script.startswith(f"rm -f {BACKUP_FILE}") for script in guest.ran)


def test_altered_bytes_fail_the_backup(tmp_path: Path) -> None:
    """One flipped bit on the way, and the step fails with both digests."""
    content = bytearray(write_backup())
    told = bytes(content)
    content[700] ^= 1
    done = keep_configuration(backed_up(bytes(content), told=told), tmp_path, allowed_s=60)
    assert done.end is StepEnd.FAILED
    assert hashlib.sha256(told).hexdigest() in done.message
    assert hashlib.sha256(content).hexdigest() in done.message
    assert list(tmp_path.iterdir()) == []


def test_a_cut_backup_fails(tmp_path: Path) -> None:
    """A file that is shorter than the clone said is no backup."""
    whole = write_backup()
    guest = backed_up(whole)
    guest.files[BACKUP_FILE] = whole[:5000]
    assert keep_configuration(guest, tmp_path, allowed_s=60).end is StepEnd.FAILED
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["etc/passwd", "var/lib/dpkg/status", "package-selections"])
def test_a_backup_without_a_required_member_fails(tmp_path: Path, name: str) -> None:
    """What a return would need (Debian release notes, 4.1.1: /etc, dpkg's database, the
    selections) must be in it."""
    done = keep_configuration(backed_up(write_backup(without=name)), tmp_path, allowed_s=60)
    assert done.end is StepEnd.FAILED
    assert name in done.message
    assert list(tmp_path.iterdir()) == []


def test_a_backup_that_cannot_be_made_fails(tmp_path: Path) -> None:
    """The clone's own words are the message."""
    guest = make_guest()
    guest.answers["sha256sum"] = ExecResult(2, b"", b"tar: etc: Cannot open\n")
    done = keep_configuration(guest, tmp_path, allowed_s=60)
    assert (done.end, done.message) == (StepEnd.FAILED, "tar: etc: Cannot open")


# -- resting units


def test_quiesce_says_which_units_it_stopped() -> None:
    """Units that were not active are not in the list that is started again."""
    guest = make_guest()
    guest.answers["systemctl stop"] = "stopped cron.service\nstopped web.service\n"
    done, stopped = quiesce(guest, ["cron.service", "web.service", "idle.service"], allowed_s=60)
    assert (done.end, done.message) == (StepEnd.DONE, "2 of 3 were active")
    assert stopped == ["cron.service", "web.service"]


def test_quiesce_fails_on_a_unit_that_stays_active() -> None:
    """It is named, and those that did stop are still to be started again."""
    guest = make_guest()
    guest.answers["systemctl stop"] = "stopped cron.service\nstill active web.service\n"
    done, stopped = quiesce(guest, ["cron.service", "web.service"], allowed_s=60)
    assert (done.end, done.message) == (StepEnd.FAILED, "could not be stopped: web.service")
    assert stopped == ["cron.service"]


def test_resume_says_what_did_not_come_back() -> None:
    """A unit that is gone after the upgrade, or stays inactive, fails the step."""
    guest = make_guest()
    guest.answers["systemctl start"] = "active a.service\ngone b.service\ninactive c.service\n"
    done = resume(guest, ["a.service", "b.service", "c.service"], allowed_s=60)
    assert (done.end, done.message) == (StepEnd.FAILED, "gone b.service; inactive c.service")


def test_resume_counts_what_came_back() -> None:
    """All active again: done."""
    guest = make_guest()
    guest.answers["systemctl start"] = "active a.service\nactive b.service\n"
    done = resume(guest, ["a.service", "b.service"], allowed_s=60)
    assert (done.end, done.message) == (StepEnd.DONE, "2 started again")


def test_a_units_name_is_quoted() -> None:
    """A name from a YAML file is never spliced into a shell line."""
    guest = make_guest()
    quiesce(guest, ["a; touch /x.service"], allowed_s=60)
    assert "'a; touch /x.service'" in guest.ran[0]


# -- switching sources

KEY_BODY = b"\x04\x60\x00\x00\x00\x16" + bytes(range(40))
KEYRING = b"\xc6" + bytes([len(KEY_BODY)]) + KEY_BODY  # RFC 4880 4.2.2: new format, tag 6
# RFC 4880 12.2: SHA-1 over 0x99, a two-octet length, the packet's body.
FINGERPRINT = (
    hashlib.sha1(b"\x99" + len(KEY_BODY).to_bytes(2, "big") + KEY_BODY).hexdigest().upper()
)
PLAN = SourcePlan(
    (("one", "two"), ("one-security", "two-security")), "/k.gpg", ("AB" * 20, FINGERPRINT)
)
LIST = "/etc/apt/sources.list"
EXTRA = "/etc/apt/sources.list.d/more.list"
DEB822 = "/etc/apt/sources.list.d/debian.sources"


def with_sources(**files: str) -> FakeGuest:
    guest = make_guest()
    named = {LIST: files.get("main", ""), EXTRA: files.get("extra", "")}
    for path, text in named.items():
        if text:
            guest.files[path] = text.encode()
    guest.files["/k.gpg"] = KEYRING
    guest.answers["cd /etc/apt"] = "".join(f"{p}\n" for p, text in named.items() if text)
    return guest


def test_sources_are_switched_when_the_key_is_there() -> None:
    """The new file names the new suites; the old files are set aside."""
    guest = with_sources(main="deb http://archive.example/debian one main\n")
    done = switch_sources(guest, PLAN)
    assert done.end is StepEnd.DONE
    assert FINGERPRINT[-16:] in done.message
    text = guest.files[DEB822].decode()
    assert "Suites: two\n" in text
    assert "Signed-By: /k.gpg\n" in text
    assert guest.modes[DEB822] == 0o644, "apt's own user must be able to read it"
    assert f"mv {LIST} {LIST}.before-upgrade" in guest.ran
    assert guest.ran[-1] == "sync", "a power cut in the next seconds must not take the file"


def test_a_keyring_without_the_key_fails_and_changes_nothing() -> None:
    """Switching without the new release's key would end in an unverifiable archive."""
    guest = with_sources(main="deb http://archive.example/debian one main\n")
    guest.files["/k.gpg"] = KEYRING[:-1] + b"\x00"
    before = dict(guest.files)
    done = switch_sources(guest, PLAN)
    assert done.end is StepEnd.FAILED
    assert FINGERPRINT in done.message
    assert guest.files == before
    assert not any(script.startswith("mv ") for script in guest.ran)


def test_a_missing_keyring_fails_and_changes_nothing() -> None:
    """The keyring's path is in the message."""
    guest = with_sources(main="deb http://archive.example/debian one main\n")
    del guest.files["/k.gpg"]
    done = switch_sources(guest, PLAN)
    assert done.end is StepEnd.FAILED
    assert "/k.gpg" in done.message
    assert DEB822 not in guest.files


def test_doubled_and_unknown_sources_are_said() -> None:
    """What was there twice is joined and told; what no rule knows is disabled and told."""
    guest = with_sources(
        main="deb http://archive.example/debian one main\n"
        "deb http://vendor.example/apt stable main\n",
        extra="deb http://archive.example/debian/ one main\n",
    )
    done = switch_sources(guest, PLAN)
    assert done.end is StepEnd.DONE
    assert "1 doubled sources" in done.message
    assert any(line.startswith("was doubled:") and EXTRA in line for line in done.lines)
    assert any("no rule for it" in line and "vendor.example" in line for line in done.lines)
    assert "Enabled: no" in guest.files[DEB822].decode()


# -- the package manager's plan


def read_recorded(name: str) -> str:
    return gzip.decompress((RECORDED / name).read_bytes()).decode("utf-8")


def test_the_plan_is_told_as_apt_told_it() -> None:
    """Recorded `apt-get -s` output of a 578-package Debian 12 to 13 upgrade; the counts
    are those of apt's own summary line in it."""
    text = read_recorded("apt-simulate-stage2.txt.gz")
    summary = re.search(
        r"(\d+) upgraded, (\d+) newly installed, (\d+) to remove and (\d+) not", text
    )
    assert summary
    guest = make_guest()
    addresses = (
        "'http://a.example/a.deb' a.deb 1000 SHA256:00\n'http://a.example/b.deb' b.deb 24 MD5:1\n"
    )
    guest.answers["apt-get -s"] = f"{text}-- addresses --\n{addresses}"
    done, plan = simulate(guest, allowed_s=60)
    assert done.end is StepEnd.DONE
    assert done.message == (
        f"{summary[1]} to upgrade, {summary[2]} new, {summary[3]} to remove, "
        f"{summary[4]} kept back, 1024 bytes to fetch"
    )
    assert plan is not None
    assert [c.name for c in plan.removals] == re.findall(r"^Remv (\S+)", text, re.MULTILINE)


def test_no_plan_is_a_failed_step() -> None:
    """apt's last words are the message."""
    guest = make_guest()
    guest.answers["apt-get -s"] = ExecResult(100, b"", b"E: first\nE: Unmet dependencies.\n")
    done, plan = simulate(guest, allowed_s=60)
    assert (done.end, done.message, plan) == (StepEnd.FAILED, "E: Unmet dependencies.", None)


def test_an_unknown_download_is_not_nothing() -> None:
    """Where apt gave a plan and no addresses, the download is -1, not 0."""
    guest = make_guest()
    guest.answers["apt-get -s"] = "Inst a [1] (2 x [amd64])\n"
    done, _ = simulate(guest, allowed_s=60)
    assert done.message.endswith("0 kept back, -1 bytes to fetch")
    guest.answers["apt-get -s"] = "Inst a [1] (2 x [amd64])\n-- addresses --\n"
    done, _ = simulate(guest, allowed_s=60)
    assert done.message.endswith("0 kept back, 0 bytes to fetch")


@pytest.mark.parametrize(("said", "count"), [("123456", 123456), ("", 0)])
def test_stored_packages_are_counted(said: str, count: int) -> None:
    """No file yet is 0 bytes."""
    guest = make_guest()
    guest.answers["/var/cache/apt/archives"] = said
    assert count_stored(guest) == count
