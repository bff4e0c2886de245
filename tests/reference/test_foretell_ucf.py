"""ucf and debconf themselves are asked whether they ask.

References: the lab host's ucf(1) with a state folder of its own, this test being the
debconf at the other end of its protocol (debconf-devel(7)); and the lab host's debconf
with databases of its own, whose debug lines tell what is asked and what is skipped."""

from __future__ import annotations

import hashlib
import io
import os
import pty
import shutil
import subprocess
from collections.abc import Mapping
from itertools import pairwise, product
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey
from tests.practice.deb_file import build_deb

from forerun.distro.debian_packages import read_package
from forerun.model.likeness import PlannedPackage
from forerun.model.survey import CleanSurvey
from forerun.model.system import ManagedFile, Question, SystemFacts
from forerun.stages.foretell import foretell

pytestmark = pytest.mark.tools

CONTENT: Mapping[str, bytes | None] = {
    "old": b"rows = 10\n",
    "new": b"rows = 12\n",
    "own": b"rows = 99\n",
    "gone": None,
}


def digest(content: bytes) -> str:
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


def run_ucf(folder: Path, disk: bytes | None, offered: bytes, recorded: bytes) -> bool:
    """Whether ucf puts a question for these three versions of a file."""
    state = folder / "state"
    state.mkdir()
    target, source = folder / "shelf.conf", folder / "template"
    source.write_bytes(offered)
    if disk is not None:
        target.write_bytes(disk)
    (state / "hashfile").write_text(f"{digest(recorded)}  {target}\n", encoding="ascii")
    done = subprocess.run(
        ["ucf", "--three-way", "--debconf-ok", "--state-dir", str(state), str(source), str(target)],
        input=b"0 keep_current\n" * 100,
        capture_output=True,
        # With DEBIAN_HAS_FRONTEND the script talks the protocol on its standard streams.
        env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C", "DEBIAN_HAS_FRONTEND": "1"},
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()
    return b"INPUT critical ucf/changeprompt" in done.stdout


@pytest.mark.parametrize(("disk", "offered"), list(product(CONTENT, ("old", "new"))))
def test_ucf_asks_about_just_the_files_foretold(tmp_path: Path, disk: str, offered: str) -> None:
    """Untouched, edited, deleted and equal to the new one, with a new version and
    without: the foretold set is ucf's own."""
    if not shutil.which("ucf"):
        pytest.skip("not installed: ucf")
    new = CONTENT[offered]
    old = CONTENT["old"]
    content = CONTENT[disk]
    assert new is not None and old is not None
    state = "missing" if content is None else "" if content == old else "changed"
    row = ManagedFile(
        "/etc/shelf.conf", "shelf", state, digest(old), digest(content) if content else ""
    )
    survey = make_survey("shelf=1.0", system=SystemFacts(managed=(row,)))
    package = build_deb(
        "shelf",
        "2.0",
        files={"/usr/share/shelf/shelf.conf": new},
        scripts={
            "postinst": '#!/bin/sh\nset -e\nif [ "$1" = configure ]; then\n'
            "  ucf --three-way --debconf-ok /usr/share/shelf/shelf.conf /etc/shelf.conf\nfi\n"
        },
    )
    told = foretell(
        survey,
        [PlannedPackage("shelf", "all", "2.0", "", "", 0)],
        [read_package(io.BytesIO(package), {"/etc/shelf.conf"})],
    )
    asked = run_ucf(tmp_path, content, new, old)
    assert asked == (offered == "new" and disk in ("own", "gone"))
    assert [t.subject for t in told if t.kind == "ucf" and t.sure] == ["/etc/shelf.conf"] * asked


TEMPLATES = "".join(
    f"Template: shelf/{name}\nType: boolean\nDefault: true\n"
    f"Description: Is the {name} one wanted?\n A question of a practice package.\n\n"
    for name in ("low", "medium", "high", "critical", "seen", "anew", "perhaps")
)
CONFIG = """#!/bin/sh
set -e
. /usr/share/debconf/confmodule
db_input low shelf/low || true
db_input medium shelf/medium || true
db_input high shelf/high || true
db_input critical shelf/critical || true
db_input high shelf/seen || true
db_fset shelf/anew seen false
db_input high shelf/anew || true
if [ -e /nowhere ]; then
  db_input critical shelf/perhaps || true
fi
db_go || true
"""
DATABASES = """Config: config
Templates: templates

Name: config
Driver: File
Filename: {folder}/config.dat

Name: templates
Driver: File
Filename: {folder}/templates.dat
"""


def ask_debconf(folder: Path, seen: tuple[str, ...], priority: str) -> set[str]:
    """The questions that debconf's readline front end puts for CONFIG."""
    (folder / "debconf.conf").write_text(DATABASES.format(folder=folder), encoding="ascii")
    (folder / "shelf.templates").write_text(TEMPLATES, encoding="ascii")
    script = folder / "shelf.config"
    script.write_text(CONFIG, encoding="ascii")
    script.chmod(0o755)
    marks = f"db_x_loadtemplatefile {folder}/shelf.templates shelf\n"
    marks += "".join(f"db_fset {name} seen true\n" for name in seen)
    first = folder / "first.config"
    first.write_text(f"#!/bin/sh\nset -e\n. /usr/share/debconf/confmodule\n{marks}", "ascii")
    first.chmod(0o755)
    environment = {
        "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
        "LC_ALL": "C",
        "TERM": "dumb",
        "HOME": str(folder),
        "DEBCONF_SYSTEMRC": str(folder / "debconf.conf"),
        "DEBIAN_FRONTEND": "readline",
        "DEBIAN_PRIORITY": priority,
        "DEBCONF_DEBUG": "developer",
    }
    subprocess.run(
        ["debconf", "-oshelf", str(first)],
        env=environment,
        capture_output=True,
        timeout=60,
        check=True,
    )
    leader, follower = pty.openpty()
    with os.fdopen(leader, "r+b", buffering=0), os.fdopen(follower, "r+b", buffering=0) as end:
        os.write(leader, b"yes\n" * 20)
        done = subprocess.run(
            ["debconf", "-oshelf", str(script)],
            stdin=end,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=environment,
            timeout=60,
            check=False,
            start_new_session=True,
        )
    lines = done.stderr.decode("utf-8", "replace").splitlines()
    asked = set()
    for one, after in pairwise(lines):
        if "<-- INPUT" in one and "question will be asked" in after:
            asked.add(one.split()[-1])
    return asked


def ask_forerun(survey: CleanSurvey, environment: Mapping[str, str]) -> dict[str, bool]:
    package = build_deb("shelf", "2.0", scripts={"config": CONFIG}, templates=TEMPLATES)
    told = foretell(
        survey,
        [PlannedPackage("shelf", "all", "2.0", "", "", 0)],
        [read_package(io.BytesIO(package), ())],
        environment=environment,
    )
    return {t.subject: t.sure for t in told if t.kind == "debconf"}


@pytest.mark.parametrize("priority", ["critical", "high", "medium", "low"])
def test_debconf_asks_just_the_questions_foretold(tmp_path: Path, priority: str) -> None:
    """Priority, seen, and the mark taken away: the sure ones are debconf's own; the one
    under a condition is foretold as not sure."""
    if not shutil.which("debconf"):
        pytest.skip("not installed: debconf")
    seen = ("shelf/seen", "shelf/anew")
    rows = tuple(
        Question(f"shelf/{name}", ("shelf",), "boolean", f"shelf/{name}" in seen)
        for name in ("low", "medium", "high", "seen", "anew")
    )
    survey = make_survey("shelf=1.0", system=SystemFacts(questions=rows))
    told = ask_forerun(survey, {"DEBIAN_FRONTEND": "readline", "DEBIAN_PRIORITY": priority})
    asked = ask_debconf(tmp_path, seen, priority)
    assert "shelf/critical" in asked
    assert {name for name, sure in told.items() if sure} == asked
    assert {name for name, sure in told.items() if not sure} == {"shelf/perhaps"}
