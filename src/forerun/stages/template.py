"""Builds templates: a package tree made natively, a disk, a boot loader written by the
guest's own tools.

Each part is kept aside until the template is whole, so that a stopped build goes on
from its last finished part: `tree.tar` (packages), `disk.raw` (partitions, files and the
boot loader, which the guest writes only once), `disk.qcow2` (the result).
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import shutil
import tarfile
import uuid
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import cmp_to_key
from pathlib import Path

from forerun.distro.debian import compare_versions
from forerun.errors import CommandFailed, TemplateFailed
from forerun.events import Notice, Sink
from forerun.model.blueprint import DomainDisk, DomainPlan, TemplateInfo, TemplateRecipe
from forerun.ports.clock import Clock, format_instant
from forerun.ports.command import Command
from forerun.ports.disks import MIB, Disks, digest_file
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.held import PART
from forerun.ports.hypervisor import NAME_PREFIX, Hypervisor
from forerun.ports.records import dump_record
from forerun.ports.removal import remove_tree
from forerun.ports.store import Store, flush_file, flush_folder, reporting_room, write_durably
from forerun.stages.scratch import as_owner, in_own_mounts, open_scratch
from forerun.stages.sweep import sweep
from forerun.stages.template_check import verify_template
from forerun.stages.template_scripts import (
    EMULATED_WORDS,
    FILL_DISK,
    LOADER_MARK,
    list_mmdebstrap,
    name_key,
    write_customise_script,
)
from forerun.stages.template_shelf import find_template, remove_template

__all__ = [
    "LOADER_TIME_S",
    "Workshop",
    "build_template",
    "digest_recipe",
    "find_template",
    "read_installed",
    "remove_template",
    "verify_template",
]

LOADER_TIME_S = 420.0


@dataclass(frozen=True, slots=True)
class Workshop:
    """What building needs: ports, the accelerator to use, the gateway's port."""

    store: Store
    command: Command
    disks: Disks
    hypervisor: Hypervisor
    clock: Clock
    sink: Sink
    accelerator: str
    proxy_port: int
    origin_s: float = 0.0


def digest_recipe(recipe: TemplateRecipe) -> str:
    """The template's id: the first 16 hexadecimal digits of the recipe's SHA-256."""
    text = json.dumps(asdict(recipe), sort_keys=True)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


def build_template(recipe: TemplateRecipe, shop: Workshop) -> TemplateInfo:
    """The template of that recipe: the finished one if there is one, else a new one.

    Only one process at a time builds one template. When a build fails or is killed its
    finished parts stay, under a name that says so, and the next build goes on from them."""
    template_id = digest_recipe(recipe)
    run = f"template-{template_id}"
    ledger = shop.store.ledger

    def say_waiting() -> None:
        text = f"template {template_id}: another forerun builds it; waiting"
        shop.sink.emit(Notice(shop.clock.monotonic() - shop.origin_s, "note", text))

    with shop.store.locked(run, on_wait=say_waiting):
        for info in shop.store.find_templates():
            if info.id == template_id:
                verify_template(shop.store, info, shop.disks)
                return info
        # A builder that was killed while we waited for it may have left a guest at work.
        sweep(shop.store, shop.hypervisor, shop.command, run=run, thorough=False)
        aside = shop.store.templates / f"{template_id}{PART}"
        entry = ledger.note(run, "folder", str(aside))
        try:
            aside.mkdir(mode=0o711, exist_ok=True)
            with reporting_room(aside), open_scratch(shop.store, shop.command, run, aside) as work:
                return _Build(recipe, template_id, aside, work, shop).run()
        finally:
            ledger.strike(entry)


