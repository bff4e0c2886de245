"""Builds the practice archive, signs it, serves it on loopback, writes its profile.

Built by Debian's own tools: dpkg-deb (dpkg), apt-ftparchive (apt-utils), gpg (gnupg)."""

from __future__ import annotations

import gzip
import http.server
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest

from forerun.ports.command import Command
from tests.practice.packages import PracticePackage, list_suites

HERE = Path(__file__).parent
KEYRING = "/etc/apt/keyrings/practice.gpg"
PROGRAMS = {"dpkg-deb": "dpkg", "apt-ftparchive": "apt-utils", "gpg": "gnupg"}


@dataclass(frozen=True, slots=True)
class PracticeArchive:
    """A built archive. `key` is the binary public keyring."""

    folder: Path
    fingerprint: str
    key: bytes

    def write_profile(self, target: Path, *, to: str = "second") -> Path:
        """The profile from the first suite to another, for this archive's key."""
        text = (HERE / "profile.yaml").read_text(encoding="utf-8")
        for mark, value in (
            ("@FINGERPRINT@", self.fingerprint),
            ("@KEYRING@", KEYRING),
            ("@TO@", to),
        ):
            text = text.replace(mark, value)
        target.write_text(text, encoding="utf-8")
        return target

    def source_line(self, port: int, suite: str = "first") -> str:
        """One-line form of sources.list(5)."""
        return f"deb [signed-by={KEYRING}] http://127.0.0.1:{port} {suite} main\n"


def list_missing(command: Command) -> list[str]:
    """Debian packages that building needs and this host lacks."""
    return [package for program, package in PROGRAMS.items() if not command.find(program)]


def build_archive(
    folder: Path,
    command: Command,
    *,
    suites: Mapping[str, tuple[PracticePackage, ...]] | None = None,
    architectures: tuple[str, ...] = ("amd64",),
) -> PracticeArchive:
    """Build and sign all suites, the practice packages' own unless others are given; takes
    a few seconds."""
    home = folder / "gnupg"
    home.mkdir(mode=0o700, parents=True)
    gpg = ["gpg", "--homedir", str(home), "--batch", "--quiet", "--no-tty"]
    root = folder / "archive"
    try:
        user = "Practice archive <archive@practice.example>"
        command.run(
            [*gpg, "--passphrase", "", "--quick-generate-key", user, "ed25519", "sign", "2y"],
            timeout_s=60,
        )
        listed = command.run([*gpg, "--with-colons", "--list-keys"], timeout_s=60).text()
        fingerprint = next(
            line.split(":")[9] for line in listed.splitlines() if line.startswith("fpr:")
        )
        for suite, packages in (suites or list_suites()).items():
            for package in packages:
                _build_package(package, root / "pool" / suite, folder / "tree", command)
            _index_suite(root, suite, command, architectures)
            release = root / "dists" / suite / "Release"
            command.run(
                [
                    *gpg,
                    "--clearsign",
                    "--output",
                    str(release.with_name("InRelease")),
                    str(release),
                ],
                timeout_s=60,
            )
        key = command.run([*gpg, "--export"], timeout_s=60).stdout
    finally:
        command.run(
            ["gpgconf", "--homedir", str(home), "--kill", "gpg-agent"], timeout_s=60, check=False
        )
    return PracticeArchive(root, fingerprint, key)


def build_or_skip(
    folder: Path,
    command: Command,
    *,
    suites: Mapping[str, tuple[PracticePackage, ...]] | None = None,
    architectures: tuple[str, ...] = ("amd64",),
) -> PracticeArchive:
    """`build_archive`, in a folder that apt's own user can look into; the test is skipped where
    what builds it is not installed."""
    missing = list_missing(command)
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    for parent in (folder, folder.parent):
        parent.chmod(0o755)
    return build_archive(folder, command, suites=suites, architectures=architectures)


def _build_package(package: PracticePackage, pool: Path, tree: Path, command: Command) -> None:
    pool.mkdir(parents=True, exist_ok=True)
    architecture = package.fields.get("Architecture", "all")
    own = tree / f"{pool.name}_{package.name}_{package.version}_{architecture}"
    control = own / "DEBIAN"
    control.mkdir(parents=True, mode=0o755)
    (control / "control").write_text(package.control(), encoding="utf-8")
    if package.conffiles:
        (control / "conffiles").write_text("\n".join(package.conffiles) + "\n", encoding="ascii")
    if package.postinst:
        (control / "postinst").write_text(package.postinst, encoding="utf-8")
        (control / "postinst").chmod(0o755)
    for path, (content, mode) in package.files.items():
        file = own / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
        file.chmod(mode)
    command.run(
        ["dpkg-deb", "--root-owner-group", "-Zgzip", "-z1", "--build", str(own), str(pool)],
        timeout_s=60,
    )


def _index_suite(root: Path, suite: str, command: Command, architectures: tuple[str, ...]) -> None:
    for architecture in architectures:
        folder = root / "dists" / suite / "main" / f"binary-{architecture}"
        folder.mkdir(parents=True)
        packages = command.run(
            ["apt-ftparchive", "--arch", architecture, "packages", f"pool/{suite}"],
            timeout_s=60,
            cwd=root,
        ).stdout
        (folder / "Packages").write_bytes(packages)
        (folder / "Packages.gz").write_bytes(gzip.compress(packages))
    options = {
        "Origin": "Practice",
        "Label": "Practice",
        "Suite": suite,
        "Codename": suite,
        "Architectures": " ".join(architectures),
        "Components": "main",
    }
    argv = ["apt-ftparchive"]
    for name, value in options.items():
        argv += ["-o", f"APT::FTPArchive::Release::{name}={value}"]
    release = command.run([*argv, "release", f"dists/{suite}"], timeout_s=60, cwd=root).stdout
    (root / "dists" / suite / "Release").write_bytes(release)


class _Quiet(http.server.SimpleHTTPRequestHandler):
    """Serves files and keeps silent."""

    protocol_version = "HTTP/1.1"

    def log_message(self, *_: object) -> None:
        """Nothing on the terminal."""


@contextmanager
def serve_archive(archive: PracticeArchive) -> Iterator[int]:
    """The archive on 127.0.0.1; yields the port."""
    handler = partial(_Quiet, directory=str(archive.folder))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield server.server_address[1]
        finally:
            server.shutdown()
            thread.join()
