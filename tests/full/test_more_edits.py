"""The demonstration's server with twelve edited packaged files instead of four: what the
upgrade asks about them is foretold from the survey."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from tests.full.foretold import assert_foretold, assert_like_production

pytestmark = [pytest.mark.full, pytest.mark.timeout(3600)]

ROOT = Path(__file__).resolve().parents[2]


def test_twelve_edited_files(tmp_path: Path) -> None:
    """The files that dpkg or ucf asked about, all of them foretold. An upgrade of a 578-package
    Debian 12.15 tree to 13.8, observed before, asked about the same files; logrotate.conf,
    whose new version is the old one, passed there without a question, too."""
    if os.geteuid() != 0:
        pytest.skip("the demonstration needs root")
    log = tmp_path / "log"
    with log.open("wb") as stream:
        done = subprocess.run(
            [str(ROOT / "demo" / "run"), "--more-edits"],
            stdin=subprocess.DEVNULL,
            stdout=stream,
            stderr=subprocess.STDOUT,
            check=False,
        )
    assert done.returncode == 0, log.read_text(encoding="utf-8", errors="replace")[-4000:]
    report = json.loads((ROOT / "demo" / "out" / "report.json").read_text(encoding="utf-8"))
    assert_like_production(report)
    assert_foretold(
        report,
        {
            "/etc/issue",
            "/etc/nginx/nginx.conf",
            "/etc/smartd.conf",
            "/etc/ssh/sshd_config",
            "/etc/bash.bashrc",
            "/etc/crontab",
            "/etc/default/grub",
            "/etc/login.defs",
            "/etc/pam.d/sshd",
            "/etc/systemd/journald.conf",
            "/etc/systemd/logind.conf",
        },
    )