class _Build:
    """One build, part by part."""

    def __init__(
        self, recipe: TemplateRecipe, template_id: str, aside: Path, work: Path, shop: Workshop
    ) -> None:
        self.recipe = recipe
        self.id = template_id
        self.aside = aside
        self.work = work
        self.shop = shop
        drawn = uuid.uuid5(uuid.NAMESPACE_URL, f"urn:forerun:{template_id}")
        self.root_uuid = recipe.root_uuid or str(drawn)
        self.log = aside / "build.log"

    def run(self) -> TemplateInfo:
        """Make every part that is missing, then publish."""
        began = self.shop.clock.monotonic()
        self._part("tree.tar", "packages", self._make_tree)
        self._part("disk.raw", "disk and boot loader", self._make_disk)
        self._part("disk.qcow2", "image", self._convert)
        info = self._describe(self.shop.clock.monotonic() - began)
        for name in ("tree.tar", "disk.raw", "vmlinuz", "initrd", "loader.log"):
            (self.aside / name).unlink(missing_ok=True)
        remove_tree(self.work)
        write_durably(self.aside / "template.json", dump_record(info), mode=0o644)
        self.shop.store.publish(self.aside, self.shop.store.templates / self.id)
        return info

    def _part(self, name: str, title: str, make: Callable[[Path], None]) -> None:
        final = self.aside / name
        if final.exists():
            return
        self._say(f"template {self.id}: {title}")
        aside = self.aside / f"{name}{PART}"
        aside.unlink(missing_ok=True)
        make(aside)
        flush_file(aside)  # a part under its name counts as finished, also after a power cut
        aside.rename(final)
        flush_folder(self.aside)

    def _say(self, text: str, level: str = "note") -> None:
        now = self.shop.clock.monotonic() - self.shop.origin_s
        self.shop.sink.emit(Notice(now, level, text))

    def _make_tree(self, target: Path) -> None:
        preferences = self.aside / "preferences"
        preferences.write_text(_write_pins(self.recipe), encoding="utf-8")
        customise = self.aside / "customise.sh"
        customise.write_text(write_customise_script(self.recipe), encoding="utf-8")
        customise.chmod(0o755)
        stand_ins = self.aside / "stand-ins"
        self._make_stand_ins(stand_ins)
        keys = self._write_keys()
        for uri in dict.fromkeys(source.uri for source in self.recipe.sources if source.key):
            # The package tool runs their scripts in a tree that is no wall against root.
            self._say(
                f"scripts of packages from {uri} run on this lab host while the template is "
                "built, as root of a tree",
                "caution",
            )
        argv = list_mmdebstrap(
            self.recipe,
            target=target,
            preferences=preferences,
            customise=customise,
            stand_ins=stand_ins,
            proxy_port=self.shop.proxy_port,
            keys=keys,
        )
        try:
            # Its own tree lies where ours does, so that nothing is left if it is killed.
            env = {"TMPDIR": str(self.work)}
            words = [*in_own_mounts(self.shop.command), *argv]
            self.shop.command.run(words, timeout_s=3600, log=self.log, env=env)
        except CommandFailed as problem:
            raise TemplateFailed(
                "The package tree could not be made.",
                where=str(self.log),
                found=_last_errors(self.log) or problem.found,
                hint="Run the command again to go on; `forerun lab` checks the archive.",
            ) from problem

    def _write_keys(self) -> Path | None:
        """Third parties' keyrings, where the package tool's own user can read them."""
        signed = [source for source in self.recipe.sources if source.key]
        if not signed:
            return None
        folder = self.aside / "keys"
        folder.mkdir(mode=0o755, exist_ok=True)
        for source in signed:
            file = folder / name_key(source)
            file.write_bytes(base64.b64decode(source.key))
            file.chmod(0o644)
        return folder

    def _make_stand_ins(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        for package in self.recipe.stand_ins:
            tree = folder / "tree"
            shutil.rmtree(tree, ignore_errors=True)
            (tree / "DEBIAN").mkdir(parents=True, mode=0o755)
            control = tree / "DEBIAN" / "control"
            control.write_text(package.stanza, encoding="utf-8")
            self.shop.command.run(
                ["dpkg-deb", "--root-owner-group", "--build", str(tree), str(folder)],
                timeout_s=120,
                log=self.log,
            )
            shutil.rmtree(tree)

    def _make_disk(self, target: Path) -> None:
        tree = self.aside / "tree.tar"
        self._extract_kernel(tree)
        recipe = self.recipe
        offset = self.shop.disks.partition(
            target, recipe.size_bytes, recipe.boot_mode, root_partition=recipe.root_partition
        )
        if self.recipe.boot_mode == "uefi":
            self.shop.disks.make_boot_partition(target, self.root_uuid[:8])
        end_reserve = MIB  # GPT keeps its second table in the last sectors
        size_k = (self.recipe.size_bytes - offset - end_reserve) // 1024
        owner = as_owner()
        # Open to those numbers, hence for that time in a folder that nobody else enters.
        self.aside.chmod(0o700 if owner else 0o711)
        target.chmod(0o666 if owner else 0o600)
        left_out = "./dev/*" if owner else ""
        arguments = [str(self.work), self.root_uuid, str(offset), str(size_k), left_out]
        arguments.append(recipe.root_label)
        opened = ["sh", "-c", 'exec "$@" < "$0" 3<> "$DISK"', str(tree)]
        try:
            self.shop.command.run(
                [*opened, *owner, "sh", "-c", FILL_DISK, "sh", *arguments],
                timeout_s=1200,
                log=self.log,
                env={"DISK": str(target)},
            )
        except CommandFailed as problem:
            raise TemplateFailed(
                "The package tree could not be put on a disk.",
                where=str(self.log),
                found=problem.found,
                hint=f"Look for free room there and in {self.work.parent}.",
            ) from problem
        target.chmod(0o600)
        self.aside.chmod(0o711)
        self._install_loader(target)

    def _extract_kernel(self, tree: Path) -> None:
        """The newest kernel and its initrd, for the one boot that writes the loader."""
        with tarfile.open(tree) as archive:
            names = [member.name for member in archive if "/boot/" in f"/{member.name}"]
            for part, target in (("vmlinuz-", "vmlinuz"), ("initrd.img-", "initrd")):
                name = _find_newest(names, part)
                stream = archive.extractfile(name) if name else None
                if stream is None:
                    raise TemplateFailed(
                        f"The package tree holds no {part}* file.",
                        where=str(tree),
                        hint="The package list needs a kernel, for example linux-image-amd64.",
                    )
                with (self.aside / target).open("wb") as out:
                    shutil.copyfileobj(stream, out)
                (self.aside / target).chmod(0o644)

    def _install_loader(self, disk: Path) -> None:
        # Another state folder may build the same template on this hypervisor.
        name = f"{NAME_PREFIX}template-{self.id}-{secrets.token_hex(4)}"
        console = self.aside / "loader.log"
        console.unlink(missing_ok=True)
        plan = DomainPlan(
            name=name,
            uuid=str(uuid.uuid4()),
            mac="",
            cpus=1,
            memory_bytes=1024 * MIB,
            boot_mode="bios",
            accelerator=self.shop.accelerator,
            disks=(DomainDisk(str(disk), "raw", "forerun-system", cache="unsafe"),),
            console_log=str(console),
            kernel=str(self.aside / "vmlinuz"),
            initrd=str(self.aside / "initrd"),
            command_line=(
                f"root=UUID={self.root_uuid} rw console=ttyS0 init=/forerun-loader"
                f"{'' if self.shop.accelerator == 'kvm' else f' {EMULATED_WORDS}'}"
            ),
            owner=f"template-{self.id}",
            state=self.shop.store.mark,
            no_link=True,
        )
        entry = self.shop.store.ledger.note(
            plan.owner, "domain", name, place=self.shop.hypervisor.uri
        )
        try:
            self.shop.hypervisor.start(write_domain_xml(plan))
            self._wait_for_end(name)
        finally:
            self.shop.hypervisor.end(name)
            self.shop.store.ledger.strike(entry)
        text = console.read_text(encoding="utf-8", errors="replace")
        if LOADER_MARK not in text:
            raise TemplateFailed(
                "The guest did not write its boot loader.",
                where=str(console),
                found=text[-600:],
            )

    def _wait_for_end(self, name: str) -> None:
        limit = self.shop.clock.monotonic() + LOADER_TIME_S
        while self.shop.hypervisor.is_running(name):
            if self.shop.clock.monotonic() > limit:
                raise TemplateFailed(
                    f"The guest did not finish its boot loader in {LOADER_TIME_S:.0f} s.",
                    where=str(self.aside / "loader.log"),
                )
            self.shop.clock.sleep(1.0)

    def _convert(self, target: Path) -> None:
        self.shop.disks.convert(self.aside / "disk.raw", target)
        target.chmod(0o444)

    def _describe(self, seconds: float) -> TemplateInfo:
        disk = self.aside / "disk.qcow2"
        with tarfile.open(self.aside / "tree.tar") as archive:
            stream = archive.extractfile("./var/lib/dpkg/status")
            status = stream.read().decode("utf-8", "replace") if stream else ""
        return TemplateInfo(
            id=self.id,
            title=f"{self.recipe.family} {self.recipe.codename} {self.recipe.variant}",
            codename=self.recipe.codename,
            boot_mode=self.recipe.boot_mode,
            size_bytes=self.recipe.size_bytes,
            disk_bytes=disk.stat().st_size,
            digest=digest_file(disk),
            built_at=format_instant(self.shop.clock.now()),
            build_seconds=round(seconds, 1),
            root_uuid=self.root_uuid,
            packages=read_installed(status),
        )


def _find_newest(names: Sequence[str], part: str) -> str:
    """Of the files in /boot that begin with `part`, the one of the highest version."""
    found = {name.rpartition(part)[2]: name for name in names if f"boot/{part}" in name}
    newest = max(found, key=cmp_to_key(compare_versions), default="")
    return found.get(newest, "")


def _write_pins(recipe: TemplateRecipe) -> str:
    """apt_preferences(5): every wanted package at its surveyed version, where the
    archive still has it; priority over 1000 lets it win over newer ones."""
    return "".join(
        f"Package: {package.name}\nPin: version {package.version}\nPin-Priority: 1001\n\n"
        for package in recipe.packages
        if package.version
    )


def read_installed(status: str) -> tuple[tuple[str, str], ...]:
    """(package, version) of every installed package of a dpkg status file."""
    found: list[tuple[str, str]] = []
    for stanza in status.split("\n\n"):
        fields = dict(
            line.split(": ", 1)
            for line in stanza.splitlines()
            if ": " in line and not line.startswith(" ")
        )
        if fields.get("Status", "").endswith(" installed"):
            found.append((fields["Package"], fields.get("Version", "")))
    return tuple(sorted(found))


def _last_errors(log: Path) -> str:
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines() if log.exists() else []
    errors = [line for line in lines if line.startswith(("E:", "W:"))]
    return "\n".join((errors or lines)[-6:])
