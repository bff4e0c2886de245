"""What the tests with guests build on: one state folder, templates, clones, a server.

The state folder is kept between runs, so that templates and the archive cache are made
once; it is swept before and after. Every guest has a random name."""

from __future__ import annotations

import io
import os
import tarfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import libvirt

from forerun.cli_common import find_recipe_sources
from forerun.errors import ForerunError
from forerun.events import Discard
from forerun.model.blueprint import (
    Blueprint,
    DomainDisk,
    DomainPlan,
    PinnedPackage,
    PortMap,
    TemplateInfo,
    TemplateRecipe,
)
from forerun.model.observation import WayTried
from forerun.pipeline_bench import Bench, find_accelerator, make_template, open_gateway
from forerun.ports.canary import LoopbackCanary
from forerun.ports.disks import make_seed_image
from forerun.ports.domain_xml import GUEST_ADDRESS, write_domain_xml
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.hypervisor import NAME_PREFIX, Hypervisor
from forerun.ports.labhost import find_free_port
from forerun.ports.ssh import ParamikoLink, SshTarget, connect, make_key_pair
from forerun.ports.store import make_id
from forerun.stages.build import Clone, Yard, make_mac, open_clone
from forerun.stages.design import ACCESS_PORT
from forerun.stages.first_boot import INSTANCE_FILE, SEED_SCRIPT, write_network_file
from forerun.stages.seal import try_ways
from forerun.stages.seal_ways import WayOut, list_ways
from forerun.stages.template_scripts import EMULATED_WORDS
from tests.practice.archive import KEYRING, PracticeArchive
from tests.practice.packages import EDITED_CONFIGURATION, INSTALLED, PORT

STATE = Path(os.environ.get("FORERUN_TESTS_HOME", "/var/tmp/forerun-tests"))
URI = "qemu:///system"
GIB = 1024**3
MEMORY = 512 << 20
BOOT_LIMIT_S = 420.0
# The practice packages are written in Python; questions in a full-screen dialogue are
# tested with the real program.
EXTRA_PACKAGES = ("python3", "whiptail")


def write_recipe(boot_mode: str) -> TemplateRecipe:
    """A plain Debian 12, from the lab host's own archives."""
    named = os.environ.get("FORERUN_TESTS_ARCHIVE", "")
    return TemplateRecipe(
        "debian",
        "bookworm",
        "amd64",
        boot_mode,
        8 * GIB,
        find_recipe_sources([named] if named else None, "bookworm"),
        packages=tuple(PinnedPackage(name, "", "amd64") for name in EXTRA_PACKAGES),
        variant="tests",
        kernel_words=EMULATED_WORDS,  # as every clone of an emulating lab host has
    )


def build(bench: Bench, boot_mode: str) -> TemplateInfo:
    """The template of that boot mode; the kept one if there is one."""
    return build_recipe(bench, write_recipe(boot_mode))


def build_recipe(bench: Bench, recipe: TemplateRecipe) -> TemplateInfo:
    """The template of a recipe; the kept one if there is one."""
    with open_gateway(bench, recipe, index_age_s=24 * 3600.0) as gateway:
        return make_template(recipe, gateway, bench, Discard())


