"""A real clone: it boots and answers, survives a cut line, asks, and cannot get out."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator

import pytest

from forerun.errors import CloneUnreachable
from forerun.model.blueprint import TemplateInfo
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guard import GUARD_FILE
from forerun.ports.guest import SshGuest, Waiting
from forerun.ports.ssh import SshTarget, connect
from forerun.stages.build import Clone, Yard
from forerun.stages.design import ACCESS_PORT
from forerun.stages.forecast_night import FLUSHES_A_WRITE
from forerun.stages.seed import GATEWAY_PORT
from tests.practice.packages import NOTE_POSTINST, NOTE_QUESTION
from tests.vm import lab

pytestmark = pytest.mark.vm

ENVIRONMENT = {"LC_ALL": "C.UTF-8", "TERM": "xterm"}


def wait_for_end(clone: Clone, name: str, *, limit_s: float = 90) -> tuple[bytes, int]:
    """Everything the session wrote, and its exit code."""
    text, offset, limit = b"", 0, time.monotonic() + limit_s
    while time.monotonic() < limit:
        news = clone.guest.read_session(name, offset)
        text, offset = text + news.text, news.offset
        if news.exit_code is not None:
            return text, news.exit_code
        time.sleep(0.5)
    raise AssertionError(f"{name} did not end in {limit_s} s: {text[-500:]!r}")


def wait_for_text(clone: Clone, name: str, wanted: bytes, *, limit_s: float = 60) -> None:
    """Until the session has written that."""
    limit = time.monotonic() + limit_s
    while wanted not in clone.guest.read_session(name, 0).text:
        assert time.monotonic() < limit, f"{name} did not say {wanted!r} in {limit_s} s"
        time.sleep(0.5)


def wait_for_question(clone: Clone, name: str, *, limit_s: float = 60) -> Waiting:
    limit = time.monotonic() + limit_s
    while time.monotonic() < limit:
        waiting = clone.guest.find_waiting(name)
        if waiting is not None:
            return waiting
        time.sleep(0.5)
    shown = clone.guest.run(
        "for p in $(pgrep -f /run/forerun/); do echo $p $(cat /proc/$p/comm /proc/$p/syscall)"
        " $(readlink /proc/$p/fd/0); done; ps -ef --forest | tail -n 25",
        timeout_s=60,
    ).text()
    raise AssertionError(
        f"nobody waits: {clone.guest.read_session(name, 0).text[-500:]!r}\n{shown}"
    )


@pytest.fixture
def session(request: pytest.FixtureRequest, clone: Clone) -> Iterator[str]:
    """A session name of the test's own; whatever is left of the session is ended."""
    name = re.sub(r"[^a-z0-9]+", "-", request.node.name.lower())[:50].strip("-")
    yield name
    if clone.guest.read_session(name, 0).exit_code is None:
        clone.guest.end_session(name)


def test_it_boots_and_proves_that_it_is_a_clone(clone: Clone) -> None:
    """It answered in time; the guard file names its run; the sanitised copy is in place; it
    says on login what it is."""
    assert 0 < clone.answered_s < lab.BOOT_LIMIT_S
    assert clone.run_id in clone.guest.read_file(GUARD_FILE).decode()
    assert clone.guest.read_file("/etc/forerun-tests") == b"from the copy\n"
    assert b"THIS IS A CLONE" in clone.guest.read_file("/etc/motd")
    assert clone.guest.run("systemd-detect-virt", timeout_s=60).exit_code == 0


def test_it_is_on_record_while_it_lives(clone: Clone, yard: Yard) -> None:
    """Domain, ports and folder are in the ledger, libvirt finds it by its mark, and its key
    is readable by nobody else."""
    kinds = sorted(entry.kind for entry in yard.store.ledger.find(clone.run_id))
    assert kinds == ["domain", "folder", "port", "port"]
    owned = {domain.name: domain.owner for domain in yard.hypervisor.find_owned()}
    assert owned[clone.name] == clone.run_id
    assert yard.hypervisor.cpu_seconds(clone.name) > 1
    assert (clone.folder / "system.qcow2").stat().st_mode & 0o077 == 0


def test_a_synchronous_write_is_two_flushes(clone: Clone, yard: Yard) -> None:
    """What a forecast takes a flush for, counted by the hypervisor: a write that a journal has
    to follow flushes before and after the record that ends its transaction."""
    writes = 200
    clone.guest.run("sync", timeout_s=60)
    before = yard.hypervisor.block_counts(clone.name).flushes
    write = f"dd if=/dev/zero of=/var/tmp/writes bs=4096 count={writes} oflag=dsync"
    assert clone.guest.run(write, timeout_s=120).exit_code == 0
    flushes = yard.hypervisor.block_counts(clone.name).flushes - before
    clone.guest.run("rm /var/tmp/writes", timeout_s=60)
    assert flushes == pytest.approx(FLUSHES_A_WRITE * writes, rel=0.1)


