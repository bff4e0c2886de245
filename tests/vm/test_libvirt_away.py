"""A rehearsal that was killed is asked for again, and loses libvirtd several times on its way.

libvirtd itself is left alone, for others use it: the rehearsal talks to it through a relay of
its own, which is cut and comes back as the daemon does in a restart."""

from __future__ import annotations

import contextlib
import os
import re
import selectors
import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from forerun.model.blueprint import TemplateInfo
from forerun.model.observation import Outcome
from forerun.pipeline_bench import Bench
from forerun.ports.held import PART
from forerun.ports.hypervisor import NAME_PREFIX
from tests.practice.archive import HERE, PracticeArchive
from tests.vm import lab
from tests.vm.program import Program, find_word
from tests.vm.test_kept import write_short_profile
from tests.vm.test_killed import list_domains

pytestmark = pytest.mark.vm

DAEMON = "/run/libvirt/libvirt-sock"
AWAY_S = 6.0


class Relay:
    """A socket behind which libvirtd is, until it is cut."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.uri = f"qemu+unix:///system?socket={path}"
        self.cuts = 0
        self._wanted = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Relay:
        self._thread.start()
        self.wait_until_back()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(10)

    def cut(self) -> None:
        """Lose every connection, and answer nobody for some seconds."""
        self._wanted.set()

    def wait_until_back(self) -> None:
        """Until it answers."""
        limit = time.monotonic() + 2 * AWAY_S
        while self._wanted.is_set() or not self.path.exists():
            assert time.monotonic() < limit
            time.sleep(0.01)

    def _serve(self) -> None:
        while not self._over.is_set():
            self._relay_until_cut()
            if self._wanted.is_set():
                self.cuts += 1
                self._over.wait(AWAY_S)
                self._wanted.clear()

    def _relay_until_cut(self) -> None:
        with contextlib.ExitStack() as stack:
            listening = stack.enter_context(socket.socket(socket.AF_UNIX))
            stack.callback(self.path.unlink, missing_ok=True)
            listening.bind(str(self.path))
            listening.listen()
            ways = stack.enter_context(selectors.DefaultSelector())
            ways.register(listening, selectors.EVENT_READ)
            while not (self._over.is_set() or self._wanted.is_set()):
                for key, _ in ways.select(0.05):
                    if key.fileobj is listening:
                        self._join(listening, ways, stack)
                    else:
                        _pass_on(key, ways)

    def _join(
        self, listening: socket.socket, ways: selectors.BaseSelector, stack: contextlib.ExitStack
    ) -> None:
        client = stack.enter_context(listening.accept()[0])
        daemon = stack.enter_context(socket.socket(socket.AF_UNIX))
        daemon.connect(DAEMON)
        ways.register(client, selectors.EVENT_READ, daemon)
        ways.register(daemon, selectors.EVENT_READ, client)


def _pass_on(key: selectors.SelectorKey, ways: selectors.BaseSelector) -> None:
    here, there = key.fileobj, key.data
    assert isinstance(here, socket.socket) and isinstance(there, socket.socket)
    with contextlib.suppress(OSError):
        if block := here.recv(1 << 16):
            there.sendall(block)
            return
    for end in (here, there):
        with contextlib.suppress(KeyError, ValueError):
            ways.unregister(end)
        end.close()


@pytest.fixture
def relay(tmp_path: Path) -> Iterator[Relay]:
    if not Path(DAEMON).exists():
        pytest.skip(f"no libvirtd at {DAEMON}")
    with Relay(tmp_path / "sock") as one:
        yield one


def wait_for_event(bench: Bench, run: str, pattern: str, *, limit_s: float = 600) -> None:
    limit = time.monotonic() + limit_s
    while time.monotonic() < limit:
        for folder in (bench.store.runs / f"{run}{PART}", bench.store.runs / run):
            events = folder / "events.jsonl"
            if events.exists() and re.search(pattern, events.read_text("utf-8", "replace")):
                return
        time.sleep(0.1)
    raise AssertionError(f"{pattern} was not seen in {limit_s} s")


def wait_for_run(bench: Bench, pid: int) -> str:
    """The run that this process makes."""
    limit = time.monotonic() + 120
    while time.monotonic() < limit:
        for entry in bench.store.ledger.find():
            if entry.pid == pid and entry.run.startswith("record-"):
                return entry.run.removeprefix("record-")
        time.sleep(0.1)
    raise AssertionError("no run was begun in 120 s")


def test_a_killed_rehearsal_goes_on_and_outlives_libvirts_restarts(
    program: Program,
    survey_id: str,
    practised: TemplateInfo,
    practice: PracticeArchive,
    bench: Bench,
    relay: Relay,
    tmp_path: Path,
) -> None:
    """Killed while its clone boots; the same request is made again as a new run, without a
    word about profile or size. libvirtd is away for six seconds while that clone is started,
    in the middle of a step, and at the end: the rehearsal completes, nothing is left, and
    what the killed one had left went at the start."""
    profile = write_short_profile(practice, tmp_path / "short.yaml")
    text = profile.read_text(encoding="utf-8")
    profile.write_text(text.replace("echo kept", "sleep 15; echo kept"), encoding="utf-8")
    try:
        with program.running(
            "rehearse", "--survey", survey_id, "--profile", str(profile), "--connect", relay.uri,
            "--site", str(HERE / "site.yaml"), "--cpus", "1", "--memory", "512MiB",
            "--template", practised.id,
        ) as (process, _):  # fmt: skip
            killed = wait_for_run(bench, process.pid)
            wait_for_event(bench, killed, r'"kind": "phase-started".*"phase": "clone"')
            time.sleep(3)
            os.kill(process.pid, signal.SIGKILL)
            process.wait(30)
        assert f"{NAME_PREFIX}{killed}" in list_domains()
        with program.running(
            "rehearse", "--resume", killed, "--connect", relay.uri
        ) as (process, log):  # fmt: skip
            run = wait_for_run(bench, process.pid)
            assert f"{NAME_PREFIX}{killed}" not in list_domains(), "it went first"
            for pattern in (
                r'"kind": "phase-started".*"phase": "clone"',
                r'"kind": "step-started".*"step": "mark"',
                r'"kind": "step-finished".*"step": "mark"',
            ):
                wait_for_event(bench, run, pattern)
                relay.cut()
            code = process.wait(600)
        output = log.read_text(encoding="utf-8", errors="replace")
        assert code == 0, output[-4000:]
    finally:
        relay.wait_until_back()
        program.run("sweep", "--connect", relay.uri)
    assert relay.cuts == 3
    assert "removed what a killed forerun left: 1 domain" in output
    assert f"{killed} had finished: archives, foretell" in output
    assert find_word(output, "run") == run != killed
    record = bench.store.load_run(run)
    assert record.outcome is Outcome.COMPLETED
    assert (record.clone_cpus, record.survey_id) == (1, survey_id)
    assert record.teardown.left == ()
    assert bench.store.load_request(run).again_from == killed
    assert f"{NAME_PREFIX}{run}" not in list_domains()
    for one in (killed, run):
        assert bench.store.ledger.find(one) == bench.store.ledger.find(f"record-{one}") == ()
        assert list(bench.store.machines.glob(f"{one}*")) == []
    assert not (bench.store.runs / f"{killed}{PART}").exists()
    assert bench.store.root == lab.STATE
