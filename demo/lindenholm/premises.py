"""shelf01 as a real VM: made, started, reached, powered off, removed.

It is an ordinary server with its own SSH service; nothing of forerun's is on it.
Whatever is made is in forerun's ledger first, under the owner "demo", so that
`forerun sweep` removes it should this program be killed.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import ForerunError, ProductionUnreachable, TemplateFailed
from forerun.model.blueprint import DomainDisk, DomainPlan, PortMap, TemplateInfo
from forerun.ports.clock import Clock
from forerun.ports.disks import make_seed_image
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.hypervisor import NAME_PREFIX
from forerun.ports.labhost import find_free_port
from forerun.ports.removal import remove_tree
from forerun.ports.ssh import ParamikoLink, SshTarget, connect
from forerun.ports.store import Store, make_id
from forerun.stages.build import make_mac
from forerun.stages.design import list_allowed
from forerun.stages.seed import Keys, make_keys
from forerun.stages.template import Workshop, build_template
from lindenholm import server
from lindenholm.archive import Archives

OWNER = "demo"
MEMORY_BYTES = 1024**3
CPUS = 2
INDEX_AGE_S = 7 * 86400.0
FIRST_ANSWER_S = 420.0
SET_UP_S = 300.0
POWER_OFF_S = 180.0


@dataclass(frozen=True, slots=True)
class Running:
    """shelf01 while it runs: the loopback port of its SSH service, the administrator's
    key and known_hosts files, and what would betray each of its secrets."""

    name: str
    port: int
    key_file: Path
    known_hosts: Path
    telling: dict[str, bytes]


def build_system(archives: Archives, shop: Workshop) -> tuple[TemplateInfo, int]:
    """shelf01's template, and the bytes that were fetched from outside for it."""
    gateway = ArchiveGateway(
        shop.store.archive, list_allowed(archives.sources()), index_age_s=INDEX_AGE_S
    )
    with gateway:
        template = build_template(
            server.write_recipe(archives),
            Workshop(
                shop.store,
                shop.command,
                shop.disks,
                shop.hypervisor,
                shop.clock,
                shop.sink,
                shop.accelerator,
                gateway.port,
                origin_s=shop.origin_s,
            ),
        )
        return template, gateway.reading().outside


@contextmanager
def open_shelf01(
    template: TemplateInfo,
    archives: Archives,
    shop: Workshop,
    *,
    variations: frozenset[str] = frozenset(),
) -> Iterator[Premises]:
    """shelf01, made and started; all of it is removed when the block ends. `variations` as in
    `server.write_seed`."""
    name = make_id(OWNER, shop.clock.now())
    folder = shop.store.machines / name
    with ExitStack() as stack:
        stack.enter_context(_noted_folder(shop.store, folder))
        premises = Premises(template, archives, shop, folder, f"{NAME_PREFIX}{name}")
        premises.variations = variations
        stack.callback(premises.end)
        premises.start()
        yield premises


@contextmanager
def _noted_folder(store: Store, folder: Path) -> Iterator[None]:
    entry = store.ledger.note(OWNER, "folder", str(folder))
    try:
        folder.mkdir(mode=0o711)
        yield
    finally:
        if remove_tree(folder):
            store.ledger.strike(entry)


