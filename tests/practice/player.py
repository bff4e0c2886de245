"""A reference player: works through a drill at a real terminal, as a person does with the
runbook, or in the ways that people typically go wrong.

Terminals are driven with pexpect. Everything is typed into `forerun drill shell`; what a
person does beside it (fetch, note, back-out) are commands of their own."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pexpect

PROMPT = "reader-at-shelf01> "
LONG_S = 900
SHORT_S = 120
# What the practice profile's runbook says to answer.
ANSWERS: Mapping[str, str] = {
    r"Do you want to continue\? \[Y/n\]\s*$": "y",
    r"\(Y/I/N/O/D/Z\) \[[^]]*\] \?\s*$": "N",
    r"Shelf repeat: type yes to go on:\s*$": "yes",
    r"keep the notes of the old version\? \[Y/n\]\s*$": "y",
}
BACKUP = (
    "dpkg --get-selections '*' > /run/package-selections && tar -czf "
    "/var/tmp/configuration.tar.gz -C / etc var/lib/dpkg var/lib/apt/extended_states "
    "-C /run package-selections"
)
REST = "systemctl stop apt-daily.timer cron.service"
RESUME = "systemctl start apt-daily.timer cron.service"
SWITCH = (
    "cd /etc/apt; for f in sources.list sources.list.d/*.list; do [ ! -f $f ] || "
    "sed -i -e 's/ first / second /' -e '/ second /!s/^deb/# deb/' $f; done; "
    "for f in sources.list.d/*.sources; do [ ! -f $f ] || mv $f $f.off; done; cd"
)
UPDATE = "apt-get -q update"
PLAN = "apt-get -s -q full-upgrade"
UPGRADE = "apt-get -q full-upgrade"
# One that goes on without its terminal ends by itself, or waits for an answer that nobody can
# give it: then it is ended.
LOOK = (
    "for i in $(seq 20); do pgrep -x apt-get || pgrep -x dpkg || break; sleep 2; done; "
    "pkill -TERM -f /var/lib/dpkg/info/; pkill -TERM -x dpkg; sleep 3; pkill -TERM -x apt-get; "
    "sleep 2; ! pgrep -x dpkg"
)
# After a power cut: what was fetched in the seconds before it may be empty on the disk.
REFETCH = (
    "l=/var/lib/apt/lists; rm -rf $l.aside; mv $l $l.aside; if apt-get -q update --error-on=any; "
    "then rm -rf $l.aside; else rm -rf $l; mv $l.aside $l; fi"
)
REPAIR = "dpkg --configure -a; apt-get -q --fix-broken install"


class Shell:
    """One terminal on the clone."""

    def __init__(self, child: pexpect.spawn) -> None:
        self.child = child

    def do(self, command: str, *, limit_s: float = SHORT_S, exits: int | None = None) -> str:
        """Type a command, answer what it asks, and wait for its end; what it showed."""
        self.type(command)
        return self.wait(limit_s=limit_s, exits=exits)

    def type(self, command: str) -> None:
        """Type a command and do not wait."""
        self.child.sendline(f"{command}; echo ended-$?-")

    def wait(
        self,
        *,
        limit_s: float = LONG_S,
        exits: int | None = None,
        answers: Mapping[str, str] = ANSWERS,
    ) -> str:
        """Answer what is asked until the command has ended."""
        shown: str = ""
        patterns = [r"ended-(\d+)-", *answers]
        texts = ["", *answers.values()]
        while True:
            found = self.child.expect(patterns, timeout=limit_s)
            shown += f"{self.child.before}{self.child.after}"
            if found == 0:
                break
            self.child.sendline(texts[found])
        code = int(self.child.match.group(1))
        assert exits is None or code == exits, f"exit code {code}\n{shown[-2000:]}"
        return shown

    def wait_or_lose(self, *, limit_s: float = LONG_S) -> str | None:
        """As `wait`; None when the connection went meanwhile."""
        patterns = [r"ended-(\d+)-", "connection to the server is lost", pexpect.EOF, *ANSWERS]
        texts = ["", "", "", *ANSWERS.values()]
        shown: str = ""
        while (found := self.child.expect(patterns, timeout=limit_s)) > 2:
            shown += str(self.child.before)
            self.child.sendline(texts[found])
        if found:
            self.child.close()
            return None
        return shown + str(self.child.before)

    def wait_until_lost(
        self, *, limit_s: float = LONG_S, answers: Mapping[str, str] = ANSWERS
    ) -> None:
        """Answer what is asked until the connection is gone."""
        patterns = ["connection to the server is lost", pexpect.EOF, *answers]
        texts = ["", "", *answers.values()]
        while (found := self.child.expect(patterns, timeout=limit_s)) > 1:
            self.child.sendline(texts[found])
        self.child.close()


class Player:
    """Plays one drill. `program` is the installed command, `environment` names the state."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self._folder = folder
        self._environment = {**os.environ, **environment, "LC_ALL": "C.UTF-8", "TERM": "xterm"}
        self._own = str(Path(sys.executable).parent / "forerun")
        self.shells = 0

    def _spawn(self, *words: str) -> pexpect.spawn:
        self.shells += 1
        log = (self._folder / f"player-{os.getpid()}-{self.shells}.log").open("w", encoding="utf-8")
        child = pexpect.spawn(
            self._own,
            list(words),
            env=self._environment,
            encoding="utf-8",
            codec_errors="replace",
            timeout=SHORT_S,
            dimensions=(40, 160),
        )
        child.logfile_read = log
        return child

    @contextmanager
    def shell(self, *, limit_s: float = 300) -> Iterator[Shell]:
        """A terminal on the clone, once it answers."""
        child = self._open_shell(limit_s)
        try:
            yield Shell(child)
        finally:
            if child.isalive():
                child.sendline("exit")
                child.expect(pexpect.EOF, timeout=60)
            child.close()

    def _open_shell(self, limit_s: float) -> pexpect.spawn:
        limit = time.monotonic() + limit_s
        while time.monotonic() < limit:
            child = self._spawn("drill", "shell")
            if child.expect(["on the server now", pexpect.EOF, pexpect.TIMEOUT], timeout=90) == 0:
                child.sendline(f"export DEBIAN_FRONTEND=readline; PS1='{PROMPT}'; stty -echo")
                child.expect(re.escape(PROMPT), timeout=60)
                child.expect(re.escape(PROMPT), timeout=60)
                return child
            child.close(force=True)
            time.sleep(5)
        raise AssertionError("the clone gave no terminal")

    def open(self, *words: str) -> pexpect.spawn:
        """One of the commands, to be talked with."""
        return self._spawn("drill", *words)

    def command(self, *words: str, exits: int = 0, limit_s: float = LONG_S) -> str:
        """One of the other commands; what it said."""
        child = self._spawn("drill", *words)
        child.expect(pexpect.EOF, timeout=limit_s)
        child.close()
        said = str(child.before)
        assert child.exitstatus == exits, f"{words}: exit code {child.exitstatus}\n{said}"
        assert "Traceback" not in said
        return said
