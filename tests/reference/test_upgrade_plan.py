"""The upgrade's plan, made from a survey alone, is what apt itself plans on the same system.

Outside source: Debian's apt and dpkg. dpkg installs small packages into a root of its own
(held, automatic, pinned, foreign, of no archive, removed with its configuration left), and
plain `apt-get -s` with that root as its `Dir` says what it would do."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import os
import re
import shutil
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from debian.deb822 import Deb822
from tests.practice.archive import (
    KEYRING,
    PracticeArchive,
    build_or_skip,
    serve_archive,
)
from tests.practice.packages import PracticePackage

from forerun.distro.base import ABSENT
from forerun.distro.debian import Debian
from forerun.distro.debian_plan import parse_plan, write_plan_script
from forerun.distro.debian_sources import parse_sources, plan_sources
from forerun.model.blueprint import AllowedArchive
from forerun.model.likeness import UpgradePlan
from forerun.model.profile import SourcePlan
from forerun.model.survey import CleanSurvey, Package, SurveyCost
from forerun.ports.command import LocalCommand
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.production import ProbeName
from forerun.ports.ssh import ExecResult
from forerun.stages.fidelity import compare_plans
from forerun.stages.plan import PlanInputs, Planner, read_clone_inputs, read_survey_inputs
from forerun.testing import FakeClock, FakeGuest

pytestmark = [pytest.mark.tools, pytest.mark.timeout(300)]
COMMAND = LocalCommand()
PLAN = SourcePlan((("first", "second"),), KEYRING, ())
NO_PROXY = {name: "" for name in os.environ if name.lower().endswith("_proxy")}
PINS = "Package: plan-pinned\nPin: version 1.0\nPin-Priority: 1001\n"
SETTINGS = 'APT::Install-Recommends "false";\nAPT::Update::Post-Invoke { "touch @MARK@"; };\n'


def package(name: str, version: str, **fields: str) -> PracticePackage:
    """A package without scripts; field names with `_` for `-`."""
    said = {key.replace("_", "-"): value for key, value in fields.items()}
    return PracticePackage(
        name,
        version,
        {"Installed-Size": "12", **said},
        {f"/usr/share/{name}/{fields.get('Architecture', 'all')}": (version.encode(), 0o644)},
    )


def both_architectures(version: str) -> tuple[PracticePackage, ...]:
    return tuple(
        package("plan-wide", version, Architecture=a, Multi_Arch="same") for a in ("amd64", "i386")
    )


LOCAL = package("plan-local", "0.9", Depends="plan-old")
LEFT = dataclasses.replace(
    package("plan-left", "1.0"),
    files={"/etc/plan-left.conf": (b"x = 1\n", 0o644)},
    conffiles=("/etc/plan-left.conf",),
)
SUITES = {
    "first": (
        package("plan-app", "1.0", Depends="plan-lib"),
        package("plan-lib", "1:1.0"),
        package("plan-held", "1.0"),
        package("plan-needs-held", "1.0", Depends="plan-held"),
        package("plan-pinned", "1.0"),
        package("plan-same", "1.0", Depends="plan-lib", Provides="plan-sameness"),
        package("plan-old", "1.0"),
        package("plan-unused", "1.0"),
        package("plan-back", "2.0+really1.0"),
        *both_architectures("1.0"),
        LEFT,
    ),
    "second": (
        package("plan-app", "2.0", Depends="plan-lib (>= 1:2.0), plan-new", Recommends="plan-more"),
        package("plan-lib", "1:2.0"),
        package("plan-held", "2.0"),
        package("plan-needs-held", "2.0", Depends="plan-held (>= 2.0)"),
        package("plan-pinned", "2.0"),
        package("plan-same", "1.0", Depends="plan-lib", Provides="plan-sameness"),
        package("plan-new", "1.0", Conflicts="plan-old", Replaces="plan-old", Provides="plan-old2"),
        package("plan-more", "1.0"),
        package("plan-back", "2.0"),
        *both_architectures("2.0"),
        dataclasses.replace(LEFT, version="2.0"),
    ),
    "local": (LOCAL,),
}


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> PracticeArchive:
    folder = tmp_path_factory.mktemp("plan-archive")
    return build_or_skip(folder, COMMAND, suites=SUITES, architectures=("amd64", "i386"))


@dataclass
class Root:
    """A system that dpkg made in a folder, the archive and the gateway it speaks through."""

    folder: Path
    port: int
    gateway: ArchiveGateway
    archive: PracticeArchive
    mark: Path

    def sources(self) -> str:
        return (self.folder / "etc/apt/sources.list").read_text()

    def config(self) -> dict[str, str]:
        """apt's configuration for that root, and nothing of this host's."""
        return {
            "Dir": str(self.folder),
            "Dir::State::status": f"{self.folder}/var/lib/dpkg/status",
            "APT::Architecture": "amd64",
            "APT::Architectures": "amd64,i386",
            "APT::Sandbox::User": "root",
            "Acquire::http::Proxy": f"http://127.0.0.1:{self.gateway.port}",
        }

    def environment(self) -> dict[str, str]:
        config = self.folder.parent / "reference.conf"
        config.write_text("".join(f'{k} "{v}";\n' for k, v in self.config().items()))
        return {**NO_PROXY, "APT_CONFIG": str(config)}

    def apt(self, *words: str, check: bool = True) -> str:
        """apt-get as an administrator would call it on that system."""
        return COMMAND.run(
            ["apt-get", *words], timeout_s=60, env=self.environment(), check=check
        ).text()

    def survey(self) -> CleanSurvey:
        """What the distro's own probes read of that root, in the form that is stored."""
        admin = {"DPKG_ADMINDIR": str(self.folder / "var/lib/dpkg")}
        answers = dict.fromkeys(ProbeName, ABSENT)
        for probe in (ProbeName.PACKAGES, ProbeName.CONTROL):
            command = ["sh", "-c", Debian().probes()[probe]]
            answers[probe] = COMMAND.run(command, timeout_s=60, env=admin).stdout
        answers[ProbeName.OS_RELEASE] = b'ID=debian\nVERSION_ID="12"\nVERSION_CODENAME=bookworm\n'
        answers[ProbeName.MACHINE] = b"6.1.0\namd64\n2\nbios\nMemTotal: 1000 kB\nquiet\n"
        answers[ProbeName.AUTOMATIC] = (self.folder / "var/lib/apt/extended_states").read_bytes()
        raw = Debian().read_facts(answers)
        control = answers[ProbeName.CONTROL].decode()
        return CleanSurvey(
            id="s", taken_at="", host="h", release=raw.release, machine=raw.machine,
            packages=tuple(with_relations(one, control) for one in raw.packages),
            sources=parse_sources({"/etc/apt/sources.list": self.sources()}),
            units=(), sockets=(), disks=(), mounts=(), conffiles=(), entries=(), withheld=(),
            replacements=(), not_readable=(), cost=SurveyCost(0, 0, 0),
        )  # fmt: skip

    def pack(self, target: Path, *places: str) -> Path:
        with tarfile.open(target, "w") as tar:
            for place in places:
                tar.add(self.folder / place, arcname=place)
        return target


