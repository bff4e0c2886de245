"""Whether a finished template is still what was built."""

from __future__ import annotations

import contextlib
from pathlib import Path

from forerun.errors import TemplateDamaged
from forerun.model.blueprint import TemplateInfo
from forerun.ports.disks import Disks, digest_file
from forerun.ports.store import Store

CHECKED = "checked"


def verify_template(store: Store, info: TemplateInfo, disks: Disks) -> None:
    """Compare the disk with its recorded digest, unless it was compared before and not
    written to since; TemplateDamaged when it differs."""
    disk = store.template_disk(info.id)
    if not disk.is_file():
        raise TemplateDamaged(
            "The template's disk is missing.",
            where=str(disk),
            hint=f"`forerun template remove {info.id}`, then build it again.",
        )
    if _is_as_checked(disk, info):
        return
    found = digest_file(disk)
    if found != info.digest:
        raise TemplateDamaged(
            f"The template {info.id} was altered after it was built.",
            where=str(disk),
            wanted=f"sha256 {info.digest}",
            found=f"sha256 {found}",
            hint=f"`forerun template remove {info.id}`, then build it again.",
        )
    disks.check_image(disk)
    with contextlib.suppress(OSError):  # next time is slower, no more
        (disk.parent / CHECKED).write_text(_describe_file(disk, info), encoding="ascii")


def _describe_file(disk: Path, info: TemplateInfo) -> str:
    """What changes when anybody writes to the file: a time of change (ctime of stat(2))
    cannot be set back by hand, as one of modification can."""
    facts = disk.stat()
    return f"{info.digest} {facts.st_size} {facts.st_mtime_ns} {facts.st_ctime_ns} {facts.st_ino}\n"


def _is_as_checked(disk: Path, info: TemplateInfo) -> bool:
    """Whether nobody wrote to the disk since its whole content was last compared: reading
    it all again costs seconds for each gigabyte."""
    mark = disk.parent / CHECKED
    return mark.is_file() and mark.read_text(encoding="ascii", errors="replace") == (
        _describe_file(disk, info)
    )
