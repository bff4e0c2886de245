"""Reading profiles and site files: records, mistakes, errors."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from forerun.errors import InvalidFile, NotFound
from forerun.model.profile import (
    Action,
    Check,
    OnFailure,
    PromptRule,
    ReleaseMark,
    SampleContent,
    ServiceProbe,
    SourcePlan,
    Stage,
    Step,
    UnknownPrompt,
)
from forerun.profiles import load_profile, load_site

DATA = Path(__file__).parents[1] / "data" / "profiles"
PROFILE = (DATA / "small-profile.yaml").read_text(encoding="utf-8")
SITE = (DATA / "small-site.yaml").read_text(encoding="utf-8")


def write(folder: Path, text: str) -> Path:
    path = folder / "file.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(folder: Path, text: str) -> list[str]:
    """The lines of the error, without the folder."""
    path = write(folder, text)
    with pytest.raises(InvalidFile) as caught:
        (load_site if text.startswith("schema: forerun.site") else load_profile)(path)
    assert caught.value.where == str(path)
    return [line.removeprefix(f"{path.parent}/") for line in caught.value.found.strip().split("\n")]


def changed(old: str, new: str, text: str = PROFILE) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


def test_every_field_of_a_profile_arrives(tmp_path: Path) -> None:
    """A profile becomes its record, field by field, durations in seconds."""
    path = write(tmp_path, PROFILE)
    profile = load_profile(path)
    assert (profile.name, profile.title) == ("one-to-two", "From one to two")
    assert profile.origin == ReleaseMark("debian", "1", "one")
    assert profile.target == ReleaseMark("debian", "2", "two")
    assert profile.sources == SourcePlan(
        suites=(("one", "two"),),
        keyring="/usr/share/keyrings/example.gpg",
        fingerprints=("0123456789ABCDEF0123456789ABCDEF01234567",),
    )
    assert profile.unknown_prompt is UnknownPrompt.ASK
    assert profile.quiet_s == 1.5
    assert profile.environment == (("LC_ALL", "C.UTF-8"), ("LINES", "40"))
    assert profile.rest_units == ("cron.service",)
    look, go, again = profile.steps
    assert look == Step("look", "Look", Stage.PREPARE, Action.CHECKS, 300.0, checks="before")
    assert go == Step(
        name="go",
        title="Go",
        stage=Stage.WINDOW,
        action=Action.COMMANDS,
        time_allowed_s=5400.0,
        script="echo go\n",
        exits=(0, 3),
        on_failure=OnFailure.GO_ON,
        downloads=True,
        changes_packages=True,
        point_of_no_return=True,
        hold_point=True,
        back_out="Restore.",
        expected="It went.",
        cites="a page",
    )
    assert again.action is Action.REBOOT
    assert profile.checks == (
        Check(
            name="here",
            title="Here",
            script="test -e /",
            exits=(0, 1),
            after=False,
            severity="note",
            advice="Look.",
            cites="a page",
        ),
    )
    assert profile.path == str(path)
    assert profile.digest == hashlib.sha256(PROFILE.encode()).hexdigest()


def test_answers_stay_the_text_that_was_written(tmp_path: Path) -> None:
    """`answer: no` is the word no and not False; `answer: ""` is a bare Enter."""
    more, enter = load_profile(write(tmp_path, PROFILE)).prompts
    assert more == PromptRule("more", r"more\?$", "no", "Enough.")
    assert enter == PromptRule("plain-enter", r"on\?$", "", "Nothing to say.", most=3, raw=True)


def test_every_field_of_a_site_arrives(tmp_path: Path) -> None:
    """A site file becomes its record."""
    site = load_site(write(tmp_path, SITE))
    assert site.name == "shelf"
    assert site.window_s == 14400.0
    assert site.digest == hashlib.sha256(SITE.encode()).hexdigest()
    assert site.services == (
        ServiceProbe("ssh", 22, "banner", expect="SSH-2.0-", units=("ssh.service",)),
        ServiceProbe(
            "web", 80, "http", "true", path="/health", slow_after_s=2.0, tolerable_s=300.0
        ),
    )
    assert site.sample_content == (SampleContent("/srv/archive", 2000, ((4096, 60), (1 << 20, 1))),)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("bytes: 4 KiB", "bytes: 4096", "'4096' is not a size; write `512 B`"),
        ("bytes: 4 KiB", "bytes: 4 kB", "'4 kB' is not a size"),
        ("files: 2000", "files: 0", "0 is not a number of files (allowed: 1 to 100000)"),
        ("folder: /srv/archive", "folder: srv", "must be an absolute path"),
    ],
)
def test_mistakes_in_sample_content_are_told(tmp_path: Path, old: str, new: str, told: str) -> None:
    """Sizes have units (IEC 80000-13), and there is an end to the number of files."""
    with pytest.raises(InvalidFile) as caught:
        load_site(write(tmp_path, changed(old, new, SITE)))
    assert told in str(caught.value.found)


def test_all_mistakes_come_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    """Mistakes of text, of single keys and between parts are told together."""
    text = PROFILE
    text = changed("title: From one to two", "titel: From one to two", text)
    text = changed("time-allowed: 1 h 30 min", "time-allowed: 90", text)
    text = changed("severity: note", "severity: noted", text)
    text = changed("    most: 3", "    most: 3\n    most: 4", text)
    text = changed("  - prompt: plain-enter", "  - prompt: more", text)
    text = changed("point-of-no-return: true", "point-of-no-return: false", text)
    assert mistakes(tmp_path, text) == [
        "file.yaml:1: title: is missing",
        "file.yaml:3: titel: is not a key of this place (allowed: schema, name, title, origin, "
        "target, sources, terminal, rest-units, stages, checks, prompts, recoveries; "
        "did you mean 'title'?)",
        "file.yaml:15: stages: no step is the point of no return; mark the first step after "
        "which only a restore leads back with `point-of-no-return: true`",
        "file.yaml:28: stages.window[0].time-allowed: '90' has no unit; write `90 s` or `90 min`",
        "file.yaml:47: checks[0].severity: 'noted' is not known (allowed: must, note; "
        "did you mean 'note'?)",
        "file.yaml:55: prompts[1].prompt: 'more' is the name of another prompt, on line 51",
        "file.yaml:60: prompts[1].most: written twice; the first is on line 59",
    ]


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            "    - step: again",
            "    - step: go",
            "37: stages.window[1].step: 'go' is the name of another step, on line 23",
        ),
        ("action: reboot", "action: reboots", "did you mean 'reboot'?"),
        ("      script: |\n        echo go\n", "", "`script` is missing"),
        ("      action: reboot", "      action: reboot\n      script: x", "no meaning for the"),
        ("      checks: before\n", "", "`checks` is missing"),
        ("checks: before", "checks: befor", "did you mean 'before'?"),
        ("      action: reboot", "      action: reboot\n      exits: [0]", "no meaning for the"),
        ("  prepare:", "  prepair:", "did you mean 'prepare'?"),
        ("hold-point: true", "hold-point: yes", "did you mean 'true'?"),
        ("on-failure: go-on", "on-failure: goon", "did you mean 'go-on'?"),
        ("exits: [0, 3]", "exits: [0, 300]", "300 is not an exit code"),
        ("exits: [0, 3]", "exits: []", "stages.window[0].exits"),
        ("exits: [0, 1]", "exits: [77]", "77 means skipped"),
        ("    after: false", "    after: false\n    before: false", "never runs"),
        (r"asks: 'more\?$'", "asks: 'more('", "is not a regular expression"),
        (r"asks: 'more\?$'", "asks: '(more)?'", "matches an empty text"),
        ("answer: no", "answer:", 'write "" where an empty text is meant'),
        ("answer: no", "answer: [no]", "must be a text"),
        ("most: 3", "most: many", "must be a whole number"),
        ("LINES: 40", "2LINES: 40", "is not the name of an environment variable"),
        ("[cron.service]", "[cron]", "did you mean 'cron.service'?"),
        ("rest-units: [cron.service]", "rest-units: cron.service", "must be a list"),
        ("quiet: 1500 ms", "quiet: 0 s", "longer than 0 s"),
        ("/usr/share/keyrings/example.gpg", "example.gpg", "absolute path"),
        ("CDEF 0123 4567]", "CDEF 0123]", "not a key fingerprint"),
        ("suites: {one: two}", "suites: {one: one}", "old and new are the same"),
        ("suites: {one: two}", "suites: {one: two, two: three}", "which is renamed too"),
        ("suites: {one: two}", "suites: {}", "sources.suites"),
        ("version: 2,", "version: 1,", "target.version: is that of `origin`"),
        ("target: {family: debian", "target: {family: other", "must be the family of `origin`"),
        ("schema: forerun.profile/1", "schema: forerun.profile/2", "allowed: forerun.profile/1"),
        ("terminal:\n", "terminal: x\nother:\n", "must be a mapping"),
    ],
)
def test_each_mistake_is_named(tmp_path: Path, old: str, new: str, line: str) -> None:
    """A mistake of this kind is found, and the message says what would be right."""
    assert any(line in told for told in mistakes(tmp_path, changed(old, new)))


def test_stages_out_of_order_are_refused(tmp_path: Path) -> None:
    """The stages are written in the order in which they run."""
    head, prepare = PROFILE.split("  prepare:\n")
    prepare, rest = prepare.split("  window:\n")
    window, tail = rest.split("checks:\n  - check")
    text = f"{head}  window:\n{window}  prepare:\n{prepare}checks:\n  - check{tail}"
    assert mistakes(tmp_path, text) == [
        "file.yaml:15: stages: the stages stand out of order "
        "(allowed: prepare, window, confirm, tidy)"
    ]


def test_a_second_point_of_no_return_is_refused(tmp_path: Path) -> None:
    """Only one step can be the first after which nothing but a restore leads back."""
    text = changed("action: reboot", "action: reboot\n      point-of-no-return: true")
    (line,) = mistakes(tmp_path, text)
    assert line.startswith("file.yaml:40: stages.window[1].point-of-no-return: only one step")


def test_a_point_of_no_return_outside_the_window_is_refused(tmp_path: Path) -> None:
    """What cannot be undone happens in the window."""
    text = changed("      point-of-no-return: true\n", "")
    text = changed("checks: before", "checks: before\n      point-of-no-return: true", text)
    (line,) = mistakes(tmp_path, text)
    assert line.endswith("prepare[0].point-of-no-return: must lie in the stage `window`")


def test_a_reboot_outside_the_window_is_refused(tmp_path: Path) -> None:
    """A reboot is an outage, and the window is where outages lie."""
    again = PROFILE[PROFILE.index("    - step: again") : PROFILE.index("checks:\n  - check")]
    text = changed(again, "").replace("  window:\n", again + "  window:\n")
    (line,) = mistakes(tmp_path, text)
    assert line.endswith(
        "prepare[1].action: a reboot is an outage, and outages lie in the stage `window`"
    )


def test_a_reboot_right_after_a_reboot_is_refused(tmp_path: Path) -> None:
    """Two reboots with nothing between them measure the same thing twice."""
    again = PROFILE[PROFILE.index("    - step: again") : PROFILE.index("checks:\n  - check")]
    text = PROFILE.replace(again, again + again.replace("again", "once-more", 1))
    (line,) = mistakes(tmp_path, text)
    assert "window[2].action: a second reboot directly after another" in line


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("    expect: SSH-2.0-\n", "", "`expect` is missing"),
        ("speaks: http", "speaks: https", "did you mean 'http'?"),
        ("speaks: http", "speaks: tcp", "no meaning for `speaks: tcp`"),
        ("port: 80", "port: 80000", "80000 is not a port"),
        ("path: /health", "path: health", "must begin with /"),
        ("service: web", "service: ssh", "is the name of another service, on line 4"),
        ("window: 4 h", "window: 4 hours", "did you mean 'h'?"),
        ("window: 4 h", "windows: 4 h", "did you mean 'window'?"),
    ],
)
def test_each_mistake_of_a_site_is_named(tmp_path: Path, old: str, new: str, line: str) -> None:
    """A mistake of this kind in a site file is found and named."""
    assert any(line in told for told in mistakes(tmp_path, changed(old, new, SITE)))


def test_a_missing_file_is_not_a_mistake_in_it(tmp_path: Path) -> None:
    """A path that leads nowhere is NotFound, with the path."""
    with pytest.raises(NotFound) as caught:
        load_profile(tmp_path / "none.yaml")
    assert caught.value.where.endswith("none.yaml")


def test_a_folder_in_place_of_a_file_is_told(tmp_path: Path) -> None:
    """What the operating system refuses to read is named, not passed on."""
    with pytest.raises(InvalidFile) as caught:
        load_site(tmp_path)
    assert caught.value.found == "Is a directory"


def test_control_characters_of_a_file_never_reach_the_message(tmp_path: Path) -> None:
    """A key with an escape sequence in it is shown without it."""
    text = changed("title: From one to two", '"ti\\e[31mtle": From one to two')
    lines = mistakes(tmp_path, text)
    assert any("ti?[31mtle" in line for line in lines)
    assert not any("\x1b" in line for line in lines)
