"""Faults: which there are, where each makes sense, how a profile mends them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.practice.archive import HERE

from forerun.errors import InvalidFile, UsageError
from forerun.model.profile import FAULT_NAMES, Action, Profile, Stage, Step
from forerun.ports.gateway import Trouble
from forerun.profiles import find_profile, load_profile
from forerun.stages.faults import CATALOGUE, MOMENTS, Cause, find_fault, find_lack, parse_faults
from forerun.testing import FakeClock, FakeGuest


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(find_profile("debian-12-to-13"))


def test_the_catalogue_is_what_profiles_may_name() -> None:
    """One entry for each name, in its order, each with a rule for the runbook."""
    assert tuple(fault.name for fault in CATALOGUE) == FAULT_NAMES
    for fault in CATALOGUE:
        assert fault.rule.endswith(".")
        assert fault.needs in {"packages", "archive", "reboot"}
        assert fault.moment in {"", *MOMENTS}
        assert not fault.power or fault.moment


def test_faults_are_read_with_their_steps(profile: Profile) -> None:
    """In the order given, several to a step."""
    found = parse_faults(
        ["root-full@full-upgrade", "archive-gone@new-index", "script-fails@full-upgrade"], profile
    )
    assert {step: [fault.name for fault in faults] for step, faults in found.items()} == {
        "full-upgrade": ["root-full", "script-fails"],
        "new-index": ["archive-gone"],
    }


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("root-full", "NAME@STEP"),
        ("flood@full-upgrade", "session-lost, session-lost-asking"),
        ("root-full@nowhere", "no such step"),
        ("root-full@new-index", "a step that changes packages"),
        ("archive-gone@boot-files", "a step that asks the archive"),
        ("no-restart@full-upgrade", "a step that restarts the server"),
        ("root-full@reboot", "a step with a script of its own"),
    ],
)
def test_what_cannot_be_tried_is_refused_beforehand(
    profile: Profile, given: str, said: str
) -> None:
    with pytest.raises(UsageError) as caught:
        parse_faults([given], profile)
    assert said in f"{caught.value}"


def test_each_fault_fits_some_step_of_the_shipped_profile(profile: Profile) -> None:
    """Else nobody could try it."""
    for fault in CATALOGUE:
        assert any(not find_lack(fault, step) for step in profile.steps), fault.name


def test_the_shipped_profile_mends_what_leaves_packages_half_way(profile: Profile) -> None:
    """Every fault that strikes while packages change, and none of the archive's."""
    mended = {name for recovery in profile.recoveries for name in recovery.mends}
    assert mended == {fault.name for fault in CATALOGUE if fault.needs == "packages"}


def test_a_recovery_names_faults_that_exist(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Unknown ones, and ones that another recovery mends, are told with their line."""
    text = (HERE / "profile.yaml").read_text(encoding="utf-8")
    for mark, value in (("@FINGERPRINT@", "A" * 40), ("@KEYRING@", "/k"), ("@TO@", "second")):
        text = text.replace(mark, value)
    text += """  - recovery: another
    title: Another
    mends: [flood, root-full]
    script: "true"
    time-allowed: 1 min
"""
    path = tmp_path_factory.mktemp("profile") / "profile.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InvalidFile) as caught:
        load_profile(path)
    assert "there is no fault 'flood' (known: session-lost" in caught.value.found
    assert "'root-full' is mended by another recovery, on line" in caught.value.found


def make_cause(name: str, guest: FakeGuest, trouble: Trouble | None = None) -> Cause:
    return Cause(find_fault(name), guest, trouble or Trouble(), "/etc/apt/keyrings/practice.gpg")


def test_a_moment_is_watched_for_on_the_clone() -> None:
    """dpkg(1): --status-logger takes a shell command; the mark it leaves is the moment."""
    guest = FakeGuest(FakeClock())
    cause = make_cause("power-cut-configure", guest)
    assert cause.lay() == ""
    logger = guest.files["/etc/dpkg/dpkg.cfg.d/forerun-fault"].decode()
    assert logger == "status-logger=exec /var/lib/forerun-fault/watch\n"
    assert "half-configured" in guest.files["/var/lib/forerun-fault/watch"].decode()
    assert not cause.poll()
    guest.files["/var/lib/forerun-fault/struck"] = b"status: shelf-web: half-configured\n"
    assert cause.poll()
    assert cause.moment == "shelf-web: half-configured"
    cause.lift()
    assert any("/etc/dpkg/dpkg.cfg.d/forerun-fault" in script for script in guest.ran)


@pytest.mark.parametrize("kind", ["gone", "slow", "altered"])
def test_a_bad_archive_is_the_gateways_doing(kind: str) -> None:
    trouble = Trouble()
    cause = make_cause(f"archive-{kind}", FakeGuest(FakeClock()), trouble)
    assert cause.lay() == ""
    assert trouble.kind == kind
    assert cause.poll()
    cause.lift()
    assert trouble.kind == ""


def test_what_cannot_be_laid_says_why() -> None:
    """A boot partition that is none, a keyring that is not there, no boot menu."""
    guest = FakeGuest(FakeClock(), answers={"findmnt": "/\n"})
    for name, said in (
        ("boot-full", "see root-full"),
        ("signing-key-missing", "no keyring"),
        ("no-restart", "no boot menu"),
        ("script-fails", "no package to be upgraded"),
    ):
        assert said in make_cause(name, guest).lay()


def test_a_failing_script_is_an_upgraded_packages_own() -> None:
    """One that has no pre-removal script, so that the new version has none to fall back on
    either; where its control files have the architecture in their name, so has the script."""
    plan = (
        "Inst shelf-web [1.0] (2.0 Practice:second [all])\n"
        "Inst libshelf [1.0] (2.0 Practice:second [amd64])\nInst brand-new (1.0 x [all])\n"
    )
    guest = FakeGuest(
        FakeClock(),
        answers={
            "apt-get -s": "shelf-web\nlibshelf\n",
            "*.prerm": "/var/lib/dpkg/info/shelf-web.prerm\n",
            ".list": "/var/lib/dpkg/info/libshelf:amd64.list\n",
        },
    )
    assert plan
    cause = make_cause("script-hangs", guest)
    assert cause.lay() == ""
    assert b"sleep 1000000" in guest.files["/var/lib/dpkg/info/libshelf:amd64.prerm"]
    assert guest.modes["/var/lib/dpkg/info/libshelf:amd64.prerm"] == 0o755
    assert cause.moment == "libshelf: its pre-removal script"


def test_a_step_without_a_script_is_no_place_for_a_fault() -> None:
    step = Step("quiesce", "Stop", Stage.WINDOW, Action.QUIESCE, 60.0, changes_packages=True)
    assert find_lack(find_fault("root-full"), step)
    assert not find_lack(find_fault("root-full"), replace(step, action=Action.COMMANDS))
