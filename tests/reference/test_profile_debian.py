"""The shipped Debian 12 to 13 profile against outside sources.

Sources: the terminal text of real upgrades (tests/data/prompts/recorded-stops.txt, its origin
is told in its head), debconf's and dpkg's own wording in the packages of Debian 13, the JSON
Schema library, the shell, and the archive keys of the package debian-archive-keyring.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import jsonschema
import pytest
import yaml

from forerun.model.profile import Action, Profile, Stage, Step
from forerun.ports.command import LocalCommand
from forerun.profiles import (
    find_profile,
    lint_profile,
    load_profile,
    match_prompt,
    profile_schema,
    site_schema,
)

STOPS = Path(__file__).parents[1] / "data" / "prompts" / "recorded-stops.txt"
KEYRINGS = Path("/usr/share/keyrings")

# Which rule must speak at which recorded stop, read off the recording by a person.
EXPECTED = {
    "1 1": "apt-continue",
    "1 2": "dpkg-conffile",
    "1 3": "ucf-file",
    "2 1": "apt-continue",
    "2 2": "postgresql-upgrade-cluster",
    "2 3": "dpkg-conffile",
    "2 4": "dpkg-conffile",
    "2 5": "dpkg-conffile",
    "2 6": "ucf-file",
    "2 7": "dpkg-conffile",
    "2 8": "dpkg-conffile",
    "2 9": "ucf-file",
    "2 10": "dpkg-conffile",
    "2 11": "dpkg-conffile",
    "2 12": "ucf-file",
    "2 13": "dpkg-conffile",
    "2 14": "ucf-file",
    "2 15": "postgresql-upgrade-cluster",
    "2 16": "ucf-file",
    "2 17": "ucf-file",
    "2 18": "dpkg-conffile",
}

# Questions no recording holds, in the words of the packages' own templates (Debian 13:
# libc6 2.41, libpam0g 1.7, postgresql 278, mariadb-server 11.8, slapd 2.6, openssh-server 10.0,
# libpam-runtime 1.7, base-passwd 3.6, grub-pc 2.12, linux-base 4.12, keyboard-configuration and
# console-setup 1.242, tzdata 2026f, iptables-persistent 1.0.23, postfix 3.10, needrestart 3.11;
# apt 2.6 and 3.0), drawn as debconf's text front end draws them: the description, for yes/no
# questions " [yes/no]", and a blank.
WORDED = {
    "Continue? [Y/n] ": ("apt-continue", "y"),
    "Install these packages without verification? [y/N] ": ("apt-unsigned", "n"),
    "Continue anyway? [y/N] ": ("apt-anyway", "n"),
    "Do you want to accept these changes and continue updating from this repository? [y/N] ": (
        "apt-changed-repository",
        "n",
    ),
    "Restart services during package upgrades without asking? [yes/no] ": (
        "restart-without-asking",
        "yes",
    ),
    "Services to restart for GNU libc library upgrade: ": ("restart-services", ""),
    "Services to restart for PAM library upgrade: ": ("restart-services", ""),
    "Do you want to upgrade glibc now? [yes/no] ": ("glibc-stopped-services", "yes"),
    "Which services should be restarted? ": ("needrestart", ""),
    "Upgrade PostgreSQL cluster 15/main to 17? [yes/no] ": ("postgresql-upgrade-cluster", "no"),
    "Remove PostgreSQL directories when package is purged? [yes/no] ": (
        "postgresql-purge-data",
        "no",
    ),
    "Remove all MariaDB databases? [yes/no] ": ("mariadb-purge-data", "no"),
    "Do you want the database to be removed when slapd is purged? [yes/no] ": (
        "slapd-purge-data",
        "no",
    ),
    "Dump databases to file on upgrade: ": ("slapd-dump", "when needed"),
    "Move old database? [yes/no] ": ("slapd-old-database", "yes"),
    "Disable SSH password authentication for root? [yes/no] ": ("ssh-root-password", "no"),
    "Allow password authentication? [yes/no] ": ("ssh-passwords", "yes"),
    "Override local changes to /etc/pam.d/common-*? [yes/no] ": ("pam-override", "no"),
    "Do you want to move the user games? [yes/no] ": ("base-accounts", "yes"),
    "Do you want to remove the group operator? [yes/no] ": ("base-accounts", "yes"),
    "Do you want to change the home directory of user irc? [yes/no] ": ("base-accounts", "yes"),
    "GRUB install devices: ": ("grub-devices", "/dev/vda"),
    "Writing GRUB to boot device failed - try again? [yes/no] ": ("grub-try-again", "no"),
    "Writing GRUB to boot device failed - continue? [yes/no] ": ("grub-failed", "yes"),
    "Continue without installing GRUB? [yes/no] ": ("grub-none", "no"),
    "Abort kernel removal? [yes/no] ": ("running-kernel", "yes"),
    "Keyboard layout: ": ("keyboard-layout", "English (US)"),
    "Keep default keyboard layout (xx)? [yes/no] ": ("keyboard-keep", "yes"),
    "Character set to support: ": ("console-characters", "Guess optimal character set"),
    "Encoding to use on the console: ": ("console-encoding", "UTF-8"),
    "Geographic area: ": ("time-area", "Etc"),
    "Time zone: ": ("time-zone", "UTC"),
    "Save current IPv4 rules? [yes/no] ": ("firewall-save", "no"),
    "Save current IPv6 rules? [yes/no] ": ("firewall-save", "no"),
    "General mail configuration type: ": ("postfix-kind", "No configuration"),
    "[More] ": ("more", ""),
    "/tmp/apt-listchanges-tmp1.txt (END)": ("pager", "q"),
    ":": ("pager", "q"),
}


@dataclass(frozen=True)
class Stop:
    """One recorded stop; `answer` is what was typed, "-" for a bare Enter."""

    name: str
    text: str
    answer: str


def read_stops() -> list[Stop]:
    """The recorded stops, in their order."""
    found = re.findall(
        r"^##### (\d \d+) \S+\n(.*?)\n##### answer (\S+)$",
        STOPS.read_text(encoding="utf-8"),
        re.DOTALL | re.MULTILINE,
    )
    return [Stop(*parts) for parts in found]


@pytest.fixture(scope="module")
def profile() -> Profile:
    """The shipped profile."""
    return load_profile(find_profile("debian-12-to-13"))


def step(profile: Profile, name: str) -> Step:
    return next(step for step in profile.steps if step.name == name)


@pytest.mark.parametrize("stop", read_stops(), ids=lambda stop: stop.name)
def test_every_recorded_stop_meets_its_rule(profile: Profile, stop: Stop) -> None:
    """At each of the 21 stops of a real upgrade, the rule that a person would name speaks."""
    rule = match_prompt(profile.prompts, stop.text)
    assert rule is not None
    assert rule.name == EXPECTED[stop.name]


def test_the_recording_is_whole() -> None:
    """Each expected stop is in the data file, and no other."""
    assert [stop.name for stop in read_stops()] == list(EXPECTED)


@pytest.mark.parametrize("stop", read_stops(), ids=lambda stop: stop.name)
def test_every_answer_says_what_was_typed_then(profile: Profile, stop: Stop) -> None:
    """The answer chooses what the person chose: the same word, the same line of the menu, or
    the default that a bare Enter took."""
    rule = match_prompt(profile.prompts, stop.text)
    assert rule is not None
    if stop.answer.isdigit():
        choice = re.search(rf"(?<!\d){stop.answer}\. (.*?)(?:  |$)", stop.text, re.MULTILINE)
        assert choice is not None
        assert choice.group(1) == rule.answer
    elif stop.answer == "-":
        assert f"[default={rule.answer}]" in stop.text
    else:
        assert rule.answer == stop.answer


def test_no_answered_stop_speaks_again_at_the_next(profile: Profile) -> None:
    """With the answer echoed and the next stop's text below, the next stop's rule speaks; with
    other output below, none does."""
    stops = read_stops()
    for before, after in pairwise(stops):
        text = f"{before.text}{before.answer}\n\n{after.text}"
        rule = match_prompt(profile.prompts, text)
        assert rule is not None
        assert rule.name == EXPECTED[after.name]
        assert match_prompt(profile.prompts, f"{before.text}y\nSetting up bash (5.2) ...\n") is None


@pytest.mark.parametrize(("question", "expected"), WORDED.items())
def test_questions_in_the_packages_words_are_answered(
    profile: Profile, question: str, expected: tuple[str, str]
) -> None:
    """A question as its package words it meets one rule, with the answer that keeps the server
    as it is."""
    rule = match_prompt(profile.prompts, f"Setting up something (1.0) ...\n\n{question}")
    assert rule is not None
    assert (rule.name, rule.answer) == expected
    assert rule.raw == (rule.name == "pager")


@pytest.mark.parametrize(
    "question",
    [
        "Delete all data? [yes/no] ",
        "Retry configuration? [yes/no] ",
        "PAM profiles to enable: ",
        "Media change: please insert the disc labelled\n 'x'\nin the drive 'y' and press [Enter]",
        "Setting up postgresql-17 (17.0-1) ...",
        "Password: ",
    ],
)
def test_what_needs_a_person_is_answered_by_no_rule(profile: Profile, question: str) -> None:
    """No rule is so wide that it answers a question it does not know."""
    assert match_prompt(profile.prompts, question) is None


def test_each_rule_is_met_by_a_tested_question(profile: Profile) -> None:
    """Every rule but one of common practice has a question in this file that it answers."""
    met = {name for name, _ in WORDED.values()} | set(EXPECTED.values())
    others = {rule.name for rule in profile.prompts} - met
    assert others == {
        "press-enter",
    }


def test_a_reviewer_finds_nothing_to_ask(profile: Profile) -> None:
    """The shipped profile has a back-out, an expectation and a source wherever one is due."""
    assert lint_profile(profile) == ()
    assert all(rule.cites and rule.why for rule in profile.prompts)


def test_the_procedure_follows_the_release_notes(profile: Profile) -> None:
    """Release notes for Debian 13, chapter 4: back up, last point release, stop monitoring,
    sources, index, room, minimal, full, checks of the kernel, reboot, then what is obsolete."""
    order = [
        "keep-configuration",
        "last-point-release",
        "quiesce",
        "switch-sources",
        "new-index",
        "room",
        "minimal-upgrade",
        "full-upgrade",
        "package-audit",
        "boot-files",
        "reboot",
        "confirmation",
        "resume",
        "obsolete-packages",
        "autoremove",
        "leftover-configuration",
    ]
    names = [step.name for step in profile.steps]
    assert [name for name in names if name in order] == order
    assert [step.name for step in profile.steps if step.point_of_no_return] == ["minimal-upgrade"]


def test_questions_are_really_asked(profile: Profile) -> None:
    """Neither a step nor the environment answers dpkg or ucf beforehand: a rehearsal that
    hides a question cannot find it. Printing addresses asks nothing and does nothing."""
    lines = [line for step in profile.steps for line in step.script.splitlines()]
    assert "force-conf" not in "\n".join(lines)
    assert not [
        line
        for line in lines
        if re.search(r"\bapt(-get)? .*(-y|--yes|--assume-yes)\b", line)
        and "--print-uris" not in line
    ]
    names = dict(profile.environment)
    assert names["DEBIAN_FRONTEND"] == "readline"
    assert not [name for name in names if name.startswith("UCF_")]
    assert "DEBIAN_PRIORITY" not in names


def test_every_apt_run_waits_for_a_lock(profile: Profile) -> None:
    """apt-get gives up at once when another run holds the lock (apt's own default is 0 s)."""
    runs = [
        line
        for step in profile.steps
        for line in step.script.splitlines()
        if re.match(r"\s*apt-get -q .*(update|upgrade|autoremove|purge)\b", line)
    ]
    assert len(runs) >= 6
    assert all("DPkg::Lock::Timeout=300" in run for run in runs)


def test_there_are_enough_checks_for_both_moments(profile: Profile) -> None:
    """At least 20 checks look before the upgrade and at least 20 after it, each with advice."""
    assert sum(check.before for check in profile.checks) >= 20
    assert sum(check.after for check in profile.checks) >= 20
    assert all(check.advice and check.cites for check in profile.checks)


def test_the_published_schema_is_a_schema() -> None:
    """Both schemas are valid JSON Schema, draft 2020-12 (library: jsonschema)."""
    for schema in (profile_schema(), site_schema()):
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        jsonschema.Draft202012Validator.check_schema(schema)


def test_the_published_schema_takes_the_shipped_profile() -> None:
    """An editor that reads the file as plain YAML finds no fault in it."""
    data = yaml.safe_load(find_profile("debian-12-to-13").read_text(encoding="utf-8"))
    faults = list(jsonschema.Draft202012Validator(profile_schema()).iter_errors(data))
    assert [fault.message for fault in faults] == []


def test_the_published_schema_refuses_what_the_loader_refuses() -> None:
    """An unknown key, a bare number as duration and an unknown stage are faults there too."""
    validator = jsonschema.Draft202012Validator(profile_schema())
    data = yaml.safe_load(find_profile("debian-12-to-13").read_text(encoding="utf-8"))
    data["titel"] = "x"
    data["stages"]["window"][0]["time-allowed"] = 90
    data["stages"]["widow"] = []
    paths = {"/".join(map(str, fault.absolute_path)) for fault in validator.iter_errors(data)}
    assert paths == {"", "stages", "stages/window/0/time-allowed"}


def shell_texts(profile: Profile) -> list[tuple[str, str, str]]:
    steps = [("bash", step.name, step.script) for step in profile.steps if step.script]
    return steps + [("sh", check.name, check.script) for check in profile.checks]


@pytest.mark.tools
def test_every_script_is_a_shell_script(profile: Profile, tmp_path: Path) -> None:
    """`bash -n` reads each step's script and `sh -n` each check's without a complaint."""
    run = LocalCommand()
    broken = tmp_path / "broken"
    broken.write_text("if true; then\n")
    assert run.run(["bash", "-n", str(broken)], timeout_s=20, check=False).exit_code != 0
    for shell, name, script in shell_texts(profile):
        path = tmp_path / name
        path.write_text(script)
        done = run.run([shell, "-n", str(path)], timeout_s=20, check=False)
        assert (name, done.exit_code, done.stderr) == (name, 0, b"")


FAKED = [
    ("dpkg-audit", {"dpkg": ""}, 0),
    ("dpkg-audit", {"dpkg": "echo 'half-configured: bash'; exit 1"}, 1),
    ("dependencies", {"apt-get": "exit 0"}, 0),
    ("dependencies", {"apt-get": "exit 100"}, 100),
    ("package-states", {"dpkg-query": "echo 'ii  bash'; echo 'rc  old'; echo 'hi  kept'"}, 0),
    ("package-states", {"dpkg-query": "echo 'ii  bash'; echo 'iF  grub-pc'"}, 1),
    ("holds", {"apt-mark": ""}, 0),
    ("holds", {"apt-mark": "echo bash"}, 1),
    ("up-to-date", {"apt-get": "echo '0 upgraded'"}, 0),
    ("up-to-date", {"apt-get": "echo 'Inst bash [1] (2 Debian:12.15 [amd64])'"}, 1),
    ("architecture", {"dpkg": "echo amd64"}, 0),
    ("architecture", {"dpkg": "echo i386"}, 1),
    ("sources-single", {"apt-get": "echo 'MetaKey: x'"}, 0),
    ("sources-single", {"apt-get": "echo 'W: x is configured multiple times in a and b' >&2"}, 1),
    ("sources-new", {"apt-get": r"printf 'MetaKey: x\nOrigin: Debian\nRelease: trixie\n'"}, 0),
    ("sources-new", {"apt-get": r"printf 'MetaKey: x\nOrigin: Other\nRelease: stable\n'"}, 0),
    (
        "sources-new",
        {"apt-get": r"printf 'MetaKey: x\nRelease: bookworm\nSourcesentry: /etc/apt/x:1\n'"},
        1,
    ),
    (
        "sources-new",
        {"apt-get": r"printf 'MetaKey: x\nOrigin: Debian\nRelease: stable\nSourcesentry: x:1\n'"},
        1,
    ),
    (
        "other-archives",
        {"apt-get": r"printf 'M: x\nOrigin: Debian\nRepo-URI: http://a.example\n'"},
        0,
    ),
    ("other-archives", {"apt-get": r"printf 'M: x\nOrigin: V\nRepo-URI: http://v.example\n'"}, 1),
    ("proposed-updates", {"apt-get": "echo 'Release: bookworm-proposed-updates'"}, 1),
    ("backports", {"apt-get": "", "dpkg-query": "echo 'tmux 3.4-1~bpo12+1'"}, 1),
    ("backports", {"apt-get": "", "dpkg-query": "echo 'tmux 3.3a-3'"}, 0),
    ("kernel-metapackage", {"dpkg-query": "echo 'ii  linux-image-cloud-amd64 6.12.1'"}, 0),
    ("kernel-metapackage", {"dpkg-query": "echo 'ii  linux-image-6.1.0-50-amd64 6.1.1'"}, 1),
    ("room-system", {"df": "echo h; echo ' 1024 /'"}, 0),
    ("room-system", {"df": "echo h; echo ' 1023 /'"}, 1),
    ("room-boot", {"mountpoint": "exit 1"}, 77),
    ("room-boot", {"mountpoint": "", "df": "echo h; echo 768 300"}, 0),
    ("room-boot", {"mountpoint": "", "df": "echo h; echo 488 300"}, 1),
    ("room-boot", {"mountpoint": "", "df": "echo h; echo 1024 299"}, 1),
    ("nginx-syntax", {"nginx": "exit 1"}, 1),
    ("nginx-syntax", {"nginx": "exit 0"}, 0),
    ("ping-for-users", {"sysctl": "echo '0\t2147483647'"}, 0),
    ("ping-for-users", {"sysctl": "echo '1\t0'"}, 1),
    ("postgresql-clusters", {"pg_lsclusters": "echo '17 main 5432 online'"}, 0),
    ("postgresql-clusters", {"pg_lsclusters": "echo '15 main 5432 online'"}, 1),
    ("local-diversions", {"dpkg-divert": "echo 'diversion of /bin/sh to /bin/x by dash'"}, 0),
    (
        "local-diversions",
        {"dpkg-divert": "echo 'local diversion of /usr/lib/os-release to /usr/lib/os-release.x'"},
        1,
    ),
    ("own-name", {"getent": "exit 2", "hostname": "echo x"}, 2),
    ("clock", {"date": "echo 4102444800", "stat": "echo 1"}, 1),
    ("clock", {"date": "echo 1800000000", "stat": "echo 1800000001"}, 1),
    ("clock", {"date": "echo 1800000001", "stat": "echo 1800000000"}, 0),
]


@pytest.mark.tools
@pytest.mark.parametrize(("name", "programs", "exit_code"), FAKED)
def test_checks_tell_good_from_bad(
    profile: Profile, tmp_path: Path, name: str, programs: dict[str, str], exit_code: int
) -> None:
    """With the programs it asks replaced by ones that give a known answer, a check passes,
    fails or is skipped as that answer demands."""
    for program, body in programs.items():
        path = tmp_path / program
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(0o755)
    check = next(check for check in profile.checks if check.name == name)
    path_variable = f"{tmp_path}:{os.environ['PATH']}"
    done = LocalCommand().run(
        ["sh", "-c", check.script], timeout_s=20, check=False, env={"PATH": path_variable}
    )
    assert done.exit_code == exit_code, done.text()


@pytest.mark.tools
@pytest.mark.parametrize(("free", "exit_code"), [(500_000_000, 0), (100_000_000, 1)])
def test_the_room_step_adds_up_what_is_needed(
    profile: Profile, tmp_path: Path, free: int, exit_code: int
) -> None:
    """Two files of 30 and 70 MB and a growth of 133 MB need 233 MB, and boot files besides: with
    500 MB free that is room, with 100 MB it is not."""
    programs = {
        "apt-get": """[ "$*" = "--print-uris -q -y dist-upgrade" ] || exit 100
            echo 'Need to get 100 MB of archives.'
            echo 'After this operation, 133 MB of additional disk space will be used.'
            echo "'u' a 30000000 h"; echo "'u' b 70000000 h\"""",
        "find": "echo 1000000",
        "stat": "echo 1",
        "df": f"echo Avail; echo {free}",
    }
    for program, body in programs.items():
        path = tmp_path / program
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(0o755)
    done = LocalCommand().run(
        ["bash", "-eu", "-c", step(profile, "room").script],
        timeout_s=20,
        check=False,
        env={"PATH": f"{tmp_path}:{os.environ['PATH']}"},
    )
    assert (
        "to fetch 100000000 bytes, growth 133000000 bytes, boot files 4000000 bytes" in done.text()
    )
    assert "/usr /boot: needed 237000000 bytes" in done.text()
    assert done.exit_code == exit_code


@pytest.mark.tools
def test_the_fingerprints_are_those_of_debians_keyring(profile: Profile) -> None:
    """Each fingerprint is a primary key in the system's debian-archive-keyring, and belongs to
    Debian 13 by its own user id."""
    run = LocalCommand()
    if not run.find("gpg"):
        pytest.skip("gpg is not installed")
    keyring = KEYRINGS / Path(profile.sources.keyring).name
    if not keyring.exists():
        pytest.skip(f"{keyring} is not there: install debian-archive-keyring")
    listing = run.run(
        ["gpg", "--show-keys", "--with-colons", str(keyring)], timeout_s=30, check=False
    ).text()
    owners: dict[str, str] = {}
    primary, fingerprint = False, ""
    for line in listing.splitlines():
        fields = line.split(":")
        if fields[0] in ("pub", "sub"):
            primary = fields[0] == "pub"
        elif fields[0] == "fpr" and primary:
            fingerprint, primary = fields[9], False
        elif fields[0] == "uid":
            owners.setdefault(fingerprint, fields[9])
    if not any("13/trixie" in owner for owner in owners.values()):
        pytest.skip("the installed debian-archive-keyring is older than Debian 13")
    wanted = {key for key, owner in owners.items() if "(13/trixie)" in owner}
    assert set(profile.sources.fingerprints) == wanted


def test_builtin_steps_stand_where_their_stage_wants_them(profile: Profile) -> None:
    """Services rest only in the window and are back before anything is tidied."""
    stages = {step.action: step.stage for step in profile.steps}
    assert stages[Action.QUIESCE] is Stage.WINDOW
    assert stages[Action.REBOOT] is Stage.WINDOW
    assert stages[Action.RESUME] is Stage.CONFIRM
    assert stages[Action.KEEP_CONFIGURATION] is Stage.PREPARE
