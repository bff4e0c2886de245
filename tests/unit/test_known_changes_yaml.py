"""A file of known changes is judged as profiles are: every mistake at once, at its place."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml

from forerun.cli import main
from forerun.errors import InvalidFile, NotFound
from forerun.model import known_change as known
from forerun.model.finding import Severity
from forerun.model.profile import Profile
from forerun.profiles import (
    find_known_changes,
    find_profile,
    known_changes_schema,
    load_known_changes,
    load_profile,
)

GOOD = """\
schema: forerun.known-changes/1
profile: small
renamed-units: {old@-.service: new.service}
changes:
  - change: keys
    title: Old keys are refused
    about: SSH service
    severity: loses access
    changes: >-
      They are refused
      from now on.
    advice: Make new ones.
    source: a page
    survey:
      all-of:
        - package: {name: "ssh*", below: "1:9.2p1-2+deb12u7", held: false}
        - not: {file: {paths: [/etc/ssh/*], line-like: 'dss', edited: true}}
        - any-of:
            - mount: {target: /boot, smaller-than: 732 MiB}
            - machine: {boot: uefi}
            - unseen: {why: homes are not read}
    rehearsal: {check: {name: ssh-syntax, ended: broke}}
    settled-by: boot-files
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "known-changes.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def find_lines(folder: Path, text: str, profile: Profile | None = None) -> list[str]:
    """The mistakes, each without the file's name."""
    path = write(folder, text)
    with pytest.raises(InvalidFile) as caught:
        load_known_changes(path, profile)
    found = str(caught.value.found).strip().splitlines()
    return [line.removeprefix(f"{path}:") for line in found]


def test_every_field_arrives(tmp_path: Path) -> None:
    """The records of a good file."""
    found = load_known_changes(write(tmp_path, GOOD))
    (change,) = found.changes
    assert (found.profile, found.renamed_units) == ("small", (("old@-.service", "new.service"),))
    assert change.severity is Severity.LOSES_ACCESS
    assert change.changes == "They are refused from now on."
    assert change.settled_by == "boot-files"
    assert change.rehearsal == known.CheckEnded("ssh-syntax", "broke")
    assert change.survey == known.AllOf(
        (
            known.PackageIs("ssh*", below="1:9.2p1-2+deb12u7", held=False),
            known.Not(known.FileHas(("/etc/ssh/*",), "dss", edited=True)),
            known.AnyOf(
                (
                    known.MountIs("/boot", smaller_than=732 << 20),
                    known.MachineIs(boot="uefi"),
                    known.Unseen("homes are not read"),
                )
            ),
        )
    )


@pytest.mark.parametrize(
    ("old", "new", "line", "told"),
    [
        ("line-like: 'dss'", "line-like: '(dss'", 17, "is not a regular expression"),
        ("line-like: 'dss'", "line-like: 'd*'", 17, "matches an empty text"),
        ("line-like: 'dss'", "line-lik: 'dss'", 17, "did you mean 'line-like'?"),
        ("[/etc/ssh/*]", "[etc/ssh]", 17, "must be an absolute path"),
        ("severity: loses access", "severity: loses acces", 8, "did you mean 'loses access'?"),
        ('below: "1:9.2p1-2+deb12u7"', "below: newest", 16, "is not a version"),
        ("held: false", "held: no", 16, "must be true or false"),
        ("smaller-than: 732 MiB", "smaller-than: 732 MB", 19, "is not a size"),
        (", smaller-than: 732 MiB", "", 19, "asks nothing"),
        ("{boot: uefi}", "{}", 20, "asks nothing"),
        ("{boot: uefi}", "{boot: efi}", 20, "allowed: bios, uefi"),
        ("- machine:", "- machin:", 20, "did you mean 'machine'?"),
        (
            "- machine: {boot: uefi}",
            "- kept-file: {path: /a}",
            20,
            "cannot be asked under `survey`",
        ),
        ("rehearsal: {check", "rehearsal: {package", 22, "ended"),
        ("ended: broke}}", "ended: broke}, text: {line-like: a}}", 22, "one question"),
        ("name: ssh-syntax, ", "", 22, "name: is missing"),
        ("    source: a page\n", "", 5, "source: is missing"),
        ("schema: forerun.known-changes/1", "schema: forerun.profile/1", 1, "is not known"),
    ],
)
def test_a_mistake_is_told_at_its_place(
    tmp_path: Path, old: str, new: str, line: int, told: str
) -> None:
    """With the line and, where it can be guessed, what was meant."""
    assert old in GOOD
    lines = find_lines(tmp_path, GOOD.replace(old, new, 1))
    assert any(one.startswith(f"{line}:") and told in one for one in lines), lines


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    """Of keys and of what stands between them, in the order of the file."""
    second = GOOD[GOOD.index("  - change") :].replace("    survey:", "    surveys:")
    second = second.replace("    rehearsal: {check: {name: ssh-syntax, ended: broke}}\n", "")
    lines = find_lines(tmp_path, GOOD.replace("about: SSH", "abut: SSH") + second)
    numbers = [int(line.partition(":")[0]) for line in lines]
    assert numbers == sorted(numbers)
    text = "\n".join(lines)
    for told in (
        "changes[0].about: is missing",
        "changes[0].abut: is not a key of this place",
        "'keys' is the name of another change, on line 5",
        "`survey` or `rehearsal` is missing",
        "changes[1].surveys: is not a key of this place",
    ):
        assert told in text


def test_names_are_the_profiles(tmp_path: Path) -> None:
    """A step or a check that the profile has not is told, with the nearest name."""
    profile = load_profile(find_profile("debian-12-to-13"))
    assert load_known_changes(write(tmp_path, GOOD), profile).changes
    wrong = GOOD.replace("boot-files", "boot-file").replace("ssh-syntax", "ssh-sintax")
    lines = find_lines(tmp_path, wrong, profile)
    assert len(lines) == 2
    assert "the profile has no check 'ssh-sintax'; did you mean 'ssh-syntax'?" in lines[0]
    assert "the profile has no step 'boot-file'; did you mean 'boot-files'?" in lines[1]


def test_what_lies_beside_a_profile(tmp_path: Path) -> None:
    """The shipped file is found by its profile; a profile may be without one."""
    profile = load_profile(find_profile("debian-12-to-13"))
    assert find_known_changes(profile).profile == profile.name
    assert len(find_known_changes(profile).changes) > 60
    alone = tmp_path / "profile.yaml"
    alone.write_bytes(Path(profile.path).read_bytes())
    assert find_known_changes(load_profile(alone)).changes == ()
    with pytest.raises(NotFound):
        load_known_changes(tmp_path / "none.yaml")


def test_the_schema_takes_what_is_shipped() -> None:
    """The printed JSON Schema (draft 2020-12, by the jsonschema library) takes the shipped
    file and refuses a key that is none."""
    schema = known_changes_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    path = find_profile("debian-12-to-13").with_name("known-changes.yaml")
    data = json.loads(json.dumps(yaml.safe_load(path.read_text(encoding="utf-8"))))
    validator = jsonschema.Draft202012Validator(schema)
    assert [error.message for error in validator.iter_errors(data)] == []
    data["changes"][0]["survei"] = {}
    assert list(validator.iter_errors(data))


def run_command(arguments: list[str], monkeypatch: pytest.MonkeyPatch, home: Path) -> int:
    """`forerun` with these words; its exit code."""
    monkeypatch.setattr("sys.argv", ["forerun", *arguments])
    monkeypatch.setenv("FORERUN_HOME", str(home))
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def test_the_command_checks_such_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By its name, or where it has another by an option; it is held against the profile
    beside it; a mistake has the exit code of an invalid file."""
    shipped = find_profile("debian-12-to-13").with_name("known-changes.yaml")
    assert run_command(["profile", "check", str(shipped)], monkeypatch, tmp_path) == 0
    known_ones = load_known_changes(shipped).changes
    seen = sum(change.survey is not None for change in known_ones)
    told = f"good: {len(known_ones)} known changes, {seen} of them seen in a survey"
    assert told in capsys.readouterr().out
    assert run_command(["profile", "check", "debian-12-to-13"], monkeypatch, tmp_path) == 0
    assert f", {len(known_ones)} known changes" in capsys.readouterr().out
    other = tmp_path / "ours.yaml"
    other.write_text(GOOD, encoding="utf-8")
    arguments = ["profile", "check", "--known-changes", str(other)]
    assert run_command(arguments, monkeypatch, tmp_path) == 0
    (tmp_path / "profile.yaml").write_bytes(shipped.with_name("profile.yaml").read_bytes())
    wrong = write(tmp_path, GOOD.replace("boot-files", "boot-file"))
    arguments = ["profile", "check", str(wrong)]
    assert run_command(arguments, monkeypatch, tmp_path) == InvalidFile.exit_code
    assert "did you mean 'boot-files'?" in capsys.readouterr().err


def test_the_command_prints_the_schema(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """That of this kind of file."""
    assert run_command(["profile", "schema", "--known-changes"], monkeypatch, tmp_path) == 0
    assert json.loads(capsys.readouterr().out) == known_changes_schema()
