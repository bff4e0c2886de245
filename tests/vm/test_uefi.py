"""A clone that boots by UEFI, through its own firmware, loader and system partition."""

from __future__ import annotations

from pathlib import Path

import pytest

from forerun.pipeline_bench import Bench
from forerun.ports.domain_xml import UEFI_CODE
from forerun.stages.build import Yard
from tests.vm import lab

pytestmark = pytest.mark.vm


def test_a_uefi_template_boots_through_its_own_loader(bench: Bench, yard: Yard) -> None:
    """The guest sees UEFI firmware, its loader lies on the system partition, and the clone
    answers like any other."""
    if not Path(UEFI_CODE).exists():
        pytest.skip(f"the UEFI firmware is not installed ({UEFI_CODE})")
    template = lab.build(bench, "uefi")
    assert template.boot_mode == "uefi"
    with lab.plain_clone(template, yard) as clone:
        look = clone.guest.run(
            "ls -d /sys/firmware/efi; mount /boot/efi 2>/dev/null; find /boot/efi -iname '*.efi'; "
            "findmnt -n -o FSTYPE /boot/efi",
            timeout_s=120,
        ).text()
        assert (clone.folder / "nvram.fd").is_file()
        folder = clone.folder
    lines = look.splitlines()
    assert "/sys/firmware/efi" in lines
    assert any(line.lower().endswith("/bootx64.efi") for line in lines)
    assert "vfat" in lines
    assert not folder.exists()
