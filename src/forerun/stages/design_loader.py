"""Where the clone's boot loader belongs, in production's words. Pure.

The loader's package asks again when the device on record is gone, and fails when it leads
nowhere. So production's answer stays on record on the clone, and the paths that exist on
production lead to the clone's system disk; one that is gone there is gone here.
"""

from __future__ import annotations

import re

from forerun.model.blueprint import Gap, LoaderPlan
from forerun.model.survey import CleanSurvey
from forerun.model.system import Loader

SUBJECT = "boot loader's device"
# QEMU hands over 20 characters of a virtio disk's serial number (virtio-blk's own limit).
_VIRTIO = re.compile(r"/dev/disk/by-id/virtio-([A-Za-z0-9_.-]{1,20})")
_SAFE = re.compile(r"/dev/[A-Za-z0-9_.:+@/-]{1,180}")
_OWN_DISK = re.compile(r"/dev/vda\d*")


def design_loader(survey: CleanSurvey) -> tuple[LoaderPlan, Gap]:
    """The plan, and which way was taken."""
    loader = survey.system.loader or _find_recorded(survey)
    if loader is None or not loader.targets:
        return LoaderPlan(), Gap(
            SUBJECT, "unknown",
            "production has none on record, or it was not read; the clone's own disk is "
            "preset, so a question about it is not met",
        )  # fmt: skip
    if survey.system.loader is None:
        there = loader.targets
    else:
        there = loader.targets if loader.resolved else ()
    unsafe = [target for target in loader.targets if not _SAFE.fullmatch(target)]
    if unsafe or survey.machine.boot_mode == "uefi":
        why = "starts by UEFI" if not unsafe else "it is no plain path"
        return LoaderPlan(), Gap(
            SUBJECT, "approximated",
            f"production's {', '.join(loader.targets)} is not used ({why}); the clone's own "
            "disk is preset",
        )  # fmt: skip
    answers = (("grub-pc", "grub-pc/install_devices", ", ".join(loader.targets)),)
    if not there:
        return LoaderPlan(answers=answers), Gap(
            SUBJECT, "matched",
            f"{', '.join(loader.targets)} is on record and gone, as on production: the "
            "question about it is met",
        )  # fmt: skip
    serial = next((m[1] for t in there if (m := _VIRTIO.fullmatch(t))), "")
    natural = f"/dev/disk/by-id/virtio-{serial}"
    links = tuple(
        target.removeprefix("/dev/")
        for target in there
        if not _OWN_DISK.fullmatch(target) and target != natural
    )
    way = "by its serial number" if serial and not links else "by a link to the clone's disk"
    return LoaderPlan(serial, links, answers), Gap(
        SUBJECT, "matched" if len(there) == 1 else "approximated",
        f"production's answer {', '.join(loader.targets)} is on record and its path exists, "
        f"{way}" + ("" if len(there) == 1 else "; all of them lead to one disk"),
    )  # fmt: skip


def _find_recorded(survey: CleanSurvey) -> Loader | None:
    """The answer among the survey's settings (`debconf NAME`), by an older survey."""
    for key, value in survey.settings:
        if key == "debconf grub-pc/install_devices" and value.strip():
            targets = tuple(part.strip() for part in value.split(",") if part.strip())
            return Loader("grub-pc", targets)
    return None
