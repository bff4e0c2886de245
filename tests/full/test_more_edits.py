"""The demonstration's server with twelve edited packaged files instead of four: what the
upgrade asks about them is foretold from the survey."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.full.demonstrated import play
from tests.full.foretold import assert_foretold, assert_like_production

pytestmark = [pytest.mark.full, pytest.mark.timeout(3600)]


def test_twelve_edited_files(tmp_path: Path) -> None:
    """The files that dpkg or ucf asked about, all of them foretold. An upgrade of a 578-package
    Debian 12.15 tree to 13.8, observed before, asked about the same files; logrotate.conf,
    whose new version is the old one, passed there without a question, too."""
    report = play(tmp_path, "--more-edits")
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
