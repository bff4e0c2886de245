"""A drill file is judged as profiles are: every mistake at once, at its place."""

from __future__ import annotations

import contextlib
import hashlib
import json
import tomllib
from fnmatch import fnmatch
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
import yaml
from tests.practice.mutation import spoil_value

from forerun.cli import main
from forerun.errors import InvalidFile, NotFound, UsageError
from forerun.model.drill import (
    CHECK_NAMES,
    INJECT_NAMES,
    DrillFile,
    Hint,
    Inject,
    Moment,
    Objective,
    Passing,
)
from forerun.model.profile import Profile
from forerun.profile_values import parse_share
from forerun.profiles import (
    drill_schema,
    find_drill,
    find_profile,
    list_drills,
    load_drill,
    load_profile,
    shipped_folders,
)

ROOT = Path(__file__).parents[2]
SMALL = ROOT / "tests" / "data" / "drill-small.yaml"
GOOD = SMALL.read_text(encoding="utf-8")

LEAST = """\
schema: forerun.drill/1
drill: least
title: Least
level: observe
situation: It is late.
time-allowed: 10 min
objectives:
  - objective: whole
    title: Whole
    check: packages-whole
"""


@pytest.fixture(scope="module")
def profile() -> Profile:
    """The profile that the small drill is played on."""
    return load_profile(find_profile("debian-12-to-13"))


def write(folder: Path, text: str) -> Path:
    path = folder / "file.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def changed(old: str, new: str, text: str = GOOD) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


def find_lines(folder: Path, text: str, profile: Profile | None = None) -> list[str]:
    """The mistakes, each without the file's name."""
    path = write(folder, text)
    with pytest.raises(InvalidFile) as caught:
        load_drill(path, profile)
    assert caught.value.where == str(path)
    found = str(caught.value.found).strip().splitlines()
    return [line.removeprefix(f"{path}:") for line in found]


def test_every_field_arrives(profile: Profile) -> None:
    """A drill file becomes its record, field by field, durations in seconds, and the steps it
    names are the profile's."""
    whole = Objective(
        name="whole",
        title="Every package is whole",
        check="packages-whole",
        points=20,
        why="A half-configured package stops the next upgrade.",
        read="dpkg(1), option --audit",
        hints=(
            Hint("Ask the package manager what it left undone.", 5),
            Hint("dpkg --audit names the packages, dpkg --configure -a goes on.", 1),
        ),
    )
    called = Objective(
        name="called",
        title="The back-out is called before it is too late",
        check="back-out-called-in-time",
        critical=False,
    )
    drops, fills, slows = load_drill(SMALL).injects
    assert load_drill(SMALL, profile) == DrillFile(
        name="small-night",
        title="A short night with two surprises",
        level="supervised",
        situation="It is 22:00 and shelf01.example is yours. The services rest when you say so."
        "\n\nThe people who use it expect it back before the morning.",
        objectives=(whole, called),
        injects=(drops, fills, slows),
        time_allowed_s=2400.0,
        window_s=3600.0,
        begins_before="quiesce",
        draw=1,
        passing=Passing(0.625, within_time=True),
        key_points=("Who calls the back-out is settled before the night.",),
        debrief=(
            "When did you notice that the connection was gone?",
            "What would you have done with an hour less?",
        ),
        read=("apt-get(8)",),
        digest=hashlib.sha256(GOOD.encode()).hexdigest(),
        path=str(SMALL),
    )


def test_every_field_of_an_inject_arrives() -> None:
    """Each of the three ways to say when it happens is read, and the two others stay unsaid."""
    drops, fills, slows = load_drill(SMALL).injects
    assert drops == Inject(
        name="line-drops",
        kind="session-lost",
        title="The connection drops while packages are unpacked",
        when=Moment.UNPACKING,
        cue="The terminal says no more.",
        right="Log in again, look what still runs, go on only when nothing does.",
        lesson="Work in a session that outlives its connection.",
        read="screen(1)",
        limit_s=300.0,
        always=True,
    )
    assert (fills.when, fills.step, fills.at_s) == (None, "full-upgrade", -1.0)
    assert (slows.when, slows.step, slows.at_s) == (None, "", 720.0)
    assert (slows.limit_s, slows.always, slows.read) == (0.0, False, "")