def test_the_first_boot_left_no_failed_unit(clone: Clone) -> None:
    """What a rehearsal finds failed afterwards was not broken by the seed."""
    limit = time.monotonic() + 120
    while time.monotonic() < limit:
        state = clone.guest.run("systemctl is-system-running", timeout_s=60).text().strip()
        if state not in ("starting", "initializing"):
            break
        time.sleep(2)
    failed = clone.guest.run("systemctl --failed --plain --no-legend", timeout_s=60).text()
    assert (state, failed) == ("running", "")


def test_a_machine_without_the_guard_file_is_refused(clone: Clone, yard: Yard) -> None:
    """A second door to the same machine, its guard file away: refused, and nothing was run."""
    clone.guest.run(f"mv {GUARD_FILE} {GUARD_FILE}.away; rm -rf /run/forerun", timeout_s=60)
    try:
        target = SshTarget(
            "127.0.0.1", clone.host_port(ACCESS_PORT), "root",
            key_text=clone.keys.login_private, host_key=clone.keys.host_public,
        )  # fmt: skip
        stranger = SshGuest(
            lambda: connect(target), gateway_port=yard.gateway_port, guest_gateway_port=29481
        )
        with pytest.raises(CloneUnreachable, match="not a clone"):
            stranger.connect(patience_s=30)
        listening = clone.guest.run("ss -H -l -n -t", timeout_s=60).text()
        assert ":29481" not in listening
    finally:
        clone.guest.run(f"mv {GUARD_FILE}.away {GUARD_FILE}", timeout_s=60)


def test_a_session_survives_a_cut_line(clone: Clone, session: str) -> None:
    """The connection is cut in the middle: the step goes on, and its output is complete and
    in order."""
    assert isinstance(clone.guest, SshGuest)
    before = clone.guest.reattached
    script = 'for n in $(seq 1 30); do echo "line $n"; sleep 0.2; done; exit 7'
    clone.guest.start_session(session, script, ENVIRONMENT)
    time.sleep(2)
    clone.guest.drop_link()
    text, code = wait_for_end(clone, session)
    lines = [line.strip() for line in text.decode().splitlines()]
    own = [line for line in lines if line and not line.startswith("Script ")]  # script(1)'s
    assert own == [f"line {n}" for n in range(1, 31)]
    assert code == 7
    assert clone.guest.reattached > before


def test_a_question_on_the_terminal_is_found_and_answered(clone: Clone, session: str) -> None:
    """The practice package's own script: the reading process is found, what is typed
    arrives, and afterwards nobody waits."""
    clone.guest.write_file("/root/note", NOTE_POSTINST.encode(), mode=0o755)
    clone.guest.start_session(session, "/root/note configure 1.0", ENVIRONMENT)
    assert wait_for_question(clone, session).process in ("note", "sh")
    clone.guest.type_keys(session, "only the good ones\n")
    text, code = wait_for_end(clone, session)
    assert NOTE_QUESTION.encode() in text
    assert b"kept: only the good ones" in text
    assert code == 0
    assert clone.guest.find_waiting(session) is None


def test_apts_own_question_is_found(clone: Clone, session: str) -> None:
    """apt-get asks before it removes something; N leaves it there."""
    clone.guest.start_session(session, "apt-get remove less", ENVIRONMENT)
    assert wait_for_question(clone, session).process == "apt-get"
    clone.guest.type_keys(session, "n\n")
    text, code = wait_for_end(clone, session)
    assert b"Do you want to continue? [Y/n]" in text
    assert b"Abort." in text
    assert code == 1


def test_a_full_screen_dialogue_is_found(clone: Clone, session: str) -> None:
    """whiptail, which debconf uses on a terminal, waits in select or poll."""
    script = "whiptail --title Shelf --yesno 'Go on?' 10 40 && echo went on"
    clone.guest.start_session(session, script, ENVIRONMENT)
    assert wait_for_question(clone, session).process == "whiptail"
    clone.guest.type_keys(session, "\r")  # a dialogue reads the raw key: Enter is CR
    text, code = wait_for_end(clone, session)
    assert code == 0
    assert b"went on" in text


@pytest.mark.parametrize(
    "script",
    [
        "sleep 6",
        "head -c 90000000 /dev/zero | gzip -9 | wc -c",
        "tail -f /etc/motd & sleep 5; kill $!",
    ],
    ids=["silence", "a pipe", "a follower"],
)
def test_work_is_no_question(clone: Clone, session: str, script: str) -> None:
    """Silence, pipes and file readers are never taken for a prompt."""
    clone.guest.start_session(session, script, ENVIRONMENT)
    limit = time.monotonic() + 120
    looks = 0
    while time.monotonic() < limit:
        waiting = clone.guest.find_waiting(session)
        news = clone.guest.read_session(session, 0)
        if news.exit_code is not None:
            break
        assert waiting is None, f"{waiting} after {news.text!r}"
        looks += 1
        time.sleep(0.3)
    assert news.exit_code == 0
    assert looks > 3


def test_an_ended_session_leaves_no_process(clone: Clone, session: str) -> None:
    """Also children that ignore the first signal are gone."""
    script = "trap '' TERM; sleep 7777 & sleep 7778"
    clone.guest.start_session(session, script, ENVIRONMENT)
    time.sleep(3)
    clone.guest.end_session(session)
    left = clone.guest.run("pgrep -f 'sleep 777[78]' -a || true", timeout_s=60).text()
    assert "sleep 777" not in left.replace("pgrep", "")


