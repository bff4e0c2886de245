"""The recorded stops of a real upgrade, and what was asked at them."""

from __future__ import annotations

import re
from pathlib import Path

from forerun.model.observation import PromptMet

STOPS = Path(__file__).parents[1] / "data" / "prompts" / "recorded-stops.txt"

# The files that dpkg's own --status-fd named in the same runs (pmconffile lines, one a
# dpkg prompt), then those that debconf's debug lines named (SUBST ... FILE).
DPKG_ASKED = [
    *("/etc/crontab", "/etc/login.defs", "/etc/systemd/journald.conf"),
    *("/etc/systemd/logind.conf", "/etc/fail2ban/jail.conf", "/etc/redis/redis.conf"),
    *("/etc/bind/named.conf.options", "/etc/pam.d/sshd"),
    *("/etc/mysql/mariadb.conf.d/50-server.cnf", "/etc/lvm/lvm.conf"),
]
UCF_ASKED = [
    *("/etc/apt/apt.conf.d/50unattended-upgrades", "/etc/chrony/chrony.conf", "/etc/nfs.conf"),
    *("/etc/ssh/sshd_config", "/etc/default/grub", "/etc/dovecot/dovecot.conf"),
    "/etc/dovecot/conf.d/10-mail.conf",
]


def read_stops() -> list[PromptMet]:
    """The recorded stops of a real upgrade as prompts that were met."""
    found = re.findall(
        r"^##### \d \d+ (\S+)\n(.*?)\n##### answer \S+$",
        STOPS.read_text(encoding="utf-8"),
        re.DOTALL | re.MULTILINE,
    )
    return [meet(text, process) for process, text in found]


def meet(text: str, process: str = "frontend") -> PromptMet:
    return PromptMet("step", 1.0, text, process, True, "rule", "", "profile", 1.0)