def test_what_is_not_written_is_as_the_record_says(tmp_path: Path) -> None:
    """The least file: what it leaves out has the values of the record's own defaults."""
    path = write(tmp_path, LEAST)
    assert load_drill(path) == DrillFile(
        name="least",
        title="Least",
        level="observe",
        situation="It is late.",
        objectives=(Objective("whole", "Whole", "packages-whole"),),
        injects=(),
        time_allowed_s=600.0,
        window_s=0.0,
        digest=hashlib.sha256(LEAST.encode()).hexdigest(),
        path=str(path),
    )


def test_all_of_the_injects_can_be_drawn(tmp_path: Path) -> None:
    """`draw: all` is every one of them, 0 none but those that always happen."""
    assert load_drill(write(tmp_path, changed("draw: 1", "draw: all"))).draw == -1
    assert load_drill(write(tmp_path, changed("draw: 1", "draw: 0"))).draw == 0
    assert load_drill(write(tmp_path, changed("draw: 1", "draw: 2"))).draw == 2


@pytest.mark.parametrize("name", CHECK_NAMES)
def test_every_check_can_be_asked(name: str, tmp_path: Path) -> None:
    """An objective may be told by any check there is."""
    text = changed("check: packages-whole", f"check: {name}")
    assert load_drill(write(tmp_path, text)).objectives[0].check == name


@pytest.mark.parametrize("name", INJECT_NAMES)
def test_every_kind_of_inject_can_happen(name: str, tmp_path: Path) -> None:
    """An inject may be of any kind there is."""
    text = changed("kind: root-full", f"kind: {name}")
    assert load_drill(write(tmp_path, text)).injects[1].kind == name


@pytest.mark.parametrize("moment", Moment, ids=lambda moment: moment.value)
def test_every_moment_can_be_chosen(moment: Moment, tmp_path: Path) -> None:
    """An inject may happen at any moment there is."""
    text = changed("when: unpacking", f"when: {moment.value}")
    assert load_drill(write(tmp_path, text)).injects[0].when is moment


@pytest.mark.parametrize(
    ("text", "share"),
    [("70 %", 0.7), ("70%", 0.7), ("62.5 %", 0.625), ("100 %", 1.0), ("0.01 %", 0.0001)],
)
def test_shares_are_read(text: str, share: float) -> None:
    """A share is its part of one."""
    assert parse_share(text) == pytest.approx(share)