def pack(files: dict[str, bytes]) -> bytes:
    """A tar as a clone unpacks it over its root: absolute path to content."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for path, content in sorted(files.items()):
            info = tarfile.TarInfo(f".{path}")
            info.size, info.mode, info.uname, info.gname = len(content), 0o644, "root", "root"
            if "/.ssh/" in path or path.endswith("_key"):
                info.mode = 0o600
            info.mtime = int(time.time())
            tar.addfile(info, io.BytesIO(content))
    return out.getvalue()


def sketch(run_id: str, boot_mode: str = "bios") -> Blueprint:
    """The blueprint of a plain clone."""
    return Blueprint(
        run_id=run_id,
        survey_id="none",
        hostname="shelf01",
        recipe=write_recipe(boot_mode),
        cpus=1,
        memory_bytes=MEMORY,
        stand_ins=(),
        guest_ports=((ACCESS_PORT, "access"), (22, "ssh")),
        allowed=(),
        copy_paths=(),
        held_back_paths=(),
        enable_units=(),
        gaps=(),
    )


def make_yard(bench: Bench, hypervisor: Hypervisor, gateway_port: int) -> Yard:
    """What clones are built with in tests."""
    return Yard(
        bench.store,
        bench.disks,
        hypervisor,
        bench.lab,
        bench.clock,
        Discard(),
        find_accelerator(bench, hypervisor).name,
        gateway_port,
    )


@contextmanager
def plain_clone(
    template: TemplateInfo, yard: Yard, *, files: dict[str, bytes] | None = None
) -> Iterator[Clone]:
    """A clone of a template with some files of its own."""
    run_id = make_id("test", yard.clock.now())
    blueprint = sketch(run_id, template.boot_mode)
    with open_clone(
        blueprint, template, pack(files or {"/etc/motd.tests": b"hi\n"}), yard
    ) as clone:
        yield clone


def try_seal(
    clone: Clone, gateway: ArchiveGateway, *more: WayOut, clone_ports: tuple[int, ...] = ()
) -> tuple[WayTried, ...]:
    """Every way out of a sealed clone, as a rehearsal tries them, and some more."""
    with LoopbackCanary() as canary, gateway.lend(canary.entry()):
        ways = list_ways(canary, gateway_port=gateway.port, clone_ports=clone_ports)
        return try_ways(clone.guest, (*ways, *more), canary)


def restart(clone: Clone) -> None:
    """Restart a clone and wait until it answers as another boot and is up."""
    path = "/proc/sys/kernel/random/boot_id"
    before = clone.guest.read_file(path)
    clone.guest.run("systemctl --no-block reboot", timeout_s=60)
    limit = time.monotonic() + BOOT_LIMIT_S
    while time.monotonic() < limit:
        time.sleep(5)
        try:
            clone.guest.connect(patience_s=BOOT_LIMIT_S)
            if clone.guest.read_file(path) != before:
                wait_until_up(clone)
                return
        except ForerunError:
            continue
    raise AssertionError(f"{clone.name} did not come back in {BOOT_LIMIT_S} s")


def wait_until_up(clone: Clone) -> str:
    """The service manager's state once the start is over."""
    return (
        clone.guest.run("timeout 300 systemctl is-system-running --wait", timeout_s=320)
        .text()
        .strip()
    )


@contextmanager
def paused(name: str) -> Iterator[None]:
    """Stop a domain's processors for as long as the block runs; what it flushed is on disk."""
    connection = libvirt.open(URI)
    domain = connection.lookupByName(name)
    domain.suspend()
    try:
        yield
    finally:
        domain.resume()
        connection.close()


@dataclass(frozen=True, slots=True)
class Server:
    """A "production" server: nothing of forerun's is on it. `key_file` logs in as root,
    `known_hosts` knows its key."""

    name: str
    disk: Path
    ssh_port: int
    web_port: int
    key_file: Path
    known_hosts: Path

    def target(self) -> SshTarget:
        """How to log in."""
        return SshTarget("127.0.0.1", self.ssh_port, "root", self.key_file, self.known_hosts)


@contextmanager
def open_server(
    template: TemplateInfo,
    yard: Yard,
    archive: PracticeArchive,
    archive_port: int,
    *,
    packages: tuple[str, ...] = INSTALLED,
    cpus: int = 1,
) -> Iterator[Server]:
    """A server with the practice packages of the first suite, an edited conffile, and the
    practice archive beside Debian's in its sources."""
    run_id = make_id("server", yard.clock.now())
    folder = yard.store.machines / run_id
    name = f"{NAME_PREFIX}{run_id}"
    ledger = yard.store.ledger
    entries = [
        ledger.note(run_id, "domain", name, place=yard.hypervisor.uri),
        ledger.note(run_id, "folder", str(folder)),
    ]
    folder.mkdir(mode=0o711)
    try:
        server = _start_server(template, yard, archive, archive_port, folder, name, cpus)
        link = log_in(server, yard)
        try:
            _install_practice(link, archive_port, packages)
        finally:
            link.close()
        yield server
    finally:
        yard.hypervisor.end(name)
        for file in folder.iterdir():
            file.unlink()
        folder.rmdir()
        for entry in entries:
            ledger.strike(entry)


