"""The practice archive that the guests' tests upgrade from is one that Debian's own tools
accept: signature, indexes, packages; and its profile is one that forerun accepts."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from tests.practice import packages
from tests.practice.archive import (
    HERE,
    PracticeArchive,
    build_or_skip,
    serve_archive,
)

from forerun.distro.debian_keys import find_fingerprints
from forerun.ports.command import LocalCommand
from forerun.profiles import load_profile, load_site

pytestmark = pytest.mark.tools
COMMAND = LocalCommand()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> PracticeArchive:
    return build_or_skip(tmp_path_factory.mktemp("practice"), COMMAND)


def test_the_signature_is_good(archive: PracticeArchive, tmp_path: Path) -> None:
    """gpgv, which apt itself asks, accepts each InRelease with the exported key."""
    keyring = tmp_path / "practice.gpg"
    keyring.write_bytes(archive.key)
    for suite in ("first", "second", "broken"):
        COMMAND.run(
            [
                "gpgv",
                "--keyring",
                str(keyring),
                str(archive.folder / "dists" / suite / "InRelease"),
            ],
            timeout_s=60,
        )


def test_the_fingerprint_is_read_without_gpg(archive: PracticeArchive) -> None:
    """forerun's own reading of the keyring gives gpg's fingerprint."""
    assert find_fingerprints(archive.key) == (archive.fingerprint,)


def test_apt_takes_its_packages(archive: PracticeArchive, tmp_path: Path) -> None:
    """apt of this host, with folders of its own, updates from the served archive and offers
    the first suite's packages; an altered index is refused."""
    state = tmp_path / "apt"
    for name in ("state/lists/partial", "cache/archives/partial", "etc/keyrings", "etc/parts"):
        (state / name).mkdir(parents=True)
    (state / "status").touch()
    keyring = state / "etc/keyrings/practice.gpg"
    keyring.write_bytes(archive.key)
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    options = {
        "Dir::State": state / "state",
        "Dir::State::status": state / "status",
        "Dir::Cache": state / "cache",
        "Dir::Etc::sourcelist": state / "etc/sources.list",
        "Dir::Etc::sourceparts": state / "etc/parts",
        "Dir::Etc::trustedparts": state / "etc/keyrings",
        "APT::Sandbox::User": "root",
        "APT::Architecture": "amd64",
    }
    argv = [word for name, value in options.items() for word in ("-o", f"{name}={value}")]
    with serve_archive(archive) as port:
        line = f"deb [signed-by={keyring}] http://127.0.0.1:{port} first main\n"
        (state / "etc/sources.list").write_text(line)
        env = {name: "" for name in os.environ if name.lower().endswith("_proxy")}
        COMMAND.run(["apt-get", *argv, "-q", "update"], timeout_s=60, env=env)
        offered = COMMAND.run(["apt-cache", *argv, "pkgnames"], timeout_s=60).text().split()
        assert set(offered) >= set(packages.INSTALLED)
        index = archive.folder / "dists/first/main/binary-amd64/Packages.gz"
        whole = index.read_bytes()
        try:
            index.write_bytes(whole[:-9] + b"x" + whole[-8:])
            for stale in (state / "state/lists").glob("*Packages*"):
                stale.unlink()
            (archive.folder / "dists/first/main/binary-amd64/Packages").rename(tmp_path / "aside")
            done = COMMAND.run(
                ["apt-get", *argv, "-q", "update"], timeout_s=60, check=False, env=env
            )
            assert b"Hash Sum mismatch" in done.stdout + done.stderr
        finally:
            index.write_bytes(whole)
            (tmp_path / "aside").rename(index.with_suffix(""))


def test_the_second_suite_brings_what_the_tests_rely_on(archive: PracticeArchive) -> None:
    """Newer versions, a changed conffile, a package that takes another away."""
    texts = {
        suite: (archive.folder / f"dists/{suite}/main/binary-amd64/Packages").read_text()
        for suite in ("first", "second")
    }
    assert "Package: shelf-old" in texts["first"]
    assert "Package: shelf-old" not in texts["second"]
    assert "Conflicts: shelf-old" in texts["second"]
    assert texts["second"].count("Version: 2.0") == 6
    large = max((archive.folder / "pool/second").iterdir(), key=lambda deb: deb.stat().st_size)
    assert large.name == "shelf-web_2.0_all.deb"
    assert large.stat().st_size > packages.PAYLOAD_BYTES


def test_the_profile_and_the_site_are_valid(archive: PracticeArchive, tmp_path: Path) -> None:
    """With the key filled in, both files are read without a mistake."""
    profile = load_profile(archive.write_profile(tmp_path / "profile.yaml"))
    assert profile.sources.fingerprints == (archive.fingerprint,)
    assert [step.action.value for step in profile.steps][:2] == ["checks", "keep-configuration"]
    assert load_site(HERE / "site.yaml").services[0].port == packages.PORT