# (old, new, the line, what is told, whether plain JSON Schema can see it, too)
MISTAKES: list[tuple[str, str, int, str, bool]] = [
    # single keys
    ("schema: forerun.drill/1", "schema: forerun.profile/1", 1, "is not known", True),
    ("drill: small-night", "drill: Small Night", 2, "is not a name", True),
    ("drill: small-night\n", "", 1, "drill: is missing", True),
    ("title: A short night with two surprises\n", "", 1, "title: is missing", True),
    ("level: supervised", "level: supervized", 4, "did you mean 'supervised'?", True),
    ("level: supervised", "level: [alone]", 4, "allowed: observe, supervised, alone", True),
    ("level: supervised\n", "", 1, "level: is missing", True),
    ("situation: |", "situaton: |", 5, "did you mean 'situation'?", True),
    ("situation: |", "situation: 'a'\nkey-point: |", 6, "did you mean 'key-points'?", True),
    ("time-allowed: 40 min", "time-allowed: 40", 9, "write `40 s` or `40 min`", True),
    ("time-allowed: 40 min", "time-allowed: 0 s", 9, "must be longer than 0 s", False),
    ("time-allowed: 40 min\n", "", 1, "time-allowed: is missing", True),
    ("window: 1 h", "window: 1 hour", 10, "did you mean 'h'?", True),
    ("window: 1 h", "window: 0 s", 10, "must be longer than 0 s", False),
    ("begins-before: quiesce", "begins-before: Quiesce!", 11, "is not a name", True),
    ("draw: 1", "draw: al", 12, "(allowed: all, 0 to 999; did you mean 'all'?)", True),
    ("draw: 1", "draw: -1", 12, "'-1' is not a draw", True),
    ("draw: 1", "draw: 1.5", 12, "'1.5' is not a draw", True),
    ("draw: 1", "draw:", 12, "nothing is written here", True),
    ("points: 62.5 %", "points: 0.7", 13, "'0.7' is not a share; write it as `70 %`", True),
    ("points: 62.5 %", "points: 70", 13, "'70' is not a share", True),
    ("points: 62.5 %", "points: 0 %", 13, "(allowed: above 0 % up to 100 %)", False),
    ("points: 62.5 %", "points: 101 %", 13, "(allowed: above 0 % up to 100 %)", False),
    ("points: 62.5 %", "points: -1 %", 13, "is not a share", True),
    ("points: 62.5 %", "points: [1]", 13, "must be a text, not a list or a mapping", True),
    ("in-time: true", "in-time: yes", 13, "did you mean 'true'?", False),
    ("in-time: true", "in-tme: true", 13, "did you mean 'in-time'?", True),
    ("{points: 62.5 %, in-time: true}", "62.5 %", 13, "must be a mapping", True),
    ("check: packages-whole", "check: package-whole", 17, "did you mean 'packages-whole'?", True),
    ("check: packages-whole", "check:", 17, "nothing is written here (allowed: conf", True),
    ("check: packages-whole", "check: [a]", 17, "is not known (allowed: configuration-", True),
    ("    check: packages-whole\n", "", 15, "objectives[0].check: is missing", True),
    ("points: 20", "points: 0", 18, "0 is not a count (allowed: 1 to 1000)", True),
    ("points: 20", "points: many", 18, "must be a whole number", True),
    ("why: A half", 'why: "A\\e[2J half" #', 19, "invisible character U+001B", False),
    ("read: dpkg(1), option --audit", "read: ''", 20, "must not be empty", True),
    (", costs: 5", ", cost: 5", 22, "did you mean 'costs'?", True),
    (", costs: 5", ", costs: -5", 22, "-5 is not a number of points", True),
    ("hint: Ask the package manager what it left undone., ", "", 22, "hint: is missing", True),
    ("critical: false", "critical: maybe", 29, "must be true or false", True),
    ("kind: session-lost", "kind: sesion-lost", 32, "did you mean 'session-lost'?", True),
    ("    kind: session-lost\n", "", 31, "injects[0].kind: is missing", True),
    ("when: unpacking", "when: unpackin", 34, "did you mean 'unpacking'?", True),
    ("when: unpacking", "when: UNPACKING", 34, "allowed: start, services-rest", True),
    ("    cue: The terminal says no more.\n", "", 31, "injects[0].cue: is missing", True),
    ("cue: The terminal says no more.", "cue:", 35, "nothing is written here", True),
    ("    right: Make room, then let the package manager finish.\n", "", 41, "right: is", True),
    ("    lesson: The decision has a time of its own.\n", "", 48, "lesson: is missing", True),
    ("lesson: The decision has a time of its own.", "lesson: ' '", 54, "must not be empty", False),
    ("limit: 5 min", "limit: 0 s", 39, "must be longer than 0 s", False),
    ("limit: 5 min", "limit: soon", 39, "is not a duration", True),
    ("always: true", "always: sometimes", 40, "must be true or false", True),
    ("step: full-upgrade", "step: full upgrade", 44, "is not a name", True),
    ("at: 12 min", "at: -1 s", 51, "is not a duration", True),
    ("key-points:\n  - Who", "key-points: Who", 55, "must be a list", True),
    ("  - When did", '  - "One\\nTwo" #', 58, "debrief[0]: must be a single line", False),
    ("read:\n  - apt-get(8)", "read:\n  - {a: b}", 63, "must be a text", True),
    # between the parts
    ("objective: called", "objective: whole", 26, "another objective, on line 15", False),
    ("inject: no-room", "inject: line-drops", 41, "another inject, on line 31", False),
    ("    when: unpacking\n", "", 31, "and `at` says when it happens (found: none)", True),
    ("when: unpacking", "when: start\n    step: reboot", 31, "(found: when, step)", True),
    ("at: 12 min", "at: 12 min\n    when: start", 48, "(found: when, at)", True),
    ("at: 12 min", "at: 40 min", 51, "'40 min' is not below `time-allowed`, '40 min'", False),
    ("at: 12 min", "at: 1 h", 51, "'1 h' is not below `time-allowed`, '40 min'", False),
    ("draw: 1", "draw: 3", 12, "3 is more than the injects that are left to the draw, 2", False),
    (", costs: 5", ", costs: 20", 21, "cost 21 points together, and the objective is wo", False),
    ("    points: 20\n", "    points: 5\n", 21, "cost 6 points together", False),
    ("window: 1 h\n", "", 27, "needs the key `window`", False),
]


