"""Takes over a disk image that somebody else made as a template."""

from __future__ import annotations

from pathlib import Path

from forerun.errors import NotFound, TemplateDamaged, TemplateFailed
from forerun.model.blueprint import TemplateInfo
from forerun.ports.clock import Clock, format_instant
from forerun.ports.disks import Disks, digest_file
from forerun.ports.records import dump_record
from forerun.ports.store import Store, write_durably
from forerun.stages.template import find_template


def import_template(
    source: Path, store: Store, disks: Disks, clock: Clock, *, codename: str, boot_mode: str
) -> TemplateInfo:
    """Take over an existing qcow2 disk, with cloud-init inside, as a template."""
    if not source.is_file():
        raise NotFound("There is no such file.", where=str(source), hint="Check the path.")
    kind = disks.image_format(source)
    if kind != "qcow2":  # any file at all passes for a raw disk
        raise TemplateDamaged(
            "This is not a disk image that forerun can take over.",
            where=str(source),
            wanted="qcow2",
            found=kind or "no disk image",
            hint="If it is a raw disk: qemu-img convert -f raw -O qcow2 IN OUT.",
        )
    size = disks.virtual_size(source)
    other = disks.find_other_file(source)
    if other:
        raise TemplateFailed(
            "This image leans on another file.",
            where=str(source),
            found=other,
            hint="Flatten it first: qemu-img convert -O qcow2 IN OUT.",
        )
    template_id = digest_file(source)[:16]
    with store.locked(f"template-{template_id}"):
        if any(info.id == template_id for info in store.find_templates()):
            return find_template(store, template_id)
        with store.new_folder(store.templates, template_id) as aside:
            aside.chmod(0o711)
            disk = aside / "disk.qcow2"
            disks.convert(source, disk)
            disk.chmod(0o444)
            disks.check_image(disk)
            info = TemplateInfo(
                id=template_id,
                title=f"imported {source.name}",
                codename=codename,
                boot_mode=boot_mode,
                size_bytes=size,
                disk_bytes=disk.stat().st_size,
                digest=digest_file(disk),
                built_at=format_instant(clock.now()),
                build_seconds=0.0,
                root_uuid="",
                packages=(),
                imported=True,
            )
            write_durably(aside / "template.json", dump_record(info), mode=0o644)
        return info
