"""The demonstration's server while it runs: what a survey does to it, and whether the plan
made from the survey is the one the server makes itself."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from lindenholm.archive import Archives, find_archives
from lindenholm.premises import Premises, Running, build_system, open_shelf01

from forerun.distro.debian_plan import parse_plan, through_gateway, write_plan_script
from forerun.distro.debian_sources import plan_sources
from forerun.events import Discard
from forerun.model.profile import Profile
from forerun.model.survey import CleanSurvey
from forerun.pipeline import SurveyRequest, find_drift, survey_production
from forerun.pipeline_bench import Bench, find_accelerator, open_bench
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.ssh import SshTarget
from forerun.profiles import find_profile, load_profile
from forerun.stages.design import list_allowed
from forerun.stages.drift import is_stale
from forerun.stages.fidelity_run import open_planner, plan_production
from forerun.stages.sanitise_vault import Vault
from forerun.stages.template import Workshop

pytestmark = [pytest.mark.full, pytest.mark.timeout(1800)]

STATE = Path(os.environ.get("FORERUN_HOME", "/var/tmp/forerun-demo"))
GATEWAY_PORT = 29480
WEEK_S = 7 * 86400.0

# Size, times, mode and owner of everything, and the digests below /etc and of the package
# databases. Left out is what a running server writes itself, survey or not: its journal
# and logs, login records, clock, random seed, leases and timers' stamps.
LISTING = r"""cd / && find . -xdev \( -path ./proc -o -path ./sys -o -path ./dev -o -path ./run \
  -o -path ./tmp -o -path ./var/tmp -o -path ./var/log -o -path ./var/lib/systemd \
  -o -path ./var/lib/smartmontools -o -path ./root/.cache \) -prune \
  -o -printf '%p\t%s\t%T@\t%C@\t%m\t%u\t%g\n' | sort
find ./etc ./var/lib/dpkg ./var/lib/apt ./var/lib/ucf ./var/cache/apt ./var/cache/debconf \
  ./var/spool/cron -xdev -type f -exec sha256sum {} + | sort
"""


@dataclass(frozen=True, slots=True)
class Office:
    """shelf01, running, and what reaches it."""

    bench: Bench
    archives: Archives
    premises: Premises
    running: Running

    def ask(self, script: str, *, timeout_s: float = 300) -> str:
        """What a script prints there, run as its administrator would."""
        link = self.premises.connect()
        try:
            answer = link.exec(script, timeout_s=timeout_s)
        finally:
            link.close()
        assert answer.exit_code == 0, answer.stderr.decode("utf-8", "replace")[-800:]
        return answer.text()

    def survey(self) -> CleanSurvey:
        """forerun's own reading of it, stored."""
        target = SshTarget(
            "127.0.0.1",
            self.running.port,
            "root",
            self.running.key_file,
            self.running.known_hosts,
        )
        return survey_production(SurveyRequest(target, Vault()), self.bench, Discard())


@pytest.fixture(scope="module")
def office() -> Iterator[Office]:
    if os.geteuid() != 0:
        pytest.skip("the demonstration's server needs root")
    bench = open_bench(STATE, "qemu:///system")
    hypervisor = bench.open_hypervisor()
    shop = Workshop(
        bench.store,
        bench.command,
        bench.disks,
        hypervisor,
        bench.clock,
        Discard(),
        find_accelerator(bench, hypervisor).name,
        0,
    )
    archives = find_archives("", "")
    before = set(bench.store.find_surveys())
    try:
        template, _ = build_system(archives, shop)
        with open_shelf01(template, archives, shop) as premises:
            yield Office(bench, archives, premises, premises.settle())
    finally:
        hypervisor.close()
        for survey_id in set(bench.store.find_surveys()) - before:
            shutil.rmtree(bench.store.surveys / survey_id)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(find_profile("debian-12-to-13"))


@pytest.fixture(scope="module")
def first(office: Office) -> tuple[str, CleanSurvey, str]:
    """The tree before, the survey, the tree after."""
    office.ask("sync; sleep 20")  # what its set-up left to be written is written
    before = office.ask(LISTING)
    taken = office.survey()
    return before, taken, office.ask(LISTING)


def test_a_survey_leaves_the_server_as_it_was(first: tuple[str, CleanSurvey, str]) -> None:
    """No file of the whole system differs in size, time, mode, owner or, where it matters,
    content. Reading times are not compared: mounts may keep them."""
    before, _, after = first
    assert len(before.splitlines()) > 10_000
    assert sorted(set(before.splitlines()) ^ set(after.splitlines())) == []


def test_a_survey_stays_in_its_budget(first: tuple[str, CleanSurvey, str]) -> None:
    """On this machine, too, which may be emulated: under 30 s of its processors and 200 MB."""
    cost = first[1].cost
    assert 0 < cost.cpu_seconds < 30
    assert 100_000 < cost.read_bytes < 200_000_000


def test_the_servers_own_plan_is_the_one_from_its_survey(
    office: Office, profile: Profile, first: tuple[str, CleanSurvey, str]
) -> None:
    """apt on the server itself, with its own package database, against apt on the lab host
    with what the survey holds: every action, every version, every package kept back."""
    survey, store = first[1], office.bench.store
    sources = through_gateway(plan_sources(survey.sources, profile.sources).content)
    with ArchiveGateway(store.archive, list_allowed(survey.sources), index_age_s=WEEK_S) as gateway:
        with open_planner(store, "full-test", office.bench.command, gateway.port) as planner:
            copy = store.surveys / survey.id / "copy.tar"
            told = plan_production(planner, survey, copy, profile.sources)
        link = office.premises.connect()
        try:
            link.forward_back(GATEWAY_PORT, to_port=gateway.port)
            script = write_plan_script(sources, proxy=f"http://127.0.0.1:{GATEWAY_PORT}")
            own = parse_plan(office.ask(script, timeout_s=900))
        finally:
            link.close()
    assert told.plan.reason == "" and own.reason == ""
    assert len(own.steps) > 150
    assert set(told.plan.steps) == set(own.steps)
    assert set(told.plan.first_part) == set(own.first_part)
    assert set(told.plan.kept) == set(own.kept)
    assert {u.url for u in told.plan.uris} == {u.url for u in own.uris}


def test_a_second_survey_tells_what_changed(
    office: Office, first: tuple[str, CleanSurvey, str]
) -> None:
    """Nothing but what was done in between: a package put on hold and one file edited."""
    del first
    unchanged = find_drift(office.bench.store, office.survey())
    assert unchanged is not None
    assert unchanged.list_reasons() == () and not is_stale(unchanged)
    office.ask("apt-mark hold cron && echo '# looked at' >> /etc/rsyncd.conf")
    changed = find_drift(office.bench.store, office.survey())
    assert changed is not None and is_stale(changed)
    assert {(row.subject, row.name) for row in changed.list_reasons()} == {
        ("hold", "cron:amd64"),
        ("file", "/etc/rsyncd.conf"),
    }