@pytest.mark.parametrize(("old", "new", "line", "told", "seen"), MISTAKES)
def test_a_mistake_is_told_at_its_place(
    tmp_path: Path, old: str, new: str, line: int, told: str, seen: bool
) -> None:
    """With the line and, where it can be guessed, what was meant; and it is the only one told
    on lines that were good."""
    lines = find_lines(tmp_path, changed(old, new))
    assert any(one.startswith(f"{line}:") and told in one for one in lines), lines
    assert len(lines) <= 2, lines


def test_no_objective_is_missing(tmp_path: Path) -> None:
    """A drill has an objective, and one of them is critical."""
    none = LEAST[: LEAST.index("objectives:")]
    assert find_lines(tmp_path, none) == ["1: objectives: is missing"]
    (line,) = find_lines(tmp_path, none + "objectives: []\n")
    assert line.startswith("7: objectives: ")
    assert find_lines(tmp_path, LEAST + "    critical: false\n") == [
        "7: objectives: no objective is critical; mark what the drill is about with "
        "`critical: true`"
    ]


def test_hints_may_cost_all_of_the_points(tmp_path: Path) -> None:
    """And no more: without figures an objective is worth 10 and a hint costs 1."""
    hints = "    hints:\n" + "      - {hint: Look.}\n" * 10
    assert len(load_drill(write(tmp_path, LEAST + hints)).objectives[0].hints) == 10
    assert find_lines(tmp_path, LEAST + hints + "      - {hint: Look.}\n") == [
        "11: objectives[0].hints: cost 11 points together, and the objective is worth 10"
    ]
    free = hints + "      - {hint: Look., costs: 0}\n"
    assert load_drill(write(tmp_path, LEAST + free)).objectives[0].hints[-1].cost == 0


def test_no_draw_without_injects(tmp_path: Path) -> None:
    """One cannot be drawn from none, and those that always happen are not drawn."""
    told = "more than the injects that are left to the draw"
    assert load_drill(write(tmp_path, LEAST + "draw: all\n")).injects == ()
    assert find_lines(tmp_path, LEAST + "draw: 1\n") == [f"11: draw: 1 is {told}, 0"]
    text = changed("    at: 12 min", "    at: 12 min\n    always: true")
    (line,) = find_lines(tmp_path, changed("draw: 1", "draw: 2", text))
    assert line == f"12: draw: 2 is {told}, 1"


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    """Of text, of keys and of what stands between them, in the order of the file."""
    text = changed("level: supervised", "levl: supervised")
    text = changed("draw: 1", "draw: 7", text)
    text = changed("points: 20", "points: 20\n    points: 30", text)
    text = changed("kind: root-full", "kind: root-ful", text)
    text = changed("at: 12 min", "at: 2 h", text)
    assert find_lines(tmp_path, text) == [
        "1: level: is missing",
        "4: levl: is not a key of this place (allowed: schema, drill, title, level, situation, "
        "time-allowed, window, begins-before, draw, passing, objectives, injects, key-points, "
        "debrief, read; did you mean 'level'?)",
        "12: draw: 7 is more than the injects that are left to the draw, 2",
        "19: objectives[0].points: written twice; the first is on line 18",
        f"43: injects[1].kind: 'root-ful' is not known (allowed: {', '.join(INJECT_NAMES)}; "
        "did you mean 'root-full'?)",
        "52: injects[2].at: '2 h' is not below `time-allowed`, '40 min'",
    ]


