"""The leak scan on a running clone: what it must find, and what it must not mistake."""

from __future__ import annotations

import pytest

from forerun.errors import LeakFound
from forerun.pipeline_leaks import check_clone
from forerun.ports.command import LocalCommand
from forerun.stages.build import Clone
from forerun.stages.leakscan import LeakScanner
from forerun.stages.sanitise_vault import Vault

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
