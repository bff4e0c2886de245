"""The cautions stand where a wrong belief could hurt somebody: a rehearsal taken for a proof or
a backup, a copy for anonymous, a kept clone for a server, a sweep for a deletion."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from tests.practice.bare_survey import make_survey
from tests.unit.test_custody import keep

from forerun import cli, cli_rehearse
from forerun.cli_custody import _place
from forerun.errors import LabUnfit
from forerun.model.observation import RunRecord
from forerun.model.survey import ArchiveSource
from forerun.pipeline import Rehearsed
from forerun.ports.records import load_record
from forerun.ports.store import Store
from forerun.profiles import load_profile, load_site
from forerun.report.objections import CAUTIONS
from forerun.report.outline import outline
from forerun.report.render_terminal import render_terminal
from forerun.report.runbook import write_runbook
from forerun.report_files import draw_report
from forerun.testing import FakeHypervisor

ROOT = Path(__file__).parents[2]
RUN = ROOT / "tests" / "data" / "run-record-shelf01.json"


def run(words: list[str], state: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setenv("FORERUN_HOME", str(state))
    monkeypatch.setattr("forerun.pipeline_bench.LibvirtHypervisor", lambda _uri: FakeHypervisor())
    return cli.run_guarded(lambda: cli.app(words, standalone_mode=True), state)


def squeeze(text: str) -> str:
    """One line, without what Markdown and HTML put between words."""
    return " ".join(text.replace("\\", "").replace("&#39;", "'").split())


@pytest.mark.parametrize("form", ["json", "markdown", "html"])
def test_every_report_has_every_caution(form: str) -> None:
    drawn = squeeze(draw_report(outline(load_record(RunRecord, RUN)), form))
    for caution in CAUTIONS:
        assert squeeze(caution) in drawn


def test_the_runbook_has_every_caution() -> None:
    profile = load_profile(ROOT / "profiles" / "debian-12-to-13" / "profile.yaml")
    site = load_site(ROOT / "demo" / "site.yaml")
    record = replace(
        load_record(RunRecord, RUN), profile_digest=profile.digest, site_digest=site.digest
    )
    sheet = squeeze(write_runbook(profile, site, record))
    for caution in (*CAUTIONS, "Authorised staff decide at every step"):
        assert squeeze(caution) in sheet


@pytest.mark.parametrize(
    "words",
    ["no backup", "no proof", "authorised", "personal data", "take the least", "change control",
     "independent way in"],
)  # fmt: skip
def test_the_version_tells_the_cautions(
    words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["version"], tmp_path, monkeypatch) == 0
    assert words in squeeze(capsys.readouterr().out)


@pytest.mark.parametrize("words", ["not proof", "no backup", "authorised", "review the copy"])
def test_the_summary_on_the_terminal_does(words: str) -> None:
    assert words in squeeze(render_terminal(outline(load_record(RunRecord, RUN))))


def test_a_fresh_survey_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Replaced is not anonymous; until when the copy is kept; who must look it over."""
    survey = make_survey(keep_until="2026-03-02T22:00:00Z")
    monkeypatch.setattr(cli, "survey_production", lambda *_: survey)
    monkeypatch.setattr(cli, "show_drift", lambda *_: None)
    assert run(["survey", "root@shelf01.example"], tmp_path / "state", monkeypatch) == 0
    told = squeeze(capsys.readouterr().out)
    for words in ("can still be personal data in law", "kept until 2026-03-02", "A person must"):
        assert words in told


def test_a_review_says_whose_scripts_will_run_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The reviewer sees which archives the clone may ask, and what building with them means."""
    source = ArchiveSource("f", 1, ("deb",), ("https://third.test/d",), ("x",), ("y",))
    store = Store(tmp_path / "state")
    survey = keep(store, make_survey(sources=(source,), keep_until="2999-01-01T00:00:00Z"))
    assert run(["review", survey.id], store.root, monkeypatch) == 0
    told = squeeze(capsys.readouterr().out)
    assert "https://third.test:443/d" in told
    assert "run on this lab host while a template is built" in told


HERE, PRIVATE = "this lab host itself", "an address of a private network"


@pytest.mark.parametrize(
    ("host", "place"),
    [
        *((host, HERE) for host in ("127.0.0.1", "localhost", "::1", "0.0.0.0")),
        *((host, PRIVATE) for host in ("169.254.1.1", "10.0.0.7", "fe80::1")),
        ("archive.example", ""),
    ],
)
def test_a_review_says_where_an_archive_lies(host: str, place: str) -> None:
    """Blocks of IANA's special-purpose address registries (RFC 6890)."""
    assert _place(host) == place


def test_a_kept_clone_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    record = load_record(RunRecord, RUN)
    done = Rehearsed(record, tmp_path, "ssh -p 1 root@127.0.0.1", 0)

    def rehearse(*_: object, draw: Callable[[RunRecord, Path], None], **__: object) -> Rehearsed:
        with contextlib.suppress(ValueError):  # it is another profile's run
            draw(record, tmp_path)
        return done

    monkeypatch.setattr(cli_rehearse, "run_rehearsal", rehearse)
    monkeypatch.setattr(Store, "load_survey", lambda *_: make_survey())
    run(["rehearse", "--survey", "survey-1", "--keep"], tmp_path / "state", monkeypatch)
    told = squeeze(capsys.readouterr().out)
    assert "unpatched on purpose and is no backup: use it for nothing else" in told


def test_a_sweep_says_what_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody may believe that copies of production went with the clones."""
    assert run(["sweep"], tmp_path / "state", monkeypatch) == 0
    assert "Surveys with their copies" in capsys.readouterr().err


def test_the_readme_has_them() -> None:
    """In a section of their own, for those who have not started yet."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = squeeze(text.partition("## Cautions\n")[2].partition("\n## ")[0])
    for words in (
        "no backup", "no proof", "pseudonymised", "authorised", "icence", "egulated",
        "change control", "independent way in", "unpatched",
    ):  # fmt: skip
        assert words in section, words


# -- the state folder and the log of a bug


def test_a_state_folder_that_all_may_write_is_refused(tmp_path: Path) -> None:
    """Whoever may write there decides what forerun does, often as root."""
    root = tmp_path / "state"
    root.mkdir()
    root.chmod(0o777)
    with pytest.raises(LabUnfit) as caught:
        Store(root)
    assert caught.value.where == str(root)
    assert "0777" in caught.value.found
    assert not (root / "ledger.sqlite").exists()
    root.chmod(0o755)
    Store(root)


def test_a_state_folder_that_somebody_else_prepared_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a neighbour may, in a folder for temporary files, under a name that is known."""
    root = tmp_path / "state"
    Store(root)
    facts = root.stat()
    other = os.stat_result((facts.st_mode, *facts[1:4], 4711, *facts[5:]))
    monkeypatch.setattr(Path, "stat", lambda *_, **__: other)
    with pytest.raises(LabUnfit, match="Others may write") as caught:
        Store(root)
    assert "user 4711" in caught.value.found


def test_the_log_of_a_bug_is_for_its_owner(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It may hold words of a server: nobody else reads it, and who sends it is told."""

    def fail() -> Any:
        raise KeyError("a word of the server's")

    assert cli.run_guarded(fail, tmp_path / "state") == 1
    assert stat.S_IMODE((tmp_path / "state" / "bug.log").stat().st_mode) == 0o600
    assert "read the log, which may hold words of your server" in capsys.readouterr().err
