"""A clone that is kept on purpose: it is reached and removed as the command says."""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path
from typing import Any

import libvirt
import pytest
import yaml

from forerun.model.blueprint import TemplateInfo
from forerun.pipeline_bench import Bench
from forerun.ports.hypervisor import NAME_PREFIX
from tests.practice.archive import HERE, PracticeArchive
from tests.vm import lab
from tests.vm.program import Program, find_word, wait_for_line

pytestmark = pytest.mark.vm


def write_short_profile(practice: PracticeArchive, path: Path) -> Path:
    """The practice procedure with one step that leaves a mark, and no upgrade."""
    profile: dict[str, Any] = yaml.safe_load(
        practice.write_profile(path).read_text(encoding="utf-8")
    )
    mark = {
        "step": "mark",
        "title": "Leave a mark",
        "script": "echo kept > /root/mark",
        "time-allowed": "2 min",
        "point-of-no-return": True,
        "back-out": "Remove the mark.",
    }
    profile["stages"] = {"window": [mark]}
    path.write_text(yaml.safe_dump(profile), encoding="utf-8")
    return path


def is_running(name: str) -> bool:
    connection = libvirt.open(lab.URI)
    try:
        return name in {domain.name() for domain in connection.listAllDomains()}
    finally:
        connection.close()


def test_a_kept_clone_is_reached_and_removed_as_it_says(
    program: Program,
    server: lab.Server,
    practised: TemplateInfo,
    practice: PracticeArchive,
    bench: Bench,
    tmp_path: Path,
) -> None:
    """`--keep` leaves the clone running after the command's end; the printed login works and
    shows what the procedure did. An ordinary sweep passes it over, the printed one removes
    it with all that belongs to it. The server is surveyed by the same command, which waits
    until a second person has approved the copy, so the server's originals are looked for on
    the clone and in the run's files, too."""
    profile = write_short_profile(practice, tmp_path / "short.yaml")
    with program.running(
        "rehearse", "root@127.0.0.1", "--port", str(server.ssh_port),
        "--identity", str(server.key_file), "--known-hosts", str(server.known_hosts),
        "--profile", str(profile), "--site", str(HERE / "site.yaml"), "--approval-wait", "10min",
        "--cpus", "1", "--memory", "512MiB", "--template", practised.id, "--keep",
    ) as (process, log):  # fmt: skip
        survey = wait_for_line(log, r"  forerun approve (\S+) --by NAME", process)
        program.run("review", survey)
        program.run("approve", survey, "--by", "a second person")
        assert process.wait(900) == 0, log.read_text(encoding="utf-8", errors="replace")[-4000:]
    output = log.read_text(encoding="utf-8", errors="replace")
    run = find_word(output, "run")
    login, removal = (
        next(line for line in output.splitlines() if line.startswith(word))
        for word in ("ssh ", "forerun sweep ")
    )
    try:
        assert is_running(f"{NAME_PREFIX}{run}")
        record = bench.store.load_run(run)
        assert "leaks" in dict(record.preparation)
        assert record.copy_approved_by == "a second person"
        done = subprocess.run(
            [*shlex.split(login), "-o", "BatchMode=yes", "cat", "/root/mark"],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=120,
            check=False,
        )
        assert (done.returncode, done.stdout) == (0, b"kept\n"), done.stderr
        program.run("sweep")
        assert is_running(f"{NAME_PREFIX}{run}")
    finally:
        program.run(*shlex.split(removal)[1:])
    assert not is_running(f"{NAME_PREFIX}{run}")
    assert bench.store.ledger.find(run) == ()
    assert not (bench.store.machines / run).exists()
