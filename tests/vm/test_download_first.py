"""A what-if against the thing itself: "download before the window" is asked of a rehearsal
that downloaded in its window, and then a rehearsal is made whose procedure does so."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from forerun.model.blueprint import TemplateInfo
from forerun.model.observation import Outcome, RunRecord
from forerun.pipeline_bench import Bench
from tests.practice.archive import HERE, PracticeArchive
from tests.vm import lab
from tests.vm.program import Program, find_word

# Two rehearsals of some minutes each.
pytestmark = [pytest.mark.full, pytest.mark.timeout(3600)]

LINE = "8Mbit/s"
# The second suite by a list of its own: what the server has configured stays as it is.
_FETCH = """\
list=/root/second.list
sed 's/ first main/ second main/' /etc/apt/sources.list.d/practice.list > $list
only="-o Dir::Etc::SourceList=$list -o Dir::Etc::SourceParts=/dev/null"
apt-get -q $only update
apt-get -q -y $only --download-only full-upgrade
"""


def _move_download(profile: Path, target: Path) -> Path:
    document = yaml.safe_load(profile.read_text(encoding="utf-8"))
    document["name"] = f"{document['name']}-fetched"
    document["stages"]["prepare"].append(
        {
            "step": "fetch",
            "title": "Fetch the packages before the window",
            "script": _FETCH,
            "downloads": True,
            "time-allowed": "10 min",
        }
    )
    target.write_text(yaml.safe_dump(document, sort_keys=False), encoding="utf-8")
    return target


def _rehearse(
    survey: str, profile: Path, template: TemplateInfo, program: Program, bench: Bench
) -> RunRecord:
    output = program.run(
        "rehearse", "--survey", survey, "--profile", str(profile),
        "--site", str(HERE / "site.yaml"), "--cpus", "1", "--memory", "512MiB",
        "--template", template.id, "--rate-limit", LINE, limit_s=1800,
    )  # fmt: skip
    record = bench.store.load_run(find_word(output, "run"))
    assert record.outcome is Outcome.COMPLETED, record.why
    return record


def _ask(program: Program, run: str, *wishes: str) -> dict[str, Any]:
    words = [word for wish in (f"link={LINE}", *wishes) for word in ("--if", wish)]
    output = program.run("estimate", run, *words, "--format", "json")
    told = json.loads(output[output.index("{") :])
    assert not told["refused"], told["refused"]
    window: dict[str, Any] = told["forecast"]["window_seconds"]
    return window


def _spend(run: RunRecord) -> float:
    return sum(step.wall_s for step in run.steps if step.stage == "window")


def test_it_is_what_a_rehearsal_with_that_step_moved_takes(
    program: Program,
    server: lab.Server,
    practised: TemplateInfo,
    practice: PracticeArchive,
    bench: Bench,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The forecast of the moved procedure lies between the what-if's 20 % and 80 %, so the
    other way round, and the download (25 MB, some 25 s on that line) is what makes the
    difference to the forecast without the wish."""
    output = program.run(
        "survey", "root@127.0.0.1", "--port", str(server.ssh_port), "--calibrate",
        "--identity", str(server.key_file), "--known-hosts", str(server.known_hosts),
    )  # fmt: skip
    survey = find_word(output, "survey")
    program.run("approve", survey, "--by", "who tests")
    plain = practice.write_profile(program.folder / "in-window.yaml")
    moved = _move_download(plain, program.folder / "before-window.yaml")
    with lab.paused(server.name):
        in_window = _rehearse(survey, plain, practised, program, bench)
        before_window = _rehearse(survey, moved, practised, program, bench)

    whole = _ask(program, in_window.id)
    foretold = _ask(program, in_window.id, "download-first")
    rehearsed = _ask(program, before_window.id)
    seen = (
        f"in the window: {whole}, lab {_spend(in_window):.1f} s\n"
        f"what if it is downloaded before: {foretold}\n"
        f"downloaded before: {rehearsed}, lab {_spend(before_window):.1f} s\n"
    )
    with capsys.disabled():  # the figures are what one wants to see of a passed test, too
        sys.stdout.write(f"\n{seen}")
    assert whole["p50"] - foretold["p50"] > 15
    assert whole["p50"] - rehearsed["p50"] > 15
    assert foretold["p20"] <= rehearsed["p50"] <= foretold["p80"]
    assert rehearsed["p20"] <= foretold["p50"] <= rehearsed["p80"]
