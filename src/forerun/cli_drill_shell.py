"""`forerun drill shell`: the trainee's terminal on the clone, recorded."""

from __future__ import annotations

import os
import shutil
import sys

from forerun.cli_common import say, warn
from forerun.drills.folder import DrillFolder
from forerun.drills.injects import SHELLS_FILE
from forerun.drills.relay import How, relay
from forerun.drills.talk import ask
from forerun.errors import CloneUnreachable, LinkLost
from forerun.pipeline_bench import Bench
from forerun.ports.asciicast import CastRecorder
from forerun.ports.hypervisor_console import open_console
from forerun.ports.ssh import SshTarget
from forerun.ports.ssh_terminal import open_ssh_terminal
from forerun.ports.terminal import Terminal
from forerun.stages.adopt import CloneFacts
from forerun.stages.design import ACCESS_PORT

LINK_S = 20.0
EXIT_LOST = LinkLost.exit_code
# So that the drill can cut this very connection: its process of the SSH server.
_LOGIN = f"echo $PPID >> {SHELLS_FILE}; cd /root; export LC_ALL=C.UTF-8; exec bash -l"


def open_shell(folder: DrillFolder, bench: Bench, *, console: bool) -> int:
    """Work on the clone until the person leaves; returns the exit code. The clock begins with
    the first shell."""
    told = ask(folder, bench, "begin")
    size = shutil.get_terminal_size((100, 30))
    facts = folder.load_ground().clone
    if console:
        say(f"console of the server: log in as root, password {told['password']}; Ctrl-] leaves\n")
        terminal = open_console(str(told["uri"]), str(told["domain"]))
        terminal.write(b"\n")
    else:
        terminal = _log_in(facts, size)
        say("on the server now; Ctrl-] leaves, `exit` does too\n")
    kind = "the serial console" if console else "SSH"
    name = ask(folder, bench, "shell", text=f"opened over {kind}")["name"]
    with CastRecorder(
        folder.path / str(name),
        columns=size.columns,
        rows=size.lines,
        started_at=bench.clock.now(),
        title=f"{folder.id}, {kind}",
        clock=bench.clock,
    ) as recorder:
        try:
            end = relay(
                terminal,
                recorder=recorder,
                keyboard_fd=sys.stdin.fileno(),
                screen_fd=sys.stdout.fileno(),
                find_size=lambda: shutil.get_terminal_size((100, 30)),
                clock=bench.clock,
            )
        finally:
            terminal.close()
    if end.how is How.LOST:
        warn("\r\nthe connection to the server is lost; `forerun drill shell` opens another one")
        return EXIT_LOST
    return end.exit_code or 0


def _log_in(facts: CloneFacts, size: os.terminal_size) -> Terminal:
    port = next(one.host_port for one in facts.ports if one.guest_port == ACCESS_PORT)
    keys = facts.keys
    target = SshTarget(
        "127.0.0.1", port, "root", key_text=keys.login_private, host_key=keys.host_public
    )
    try:
        return open_ssh_terminal(
            target,
            _LOGIN,
            columns=size.columns,
            rows=size.lines,
            term=os.environ.get("TERM", "xterm"),
            timeout_s=LINK_S,
        )
    except CloneUnreachable as problem:
        raise CloneUnreachable(
            "The server does not answer over SSH.",
            where=facts.name,
            found=problem.found or problem.what,
            hint="It may be starting: try again in a minute; `forerun drill shell --console` "
            "shows its serial console.",
        ) from problem