def test_steps_are_the_profiles(tmp_path: Path, profile: Profile) -> None:
    """A step that the profile has not is told with the nearest name; without a profile any
    name is taken, since the file does not say which one it is played on."""
    wrong = changed("begins-before: quiesce", "begins-before: quiesc")
    wrong = changed("step: full-upgrade", "step: half-upgrade", wrong)
    assert load_drill(write(tmp_path, wrong)).begins_before == "quiesc"
    assert find_lines(tmp_path, wrong, profile) == [
        "11: begins-before: the profile has no step 'quiesc'; did you mean 'quiesce'?",
        "44: injects[1].step: the profile has no step 'half-upgrade'; did you mean 'full-upgrade'?",
    ]


def test_what_is_no_drill_file(tmp_path: Path) -> None:
    """A list, an empty file and a file that is not there are told as such."""
    assert find_lines(tmp_path, "- a\n") == ["1:1: a drill file is a mapping of keys to values"]
    assert find_lines(tmp_path, "") == ["1:1: the file is empty"]
    with pytest.raises(NotFound):
        load_drill(tmp_path / "none.yaml")


def put_drill(folder: Path, name: str) -> Path:
    """The small drill under this name in a folder of profiles."""
    path = folder / "drills" / f"{name}.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(GOOD, encoding="utf-8")
    return path


def test_a_drill_is_found_by_name_and_by_path(tmp_path: Path) -> None:
    """A name is looked for in the folder `drills`, a path is taken as it is."""
    path = put_drill(tmp_path, "late-night")
    assert find_drill("late-night", [tmp_path]) == path
    assert find_drill(str(path)) == path
    with pytest.raises(NotFound) as caught:
        find_drill("late-nigth", [tmp_path])
    assert "late-night" in caught.value.found
    assert caught.value.hint == "Did you mean 'late-night'?"
    assert str(shipped_folders()[0] / "drills") in caught.value.where


def test_a_name_never_leads_out_of_the_folder(tmp_path: Path) -> None:
    """`../x` is a path and no name, so nothing beside the folder is found by it."""
    put_drill(tmp_path, "late-night")
    (tmp_path / "x.yaml").write_text(GOOD)
    for name in ("../x", "..", "x"):
        with pytest.raises(NotFound):
            find_drill(name, [tmp_path])


def test_drills_are_listed_by_name(tmp_path: Path) -> None:
    """In the order of their names, each once, the first folder's where two have one; what no
    name can mean is not listed."""
    own, other = tmp_path / "own", tmp_path / "other"
    for folder in (own, other):
        folder.mkdir()
    wanted = [put_drill(own, "aa-first"), put_drill(other, "aa-second"), put_drill(own, "aa-third")]
    put_drill(other, "aa-first")
    put_drill(own, "No Name")
    (own / "drills" / "aa-folder.yaml").mkdir()
    (own / "drills" / "README.md").write_text("words")
    listed = list_drills([own, other])
    assert [path for path in listed if path.is_relative_to(tmp_path)] == wanted
    assert list(listed) == sorted(listed, key=lambda path: path.stem)
    assert [find_drill(path.stem, [own, other]) for path in wanted] == wanted


def test_every_listed_drill_loads(profile: Profile) -> None:
    """What is shipped is good, is called as its file is, and names steps of the profile."""
    for path in list_drills():
        assert load_drill(path, profile).name == path.stem


def test_the_folder_of_the_drills_is_no_profile(tmp_path: Path) -> None:
    """Not by its name and not in the list of what there is, even with a drill that is called
    `profile`."""
    put_drill(tmp_path, "profile")
    with pytest.raises(NotFound) as caught:
        find_profile("drills", [tmp_path])
    assert "drills" not in caught.value.found
    assert find_drill("profile", [tmp_path]) == tmp_path / "drills" / "profile.yaml"


