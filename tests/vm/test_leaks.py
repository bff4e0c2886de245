"""The leak scan on a running clone: what it must find, and what it must not mistake."""

from __future__ import annotations

import pytest

from forerun.errors import LeakFound
from forerun.model.blueprint import TemplateInfo
from forerun.pipeline_leaks import check_clone
from forerun.ports.command import LocalCommand
from forerun.stages.build import Clone, Yard
from forerun.stages.design import find_held_back
from forerun.stages.leakscan import LeakScanner
from forerun.stages.sanitise_vault import Vault
from tests.unit.test_sanitise_500 import Harvest, grow
from tests.vm import lab

pytestmark = pytest.mark.vm

ORIGINAL = "Tanglewood-4471-marzipan"
# In every Debian system, as package base-files ships it: no secret of anybody's.
PUBLIC = "https://www.debian.org/support"


@pytest.fixture(scope="module")
def scanner() -> LeakScanner:
    vault = Vault()
    vault.note(ORIGINAL, rule="planted", sweep=True)
    vault.note(PUBLIC, rule="planted", sweep=True)
    return LeakScanner(vault)


def test_a_clone_that_holds_no_original_passes(clone: Clone, scanner: LeakScanner) -> None:
    """Its disk and its seed are read whole while it runs; a word of the template's own
    packages is no leak, also where the clone wrote it again."""
    clone.guest.write_file("/var/tmp/release", PUBLIC.encode())
    check_clone(scanner, clone, LocalCommand())


@pytest.mark.parametrize(
    ("content", "form"),
    [(ORIGINAL.encode(), "plain"), (ORIGINAL.encode().hex().encode(), "hexadecimal")],
)
def test_an_original_on_the_disk_is_found(
    clone: Clone, scanner: LeakScanner, content: bytes, form: str
) -> None:
    """Wherever it lies, also in a file that was removed again: blocks keep their content.
    Place, rule and form are named, the value never is."""
    clone.guest.write_file("/var/tmp/leak", b"left " + content + b" behind\n")
    try:
        with pytest.raises(LeakFound) as caught:
            check_clone(scanner, clone, LocalCommand())
    finally:
        # Overwritten and not only removed, so that the next test starts clean.
        clone.guest.write_file("/var/tmp/leak", b"0" * 4096)
        clone.guest.run("sync", timeout_s=60)
    said = str(caught.value)
    assert "system.qcow2" in said
    assert f"planted, {form}" in said
    assert ORIGINAL not in said
    assert ORIGINAL.encode().hex() not in said


def test_hundreds_of_secrets_leave_nothing_on_a_disk(template: TemplateInfo, yard: Yard) -> None:
    """A server with 500 and more secrets is surveyed, its sanitised copy goes to a clone: no
    original is in the seed image or on the raw disk, in any form. The same scan finds all
    that it looks for in what the server had, so it is not blind."""
    harvest = grow()
    scanner = LeakScanner(harvest.vault)
    files = {path: content for path, content in harvest.files.items() if not find_held_back(path)}
    assert len(harvest.garden.secrets) >= 500
    assert len(files) > 100
    with lab.plain_clone(template, yard, files=files) as clone:
        check_clone(scanner, clone, LocalCommand())
    assert find_in_garden(scanner, harvest) > 500


def find_in_garden(scanner: LeakScanner, harvest: Harvest) -> int:
    """How many of the scanner's patterns are in the server's own files."""
    whole = b"\0".join(harvest.garden.files.values())
    return len({hit.number for hit in scanner.scan_stream("garden", [whole])})