def with_relations(one: Package, control: str) -> Package:
    """The fields of the control stanza, for as long as the survey leaves them out."""
    for stanza in Deb822.iter_paragraphs(control):
        if (stanza["Package"], stanza["Architecture"]) == (one.name, one.architecture):
            relations = one.relations or tuple((k, str(v)) for k, v in stanza.items())
            return dataclasses.replace(one, relations=relations)
    return one


@pytest.fixture(scope="module")
def root(archive: PracticeArchive, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    base = tmp_path_factory.mktemp("plan-root")
    for parent in (base, base.parent):
        parent.chmod(0o755)
    folder = base / "root"
    for place in (
        "var/lib/dpkg/updates", "var/lib/dpkg/info", "var/lib/apt/lists/partial",
        "var/cache/apt/archives/partial", "var/log/apt", "etc/apt/keyrings",
        "etc/apt/preferences.d", "etc/apt/apt.conf.d", "etc/apt/sources.list.d",
        "etc/apt/trusted.gpg.d",
    ):  # fmt: skip
        (folder / place).mkdir(parents=True)
    (folder / "var/lib/dpkg/status").touch()
    (folder / "var/lib/dpkg/arch").write_text("amd64\ni386\n")
    debs = [p for s in ("first", "local") for p in sorted((archive.folder / "pool" / s).iterdir())]
    dpkg = ["dpkg", f"--root={folder}", "--force-script-chrootless", "--force-not-root"]
    COMMAND.run([*dpkg, "--install", *map(str, debs)], timeout_s=60)
    COMMAND.run([*dpkg, "--remove", "plan-left"], timeout_s=60)
    COMMAND.run([*dpkg, "--set-selections"], timeout_s=60, stdin=b"plan-held hold\n")
    (folder / "var/lib/apt/extended_states").write_text(
        "".join(
            f"Package: {name}\nArchitecture: amd64\nAuto-Installed: 1\n\n"
            for name in ("plan-lib", "plan-unused")
        )
    )
    mark = base / "hook-has-run"
    (folder / KEYRING.lstrip("/")).write_bytes(archive.key)
    (folder / "etc/apt/preferences.d/pins").write_text(PINS)
    conf = folder / "etc/apt/apt.conf.d/90site"
    conf.write_text(SETTINGS.replace("@MARK@", str(mark)))
    with serve_archive(archive) as port:
        (folder / "etc/apt/sources.list").write_text(archive.source_line(port))
        allowed = (AllowedArchive("http", "127.0.0.1", port, "/"),)
        with ArchiveGateway(base / "cache", allowed) as gateway:
            yield Root(folder, port, gateway, archive, mark)


@pytest.fixture(scope="module")
def said_by_apt(root: Root) -> str:
    """Plain apt's own simulation with the second suite in the root's sources."""
    listed = root.folder / "etc/apt/sources.list"
    before = listed.read_text()
    key = root.folder / KEYRING.lstrip("/")
    try:
        line = root.archive.source_line(root.port, "second").replace(KEYRING, str(key))
        listed.write_text(line)
        root.apt("update")
        assert root.mark.exists()  # so the hook works, and a plan that ran it would show
        root.mark.unlink()
        return root.apt("-s", "dist-upgrade")
    finally:
        listed.write_text(before)
        shutil.rmtree(root.folder / "var/lib/apt/lists")
        (root.folder / "var/lib/apt/lists/partial").mkdir(parents=True)
        for stale in (root.folder / "var/cache/apt").glob("*.bin"):
            stale.unlink()


def make_planner(root: Root, folder: Path) -> Planner:
    return Planner(folder, COMMAND, root.gateway.port, keyrings=folder / "none")


@pytest.fixture(scope="module")
def planned(root: Root, tmp_path_factory: pytest.TempPathFactory) -> UpgradePlan:
    folder = tmp_path_factory.mktemp("planner")
    copy = root.pack(folder / "copy.tar", "etc/apt")
    inputs = read_survey_inputs(root.survey(), copy)
    return make_planner(root, folder / "work").plan_upgrade(inputs, PLAN)


def list_said(text: str) -> set[tuple[str, str, str]]:
    """(package, old, new) of apt's own `Inst` and `Remv` lines, read here once more."""
    rows = set()
    for line in text.splitlines():
        inst = re.match(r"Inst (\S+)(?: \[(\S+)\])? \((\S+) .*\[(\S+)\]\)", line)
        remv = re.match(r"Remv (\S+) \[(\S+)\]", line)
        if inst:
            rows.add((f"{inst[1].partition(':')[0]}:{inst[4]}", inst[2] or "", inst[3]))
        elif remv:
            rows.add((remv[1], remv[2], ""))
    return rows


def list_planned(plan: UpgradePlan) -> set[tuple[str, str, str]]:
    return {
        (
            ":".join(filter(None, (step.name.partition(":")[0], step.architecture))),
            step.old,
            step.new,
        )
        for step in plan.steps
    }


def test_the_plan_of_a_survey_is_apts_own(planned: UpgradePlan, said_by_apt: str) -> None:
    """Every install, upgrade and removal of plain apt-get, with its versions, and no other."""
    assert planned.reason == ""
    assert planned.problems == ()
    assert list_planned(planned) == list_said(said_by_apt)
    assert list_said(said_by_apt) >= {
        ("plan-app:all", "1.0", "2.0"),
        ("plan-lib:all", "1:1.0", "1:2.0"),
        ("plan-wide:i386", "1.0", "2.0"),
        ("plan-wide:amd64", "1.0", "2.0"),
        ("plan-old", "1.0", ""),
        ("plan-local", "0.9", ""),
    }


def test_holds_pins_settings_and_equal_versions_are_kept(
    planned: UpgradePlan, said_by_apt: str
) -> None:
    """Held and pinned ones stay, what needs a held one too; recommended ones are not brought
    where the server's settings say so; the same build in both suites is not touched; apt
    itself says all that, the kept ones in its own words."""
    names = {step.name for step in planned.steps}
    stays = {"plan-held", "plan-needs-held", "plan-pinned", "plan-more", "plan-same", "plan-left"}
    assert not names & stays
    assert not {row[0].partition(":")[0] for row in list_said(said_by_apt)} & stays
    kept = re.search(r"kept back:\n((?:  .*\n)+)", said_by_apt)
    assert kept
    assert set(planned.kept) == set(kept[1].split()) == {"plan-held", "plan-needs-held"}


def test_the_first_part_brings_nothing_new(planned: UpgradePlan) -> None:
    """apt-get(8), upgrade: no package is installed or removed."""
    actions = {step.action for step in planned.first_part}
    assert actions == {"upgrade"}
    assert "plan-lib" in {step.name for step in planned.first_part}
    assert "plan-app" not in {step.name for step in planned.first_part}


def test_files_are_those_of_the_archive(planned: UpgradePlan, root: Root) -> None:
    """Address, size and digest of each package file, an epoch in the version among them."""
    wanted = {(s.name.partition(":")[0], s.architecture, s.new) for s in planned.installs}
    assert {(p.name, p.architecture, p.version) for p in planned.uris} == wanted
    total = 0
    for one in planned.uris:
        path = root.archive.folder / one.url.partition(f":{root.port}/")[2]
        content = path.read_bytes()
        assert one.size_bytes == len(content)
        algorithm, _, digest = one.digest.partition(":")
        assert hashlib.new(algorithm, content).hexdigest() == digest
        total += len(content)
    assert planned.download_bytes == total > 0
    assert ("plan-lib", "1:2.0") in {(p.name, p.version) for p in planned.uris}


def test_a_held_package_may_be_freed_first(root: Root, tmp_path: Path) -> None:
    """Without holds the plan takes what was held, and what needs it."""
    inputs = read_survey_inputs(root.survey(), root.pack(tmp_path / "copy.tar", "etc/apt"))
    plan = make_planner(root, tmp_path / "work").plan_upgrade(inputs, PLAN, holds=False)
    assert {"plan-held", "plan-needs-held"} <= {step.name for step in plan.steps}
    assert plan.kept == ()


def pack_clone(root: Root, target: Path) -> FakeGuest:
    """A clone whose own package database is the root's."""
    state = ("var/lib/dpkg/status", "var/lib/dpkg/arch", "var/lib/apt/extended_states")
    places = ("etc/apt", *state)
    content = root.pack(target, *places).read_bytes()
    return FakeGuest(FakeClock(), answers={"tar -chf -": ExecResult(0, content, b"")})


def test_a_clone_with_the_same_state_has_the_same_plan(
    root: Root, planned: UpgradePlan, tmp_path: Path
) -> None:
    """From dpkg's own status file instead of a survey's: equal in every action."""
    inputs = read_clone_inputs(pack_clone(root, tmp_path / "clone.tar"))
    plan = make_planner(root, tmp_path / "work").plan_upgrade(inputs, PLAN)
    assert dataclasses.replace(plan, manager="") == dataclasses.replace(planned, manager="")
    whole, first = compare_plans(planned, plan, own_manager=planned.manager)
    assert whole.differences == first.differences == ()
    assert whole.alike == whole.total == len(planned.steps) + len(planned.kept)


def test_an_unlike_clone_has_an_unlike_plan(
    root: Root, planned: UpgradePlan, tmp_path: Path
) -> None:
    """A clone without the hold upgrades more: two actions differ, and are named. One planner
    makes both plans from one fetching of the indexes."""
    good = read_clone_inputs(pack_clone(root, tmp_path / "clone.tar"))
    free = dataclasses.replace(
        good, status=good.status.replace("Status: hold ok", "Status: install ok")
    )
    planner = make_planner(root, tmp_path / "work")
    first = planner.plan_upgrade(good, PLAN)
    asked = root.gateway.reading().requests
    second = planner.plan_upgrade(free, PLAN)
    assert root.gateway.reading().requests == asked
    whole, _ = compare_plans(first, second)
    assert {row.name for row in whole.differences} == {"plan-held", "plan-needs-held"}
    assert whole.alike == whole.total - 2
    assert all(row.production == "kept back" and row.hides for row in whole.differences)


def digest_tree(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(path): (path.lstat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in sorted(folder.rglob("*"))
    }


def test_the_script_asks_the_system_itself_and_changes_nothing(
    root: Root, planned: UpgradePlan
) -> None:
    """Run where the root is the system, it gives the plan that the survey gave; not one file
    or time of that system changes, its hooks do not run, and nothing of the script is left."""
    key = str(root.folder / KEYRING.lstrip("/"))
    switched = plan_sources(parse_sources({"/etc/apt/sources.list": root.sources()}), PLAN)
    script = write_plan_script(
        switched.content.replace(KEYRING, key), proxy=f"http://127.0.0.1:{root.gateway.port}"
    )
    scratch = root.folder.parent / "scratch"
    scratch.mkdir(mode=0o755)
    before = digest_tree(root.folder)
    answer = COMMAND.run(
        ["sh", "-s"],
        timeout_s=120,
        stdin=script.encode(),
        env={**root.environment(), "TMPDIR": str(scratch)},
    )
    plan = parse_plan(answer.text())
    assert list_planned(plan) == list_planned(planned)
    assert (plan.kept, plan.uris, plan.first_part) == (
        planned.kept,
        planned.uris,
        planned.first_part,
    )
    assert digest_tree(root.folder) == before
    assert not root.mark.exists()
    assert list(scratch.iterdir()) == []


def test_no_hook_of_the_server_runs_here(root: Root, planned: UpgradePlan) -> None:
    """A command in the server's apt configuration is not run on the lab host."""
    assert planned.installs
    assert not root.mark.exists()


def test_a_missing_key_leaves_no_plan_and_says_so(root: Root, tmp_path: Path) -> None:
    """Signatures are checked: without the keyring there is no index, and no agreement."""
    inputs = read_survey_inputs(root.survey(), tmp_path / "no-copy.tar")
    plan = make_planner(root, tmp_path / "work").plan_upgrade(inputs, PLAN)
    assert plan.installs == ()
    assert "no package index" in plan.reason
    assert any(KEYRING in line for line in plan.problems)
    agreements = compare_plans(plan, plan)
    assert {row.total for row in agreements} == {0}
    assert all("not compared" in row.rule for row in agreements)


def test_a_wrong_key_leaves_no_plan(root: Root, tmp_path: Path) -> None:
    """A key that did not sign the archive is refused by apt itself."""
    debian = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
    if not debian.is_file():
        pytest.skip("not installed: debian-archive-keyring")
    inputs = read_clone_inputs(pack_clone(root, tmp_path / "clone.tar"))
    swapped = {**inputs.files, KEYRING: debian.read_bytes()}
    plan = make_planner(root, tmp_path / "work").plan_upgrade(
        dataclasses.replace(inputs, files=swapped), PLAN
    )
    assert "NO_PUBKEY" in plan.reason


def test_a_lab_host_without_apt_says_so(root: Root, tmp_path: Path) -> None:
    """No apt-get is a reason, not an error."""

    class NoApt(LocalCommand):
        def find(self, program: str) -> str:
            return ""

    inputs = PlanInputs("x", "", parse_sources({"/a.list": root.sources()}), ("amd64",))
    plan = Planner(tmp_path / "work", NoApt()).plan_upgrade(inputs, PLAN)
    assert "no apt-get" in plan.reason


def test_the_copy_is_read_for_apt_only(root: Root, tmp_path: Path) -> None:
    """Logins to archives and files of no concern are not taken from a copy."""
    target = tmp_path / "copy.tar"
    with tarfile.open(target, "w") as tar:
        for name in ("etc/apt/auth.conf.d/site.conf", "etc/passwd", "etc/apt/preferences"):
            info = tarfile.TarInfo(name)
            info.size = 1
            tar.addfile(info, io.BytesIO(b"x"))
    assert set(read_survey_inputs(root.survey(), target).files) == {"/etc/apt/preferences"}