class Premises:
    """The making and the end of one shelf01."""

    def __init__(
        self, template: TemplateInfo, archives: Archives, shop: Workshop, folder: Path, name: str
    ) -> None:
        self.name = name
        self._template = template
        self._archives = archives
        self._shop = shop
        self._folder = folder
        self._keys: Keys = make_keys()
        self._secrets = server.make_secrets()
        self._mac = make_mac()
        self._port = PortMap(find_free_port(), 22, "shelf01's own SSH service")
        self._entries: list[int] = []
        self.variations: frozenset[str] = frozenset()

    def start(self) -> None:
        """Make the disks and start the domain."""
        disks = self._make_disks()
        note = self._shop.store.ledger.note
        self._entries = [
            note(OWNER, "domain", self.name, place=self._shop.hypervisor.uri),
            note(OWNER, "port", str(self._port.host_port)),
        ]
        plan = DomainPlan(
            name=self.name,
            uuid=str(uuid.uuid4()),
            mac=self._mac,
            cpus=CPUS,
            memory_bytes=MEMORY_BYTES,
            boot_mode="bios",
            accelerator=self._shop.accelerator,
            disks=disks,
            console_log=str(self._folder / "console.log"),
            ports=(self._port,),
            owner=OWNER,
            state=self._shop.store.mark,
        )
        self._shop.hypervisor.start(write_domain_xml(plan))

    def _make_disks(self) -> tuple[DomainDisk, ...]:
        (self._folder / f"leans-on-{self._template.id}").touch()
        system, data, seed = (
            self._folder / name for name in ("system.qcow2", "archive.raw", "seed.iso")
        )
        self._shop.disks.make_overlay(
            self._shop.store.template_disk(self._template.id),
            system,
            size_bytes=server.SYSTEM_BYTES,
        )
        self._shop.disks.make_data_disk(
            data,
            fstype="ext4",
            size_bytes=server.ARCHIVE_BYTES,
            uuid=server.ARCHIVE_UUID,
            label=server.ARCHIVE_LABEL,
        )
        files = server.write_seed(
            self._secrets,
            self._keys,
            self._archives,
            mac=self._mac,
            agent=self._build_agent(),
            variations=self.variations,
        )
        make_seed_image(seed, files)
        # Nothing of this machine is measured or kept, so its disks need no flushes.
        return (
            DomainDisk(str(system), "qcow2", "shelf01-system", cache="unsafe"),
            DomainDisk(str(data), "raw", "shelf01-archive", cache="unsafe"),
            DomainDisk(str(seed), "raw", "shelf01-seed", read_only=True),
        )

    def _build_agent(self) -> bytes:
        """The vendor's package, packed by dpkg's own tool."""
        package = self._folder / "shelf-agent.deb"
        source = self._folder / "shelf-agent"
        shutil.copytree(server.HERE / "shelf-agent", source)
        for path in (source, *source.rglob("*")):
            path.chmod(0o755 if path.is_dir() or path.stat().st_mode & 0o100 else 0o644)
        self._shop.command.run(
            ["dpkg-deb", "--root-owner-group", "--build", str(source), str(package)], timeout_s=60
        )
        return package.read_bytes()

    def settle(self) -> Running:
        """Wait until it answers, then set it up as its administrators did.

        Raises ProductionUnreachable, or TemplateFailed when its set-up went wrong."""
        key_file = self._folder / "administrator"
        key_file.touch(mode=0o600)
        key_file.write_text(self._keys.login_private, encoding="ascii")
        known_hosts = self._folder / "known_hosts"
        port = self._port.host_port
        known_hosts.write_text(f"[127.0.0.1]:{port} {self._keys.host_public}\n", encoding="ascii")
        link = self._dial(self._shop.clock)
        try:
            self._set_up(link)
        finally:
            link.close()
        return Running(self.name, port, key_file, known_hosts, server.list_telling(self._secrets))

    def connect(self) -> ParamikoLink:
        """Log in as its administrator."""
        return connect(
            SshTarget(
                "127.0.0.1",
                self._port.host_port,
                key_text=self._keys.login_private,
                host_key=self._keys.host_public,
            )
        )

    def _dial(self, clock: Clock) -> ParamikoLink:
        limit = clock.monotonic() + FIRST_ANSWER_S
        while True:
            try:
                return self.connect()
            except ProductionUnreachable as problem:
                if clock.monotonic() > limit or not self._shop.hypervisor.is_running(self.name):
                    raise ProductionUnreachable(
                        "shelf01 was started and never answered.",
                        where=problem.where,
                        found=self._read_console(),
                    ) from problem
            clock.sleep(2.0)

    def _set_up(self, link: ParamikoLink) -> None:
        """What its administrators did over the years, done now."""
        answer = link.exec(server.SET_UP, timeout_s=SET_UP_S)
        if answer.exit_code != 0:
            raise TemplateFailed(
                "shelf01's set-up failed.",
                where=self.name,
                wanted="exit code 0 of demo/shelf01/set-up.sh",
                found=f"exit code {answer.exit_code}: {answer.text().strip()[-600:]}",
            )

    def _read_console(self) -> str:
        console = self._folder / "console.log"
        return console.read_text("utf-8", "replace")[-400:] if console.exists() else "no console"

    def power_off(self) -> bool:
        """Shut it down as an administrator would; False when that took too long."""
        clock = self._shop.clock
        try:
            link = self.connect()
            # The connection may be cut before the answer is complete.
            # Timers are a minute late by default (systemd.timer(5), AccuracySec).
            link.exec(
                "systemd-run --quiet --on-active=1 --timer-property=AccuracySec=100ms"
                " systemctl poweroff",
                timeout_s=30,
            )
            link.close()
        except ForerunError:
            return False
        limit = clock.monotonic() + POWER_OFF_S
        while self._shop.hypervisor.is_running(self.name):
            if clock.monotonic() > limit:
                return False
            clock.sleep(1.0)
        return True

    def end(self) -> None:
        """Make sure that it no longer runs; nothing happens if it does not."""
        self._shop.hypervisor.end(self.name)
        for entry in self._entries:
            self._shop.store.ledger.strike(entry)
        self._entries = []