def test_shipped_drills_are_installed() -> None:
    """The build's list of data files takes every drill there is, to where a name is looked
    for in an installation."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    files: dict[str, list[str]] = data["tool"]["setuptools"]["data-files"]
    (patterns,) = [got for folder, got in files.items() if folder.endswith("profiles/drills")]
    assert "share/forerun/profiles/drills" in files
    for path in [*(ROOT / "profiles" / "drills").glob("*.yaml"), ROOT / "profiles/drills/x.yaml"]:
        name = str(path.relative_to(ROOT))
        assert any(fnmatch(name, pattern) for pattern in patterns), name


def read_plain(text: str) -> Any:
    """The file as an editor reads it: plain YAML, as JSON has it."""
    return json.loads(json.dumps(yaml.safe_load(text)))


@pytest.fixture(scope="module")
def validator() -> Any:
    """The printed schema in the jsonschema library."""
    schema = drill_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_the_schema_takes_what_the_loader_takes(validator: Any) -> None:
    """The printed JSON Schema (draft 2020-12, by the jsonschema library) takes the good files
    and every shipped drill."""
    assert drill_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    shipped = [path.read_text(encoding="utf-8") for path in list_drills()]
    for text in (GOOD, LEAST, changed("draw: 1", "draw: all"), *shipped):
        assert [error.message for error in validator.iter_errors(read_plain(text))] == []


@pytest.mark.parametrize(("old", "new", "line", "told", "seen"), MISTAKES)
def test_the_schema_refuses_what_the_loader_refuses(
    validator: Any, old: str, new: str, line: int, told: str, seen: bool
) -> None:
    """Every mistake of a single key's kind, and of when an inject happens, is a fault in an
    editor, too; what stands between other parts is not."""
    assert bool(list(validator.iter_errors(read_plain(changed(old, new))))) is seen


def test_the_schema_takes_every_spoilt_file_that_loads(validator: Any, tmp_path: Path) -> None:
    """Changed at random places, a file that the loader still takes has no fault in an editor."""
    loaded = 0
    for seed in range(300):
        spoilt = spoil_value(yaml.safe_load(GOOD), Random(seed))
        text = yaml.safe_dump(spoilt, sort_keys=False).encode("utf-8", "surrogatepass")
        path = tmp_path / "file.yaml"
        path.write_bytes(text)
        with contextlib.suppress(InvalidFile):
            load_drill(path)
            loaded += 1
            faults = list(validator.iter_errors(read_plain(text.decode("utf-8"))))
            assert not faults, (seed, faults[0].message)
    assert loaded > 10


def run_command(arguments: list[str], monkeypatch: pytest.MonkeyPatch, home: Path) -> int:
    """`forerun` with these words; its exit code."""
    monkeypatch.setattr("sys.argv", ["forerun", *arguments])
    monkeypatch.setenv("FORERUN_HOME", str(home))
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def test_the_command_checks_a_drill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By where it lies, or by an option; with a profile its steps are held against it, without
    one that is said; a mistake has the exit code of an invalid file."""
    good = "good: A short night with two surprises: 2 objectives, 3 injects, 40 min"
    arguments = ["profile", "check", "--drill", str(SMALL)]
    assert run_command(arguments, monkeypatch, tmp_path) == 0
    out = capsys.readouterr().out
    assert good in out
    assert "caution: the steps it names were held against no profile" in out
    arguments += ["--profile", "debian-12-to-13"]
    assert run_command(arguments, monkeypatch, tmp_path) == 0
    assert capsys.readouterr().out.strip() == good
    lies = put_drill(tmp_path, "late-night")
    assert run_command(["profile", "check", str(lies)], monkeypatch, tmp_path) == 0
    assert good in capsys.readouterr().out
    lies.write_text(changed("begins-before: quiesce", "begins-before: quiesc"))
    arguments = ["profile", "check", str(lies), "--profile", "debian-12-to-13"]
    assert run_command(arguments, monkeypatch, tmp_path) == InvalidFile.exit_code
    assert "did you mean 'quiesce'?" in capsys.readouterr().err


def test_only_a_drill_is_held_against_a_profile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The option with another kind of file is refused and not passed over."""
    arguments = ["profile", "check", "debian-12-to-13", "--profile", "debian-12-to-13"]
    assert run_command(arguments, monkeypatch, tmp_path) == UsageError.exit_code
    assert "Add --drill" in capsys.readouterr().err


def test_the_command_prints_the_schema(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """That of this kind of file."""
    assert run_command(["profile", "schema", "--drill"], monkeypatch, tmp_path) == 0
    assert json.loads(capsys.readouterr().out) == drill_schema()