# Documentation addresses (RFC 5737, RFC 3849) and the alias under which QEMU's user
# network would show the lab host. 10.0.2.3 is its name service.
_TRY_OUT = """
import json, socket, sys
ports = json.loads(sys.argv[1])
result = {}
for family, host, port in (
    (socket.AF_INET, "192.0.2.1", 80),
    (socket.AF_INET, "198.51.100.7", 443),
    (socket.AF_INET6, "2001:db8::1", 80),
    (socket.AF_INET, "10.0.2.2", 22),
    *((socket.AF_INET, "10.0.2.2", port) for port in ports),
):
    with socket.socket(family) as link:
        link.settimeout(4)
        try:
            link.connect((host, port))
            result[f"{host} {port}"] = "CONNECTED"
        except OSError as problem:
            result[f"{host} {port}"] = type(problem).__name__
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
    link.settimeout(4)
    try:
        link.sendto(b"\\0\\1\\1\\0\\0\\1\\0\\0\\0\\0\\0\\0\\4test\\0\\0\\1\\0\\1", ("10.0.2.3", 53))
        link.recv(512)
        result["10.0.2.3 53/udp"] = "ANSWERED"
    except OSError as problem:
        result["10.0.2.3 53/udp"] = type(problem).__name__
print(json.dumps(result))
"""


def test_the_link_is_sealed(clone: Clone, yard: Yard, practice_port: int) -> None:
    """From inside, nothing answers: not the documentation addresses, not the lab host under
    its alias (where the archive and the gateway really listen), not a name service."""
    clone.guest.write_file("/run/try-out.py", _TRY_OUT.encode())
    ports = json.dumps([practice_port, yard.gateway_port])
    done = clone.guest.run(f"python3 /run/try-out.py '{ports}'", timeout_s=120)
    assert done.exit_code == 0, done.stderr
    result = json.loads(done.text())
    assert len(result) == 7
    assert set(result.values()) <= {"TimeoutError", "OSError", "ConnectionRefusedError"}, result


def test_a_hanging_sessions_processes_are_shown(clone: Clone, session: str) -> None:
    """The newest process comes first, with its command as ps(1) shows it."""
    clone.guest.start_session(session, "echo begun; sleep 7779; true", ENVIRONMENT)
    wait_for_text(clone, session, b"begun")
    time.sleep(1)
    running = clone.guest.list_processes(session)
    assert running[0].endswith("sleep 7779")
    assert any("./script" in line for line in running[1:])


def test_the_gateway_is_the_only_way_out(
    clone: Clone, gateway: ArchiveGateway, practice_port: int
) -> None:
    """The allowed archive is read through it; another host and another port are refused."""
    script = (
        "import sys, urllib.request, urllib.error\n"
        f"proxy = urllib.request.ProxyHandler({{'http': 'http://127.0.0.1:{GATEWAY_PORT}'}})\n"
        "opener = urllib.request.build_opener(proxy)\n"
        "for url in sys.argv[1:]:\n"
        "    try:\n"
        "        print(opener.open(url, timeout=60).status)\n"
        "    except urllib.error.HTTPError as problem:\n"
        "        print(problem.code)\n"
    )
    clone.guest.write_file("/run/ask.py", script.encode())
    clone.guest.ensure_gateway()
    before = gateway.reading().requests
    urls = (
        f"http://127.0.0.1:{practice_port}/dists/first/InRelease",
        "http://archive.example/dists/first/InRelease",
        f"http://127.0.0.1:{practice_port + 1}/dists/first/InRelease",
    )
    done = clone.guest.run(f"python3 /run/ask.py {' '.join(urls)}", timeout_s=180)
    assert done.text().split() == ["200", "403", "403"], done.stderr
    assert gateway.reading().requests > before


def test_two_clones_at_once_share_nothing_but_the_template(
    clone: Clone, template: TemplateInfo, yard: Yard
) -> None:
    """A second one beside the first: other ports, keys and names; what one writes the other
    does not see; when it ends nothing of it is left and the first runs on."""
    disk = yard.store.template_disk(template.id)
    stamp = disk.stat().st_mtime_ns
    with lab.plain_clone(template, yard) as second:
        assert second.keys.host_public != clone.keys.host_public
        assert not {p.host_port for p in second.ports} & {p.host_port for p in clone.ports}
        assert (second.mac, second.run_id) != (clone.mac, clone.run_id)
        second.guest.write_file("/root/only-here", b"x")
        with pytest.raises(FileNotFoundError):
            clone.guest.read_file("/root/only-here")
        machine_ids = {one.guest.read_file("/etc/machine-id").strip() for one in (clone, second)}
        assert len(machine_ids) == 2
        folder, name, run_id = second.folder, second.name, second.run_id
    assert not folder.exists()
    assert not yard.hypervisor.is_running(name)
    assert yard.store.ledger.find(run_id) == ()
    assert disk.stat().st_mtime_ns == stamp
    assert clone.guest.run("true", timeout_s=60).exit_code == 0