def _start_server(
    template: TemplateInfo,
    yard: Yard,
    archive: PracticeArchive,
    archive_port: int,
    folder: Path,
    name: str,
    cpus: int,
) -> Server:
    login, login_public = make_key_pair()
    host_key, host_public = make_key_pair()
    key_file, known_hosts = folder / "login_key", folder / "known_hosts"
    key_file.touch(mode=0o600)
    key_file.write_text(login, encoding="ascii")
    mac = make_mac()
    ports = (PortMap(find_free_port(), 22, "ssh"), PortMap(find_free_port(), PORT, "web"))
    known_hosts.write_text(f"[127.0.0.1]:{ports[0].host_port} {host_public}\n", encoding="ascii")
    tree = pack(
        {
            "/etc/apt/sources.list.d/practice.list": archive.source_line(archive_port).encode(),
            KEYRING: archive.key,
            "/etc/hostname": b"shelf01\n",
            "/etc/hosts": b"127.0.0.1 localhost\n127.0.1.1 shelf01\n",
            "/etc/systemd/network/office.network": write_network_file(
                mac, (f"{GUEST_ADDRESS}/24",)
            ).encode(),
            "/etc/ssh/ssh_host_ed25519_key": host_key.encode(),
            "/etc/ssh/ssh_host_ed25519_key.pub": f"{host_public}\n".encode(),
            "/root/.ssh/authorized_keys": f"{login_public}\n".encode(),
        }
    )
    system, seed = folder / "system.qcow2", folder / "seed.iso"
    yard.disks.make_overlay(yard.store.template_disk(template.id), system)
    make_seed_image(
        seed,
        {
            INSTANCE_FILE: f"instance-id: {name}\n".encode(),
            SEED_SCRIPT: _SERVER_SEED.encode(),
            "tree.tar": tree,
        },
    )
    plan = DomainPlan(
        name=name,
        uuid=str(uuid.uuid4()),
        mac=mac,
        cpus=cpus,
        memory_bytes=MEMORY,
        boot_mode=template.boot_mode,
        accelerator=yard.accelerator,
        disks=(
            DomainDisk(str(system), "qcow2", "system"),
            DomainDisk(str(seed), "raw", "seed", read_only=True),
        ),
        console_log=str(folder / "console.log"),
        ports=ports,
        owner=name.removeprefix(NAME_PREFIX),
        state=yard.store.mark,
    )
    yard.hypervisor.start(write_domain_xml(plan))
    return Server(name, system, ports[0].host_port, ports[1].host_port, key_file, known_hosts)


_SERVER_SEED = """tar -C / -xpf "$1/tree.tar" || exit 1
chmod 700 /root/.ssh
usermod -p '*' root
hostname -F /etc/hostname
"""


def log_in(server: Server, yard: Yard) -> ParamikoLink:
    """A login as root, once the server answers."""
    limit = time.monotonic() + BOOT_LIMIT_S
    while True:
        try:
            return connect(server.target(), timeout_s=20)
        except ForerunError:
            if time.monotonic() > limit or not yard.hypervisor.is_running(server.name):
                raise
        time.sleep(1)


def _install_practice(link: ParamikoLink, archive_port: int, packages: tuple[str, ...]) -> None:
    """The practice packages, over a port that leads back to the archive."""
    link.forward_back(archive_port, to_port=archive_port)
    script = (
        "set -e; export DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8; "
        "until systemctl is-active --quiet multi-user.target; do sleep 1; done; "
        # Debian's own indexes are there from the template; only the practice one is new.
        "apt-get -q update -o Dir::Etc::SourceList=/dev/null -o APT::Get::List-Cleanup=0; "
        f"apt-get -q -y install {' '.join(packages)} </dev/null; "
        f"printf '%s' '{EDITED_CONFIGURATION}' > /etc/shelf-web.conf; sync"
    )
    done = link.exec(script, timeout_s=600)
    if done.exit_code != 0:
        raise AssertionError((done.stdout + done.stderr).decode("utf-8", "replace")[-1500:])
