"""Fixtures of the tests with guests."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from forerun.errors import ForerunError
from forerun.model.blueprint import AllowedArchive, TemplateInfo
from forerun.pipeline_bench import Bench, open_bench
from forerun.ports.command import LocalCommand
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.hypervisor import LibvirtHypervisor
from forerun.stages.build import Clone, Yard
from forerun.stages.sweep import sweep
from forerun.stages.template import remove_template
from tests.practice.archive import PracticeArchive, build_archive, list_missing, serve_archive
from tests.vm import lab
from tests.vm.program import Program, find_word


def _lack(why: str) -> None:
    """Skip with the reason; in CI a missing lab is a failure, not a skip."""
    if os.environ.get("CI"):
        pytest.fail(f"the tests with guests cannot run: {why}")
    pytest.skip(f"the tests with guests cannot run: {why}")


@pytest.fixture(scope="session")
def bench() -> Iterator[Bench]:
    """The ports on the tests' own state folder, swept before and after."""
    command = LocalCommand()
    for program in ("qemu-system-x86_64", "qemu-img", "mmdebstrap", "virsh"):
        if not command.find(program):
            _lack(f"{program} is not installed")
    if missing := list_missing(command):
        _lack(f"not installed: {', '.join(missing)}")
    if os.geteuid() != 0:
        _lack("they need root, for qemu:///system")
    lab.STATE.mkdir(mode=0o711, parents=True, exist_ok=True)
    opened = open_bench(lab.STATE, lab.URI)
    _sweep(opened)
    yield opened
    _sweep(opened)


def _sweep(bench: Bench) -> None:
    try:
        hypervisor = bench.open_hypervisor()
    except ForerunError as problem:
        _lack(f"libvirt does not answer: {problem.found}")
        return
    try:
        sweep(bench.store, hypervisor)
    finally:
        hypervisor.close()


@pytest.fixture(scope="session")
def hypervisor(bench: Bench) -> Iterator[LibvirtHypervisor]:
    one = bench.open_hypervisor()
    yield one
    one.close()


@pytest.fixture(scope="session")
def practice(tmp_path_factory: pytest.TempPathFactory) -> PracticeArchive:
    """The practice archive, built for this run with a key of its own."""
    return build_archive(tmp_path_factory.mktemp("practice"), LocalCommand())


@pytest.fixture(scope="session")
def practice_port(practice: PracticeArchive) -> Iterator[int]:
    with serve_archive(practice) as port:
        yield port


@pytest.fixture(scope="session")
def template(bench: Bench) -> TemplateInfo:
    """A plain Debian 12 that boots by BIOS."""
    return lab.build(bench, "bios")


@pytest.fixture(scope="session")
def gateway(bench: Bench, practice_port: int) -> Iterator[ArchiveGateway]:
    """A gateway to the practice archive and to nothing else."""
    allowed = [AllowedArchive("http", "127.0.0.1", practice_port, "/")]
    with ArchiveGateway(bench.store.archive, allowed) as one:
        yield one


@pytest.fixture(scope="session")
def yard(bench: Bench, hypervisor: LibvirtHypervisor, gateway: ArchiveGateway) -> Yard:
    return lab.make_yard(bench, hypervisor, gateway.port)


@pytest.fixture(scope="module")
def clone(template: TemplateInfo, yard: Yard) -> Iterator[Clone]:
    """One clone for all tests of a module: a boot costs a minute under emulation."""
    with lab.plain_clone(template, yard, files={"/etc/forerun-tests": b"from the copy\n"}) as one:
        yield one


@pytest.fixture(scope="session")
def server(
    template: TemplateInfo, yard: Yard, practice: PracticeArchive, practice_port: int
) -> Iterator[lab.Server]:
    """A "production" server with the practice packages."""
    with lab.open_server(template, yard, practice, practice_port) as one:
        yield one


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Program:
    return Program(tmp_path_factory.mktemp("program"))


@pytest.fixture(scope="session")
def practised(server: lab.Server, bench: Bench, program: Program) -> Iterator[TemplateInfo]:
    """A template with the practice packages: the server's own disk, taken over."""
    image = program.folder / "server.qcow2"
    with lab.paused(server.name):
        LocalCommand().run(
            ["qemu-img", "convert", "-U", "-O", "qcow2", str(server.disk), str(image)],
            timeout_s=300,
        )
    template_id = find_word(program.run("template", "import", str(image)), "template")
    image.unlink()
    (info,) = [one for one in bench.store.find_templates() if one.id == template_id]
    yield info
    remove_template(bench.store, info)


@pytest.fixture(scope="session")
def survey_id(server: lab.Server, program: Program) -> str:
    """The server, surveyed by the command, and its copy approved."""
    output = program.run(
        "survey", "root@127.0.0.1", "--port", str(server.ssh_port),
        "--identity", str(server.key_file), "--known-hosts", str(server.known_hosts),
    )  # fmt: skip
    survey = find_word(output, "survey")
    program.run("approve", survey, "--by", "who tests")
    return survey
