"""The upgrade that the package manager plans, computed on the lab host.

Production's plan comes from its survey alone, a clone's from the clone's own package
database; both are asked of the same apt with the same settings and the same indexes, in a
folder of its own. It costs production and clone no processor time. Signatures are checked
as ever: an archive whose key is not at hand is left out by apt, and `problems` says so.
"""

from __future__ import annotations

import io
import posixpath
import tarfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from forerun.distro import debian_plan
from forerun.distro.debian_apt_conf import order_files
from forerun.distro.debian_sources import parse_sources, plan_sources
from forerun.errors import CommandFailed, ForerunError
from forerun.model.likeness import UpgradePlan
from forerun.model.profile import SourcePlan
from forerun.model.survey import ArchiveSource, CleanSurvey
from forerun.ports.command import Command
from forerun.ports.guest import Guest

ASK_S = 900.0
_SURVEYED = "/etc/apt/"
# Logins to archives are kept apart by apt_auth.conf(5); a plan has no need of them.
_SECRET = ("/etc/apt/auth.conf", "/etc/apt/auth.conf.d/")
# dpkg lists architectures, its own first, where there are foreign ones.
_STATE = ("/var/lib/dpkg/status", "/var/lib/apt/extended_states", "/var/lib/dpkg/arch")
_KEYRINGS = "/usr/share/keyrings/"


@dataclass(frozen=True, slots=True)
class PlanInputs:
    """All that a plan depends on, of one side. `files` are its files under /etc/apt (and
    its keyrings, where they could be read) by their absolute path; `manager` is the
    version of its own package manager; `reason` says why there is nothing to plan from."""

    status: str
    marks: str
    sources: tuple[ArchiveSource, ...]
    architectures: tuple[str, ...]
    files: Mapping[str, bytes] = field(default_factory=dict)
    manager: str = ""
    reason: str = ""


def read_survey_inputs(survey: CleanSurvey, copy: Path) -> PlanInputs:
    """Production's side: the survey's packages, and /etc/apt of its sanitised copy."""
    files = _read_tar(copy.read_bytes()) if copy.is_file() else {}
    native = survey.machine.architecture
    installed = [package for package in survey.packages if package.state[1:2] == "i"]
    lacking = [p.name for p in installed if not p.relations and not p.stanza]
    # A few without any relation are usual; most without: the survey did not take them.
    lost = len(lacking) * 2 > len(installed)
    if survey.system.pins and not any(path.startswith(_PREFERENCES) for path in files):
        text = debian_plan.write_preferences(survey.system.pins)
        files = {**files, "/etc/apt/preferences": text.encode("utf-8")}
    apt = survey.find_package("apt")
    return PlanInputs(
        status=debian_plan.write_status(survey.packages),
        marks=debian_plan.write_extended_states(survey.packages, native),
        sources=survey.sources,
        architectures=debian_plan.list_architectures(survey.packages, native),
        files=files,
        manager=apt.version if apt else "",
        reason="the survey holds no package relations: take it again" if lost else "",
    )


_PREFERENCES = "/etc/apt/preferences"


def read_clone_inputs(guest: Guest, *, timeout_s: float = 120.0) -> PlanInputs:
    """The clone's side: its own package database, marks, sources and keyrings, taken in
    one go. Raises CloneUnreachable."""
    paths = ("/etc/apt", _KEYRINGS.rstrip("/"), *_STATE)
    listed = " ".join(path.lstrip("/") for path in paths)
    answer = guest.run(
        f'cd / && for f in {listed}; do [ -e "$f" ] && set -- "$@" "$f"; done; '
        'tar -chf - --ignore-failed-read --exclude=auth.conf --exclude=auth.conf.d "$@"',
        timeout_s=timeout_s,
    )
    # tar(1): 1 says that a file changed while it was read, which a running system's may.
    files = _read_tar(answer.stdout) if answer.exit_code in {0, 1} else {}
    status = files.get(_STATE[0], b"").decode("utf-8", "replace")
    fields = _find_own(status)
    listed_first = files.get(_STATE[2], b"").decode("ascii", "replace").split()[:1]
    native = fields.get("dpkg") or "".join(listed_first)
    return PlanInputs(
        status=status,
        marks=files.get(_STATE[1], b"").decode("utf-8", "replace"),
        sources=parse_sources(_list_sources(files)),
        architectures=_list_architectures(status, native),
        files={path: content for path, content in files.items() if path not in _STATE},
        manager=fields.get("apt", ""),
        reason="" if status and native else "the clone's package database could not be read",
    )


def _list_sources(files: Mapping[str, bytes]) -> dict[str, str]:
    places = ("/etc/apt/sources.list", "/etc/apt/sources.list.d/")
    return {
        path: content.decode("utf-8", "replace")
        for path, content in files.items()
        if path == places[0]
        or (path.startswith(places[1]) and path.endswith((".list", ".sources")))
    }


def _find_own(status: str) -> dict[str, str]:
    """Architecture of dpkg, which is the native one, and version of apt."""
    found: dict[str, str] = {}
    for block in status.split("\n\n"):
        for name, wanted in (("dpkg", "Architecture: "), ("apt", "Version: ")):
            if block.lstrip("\n").startswith(f"Package: {name}\n"):
                found[name] = next(
                    (li[len(wanted) :] for li in block.splitlines() if li.startswith(wanted)), ""
                )
    return found


def _list_architectures(status: str, native: str) -> tuple[str, ...]:
    prefix = "Architecture: "
    seen = (li[len(prefix) :] for li in status.splitlines() if li.startswith(prefix))
    return debian_plan.order_architectures(native, seen)


def _read_tar(content: bytes) -> dict[str, bytes]:
    """The regular files that a plan may depend on; none where the archive is not whole, since
    half of them would make another plan."""
    files: dict[str, bytes] = {}
    try:
        with tarfile.open(fileobj=io.BytesIO(content), mode="r:") as archive:
            for member in archive:
                path = posixpath.normpath("/" + member.name.lstrip("./"))
                wanted = path.startswith((_SURVEYED, _KEYRINGS)) or path in _STATE
                wanted = wanted and member.isreg() and not member.issparse()
                stream = archive.extractfile(member) if wanted else None
                if stream is not None and not path.startswith(_SECRET):
                    files[path] = stream.read()
    except (tarfile.TarError, OSError, EOFError, ValueError, OverflowError):
        return {}
    return files


@dataclass(slots=True)
class Planner:
    """Asks the lab host's apt for plans, in `folder`, through the gateway on `proxy_port`.

    The indexes are fetched once for each set of sources and used again, so that all plans
    of one planner are made from one state of the archives. `keyrings` is where the lab
    host's own keyrings lie: they stand in for those that a survey may not read.
    """

    folder: Path
    command: Command
    proxy_port: int = 0
    keyrings: Path = Path(_KEYRINGS)
    _sources: str = ""

    def plan_upgrade(
        self, inputs: PlanInputs, sources: SourcePlan, *, holds: bool = True
    ) -> UpgradePlan:
        """The plan for the release that `sources` names. Without `holds`, as if every
        held package were released first. What stands in the way of a plan is its
        `reason`; nothing is raised for it."""
        if inputs.reason:
            return UpgradePlan(reason=inputs.reason)
        if not self.command.find("apt-get"):
            return UpgradePlan(reason="this lab host has no apt-get: install the package apt")
        asked, unasked = _split_archives(inputs.sources)
        switched = plan_sources(asked, sources)
        if not switched.content:
            return UpgradePlan(reason="no archive source of this server is known to the profile")
        try:
            plan = self._ask(inputs, switched.content, holds=holds)
        except (CommandFailed, OSError) as problem:
            why = problem.what if isinstance(problem, ForerunError) else str(problem)
            return UpgradePlan(reason=f"apt on the lab host: {why}")
        left_out = tuple(f"not planned with: {entry}" for entry in (*switched.disabled, *unasked))
        return replace(plan, problems=plan.problems + left_out)

    def _ask(self, inputs: PlanInputs, sources: str, *, holds: bool) -> UpgradePlan:
        root = self.folder
        self._clear()
        for name in _FOLDERS:
            (root / name).mkdir(parents=True, exist_ok=True)
        # apt fetches and checks signatures as a user of its own, who must get in.
        root.chmod(0o711)
        keys, missing = self._write_keys(inputs.files, sources)
        text = debian_plan.rename_keys(debian_plan.through_gateway(sources), keys)
        self._write("etc/sources.list.d/forerun.sources", text)
        status = inputs.status if holds else inputs.status.replace("\nStatus: hold ", _FREE)
        self._write("status", status)
        self._write("extended_states", inputs.marks)
        self._write_preferences(inputs.files)
        self._write_configuration(inputs)
        script = debian_plan.write_private_script(fresh=text != self._sources)
        answer = self.command.run(
            ["sh", "-s"],
            timeout_s=ASK_S,
            stdin=script.encode("utf-8"),
            env={**_NO_PROXY, "APT_CONFIG": str(root / "apt.conf"), "work": str(root)},
            cwd=root,
            check=False,
        )
        plan = debian_plan.parse_plan(answer.text())
        self._sources = text if not plan.reason else ""
        return replace(plan, problems=missing + plan.problems)

    def _clear(self) -> None:
        """What an earlier plan left, but for the indexes."""
        for pattern in ("etc/**/*", "keys/*", "cache/pkgcache.bin"):
            for path in self.folder.glob(pattern):
                if path.is_file():
                    path.unlink()

    def _write(self, name: str, content: str | bytes) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        path.chmod(0o644)
        return path

    def _write_keys(
        self, files: Mapping[str, bytes], sources: str
    ) -> tuple[list[tuple[str, str]], tuple[str, ...]]:
        """Keyrings that Signed-By names, and those that apt trusts for any archive: (path
        there, path here), and a line for each that is nowhere."""
        keys: list[tuple[str, str]] = []
        missing: list[str] = []
        for number, path in enumerate(debian_plan.find_keyrings(sources)):
            own = self.keyrings / posixpath.basename(path)
            content = own.read_bytes() if own.is_file() else files.get(path, b"")
            if not content:
                missing.append(f"the keyring {path} is not at hand: its archives are left out")
            name = f"keys/{number}{posixpath.splitext(path)[1]}"
            keys.append((path, str(self._write(name, content) if content else self.folder / name)))
        for path, content in files.items():
            if path.startswith("/etc/apt/trusted.gpg"):
                self._write(path.replace("/etc/apt", "etc", 1), content)
        return keys, tuple(missing)

    def _write_preferences(self, files: Mapping[str, bytes]) -> None:
        for path, content in files.items():
            if path == _PREFERENCES or path.startswith(f"{_PREFERENCES}.d/"):
                self._write(path.replace("/etc/apt", "etc", 1), content)

    def _write_configuration(self, inputs: PlanInputs) -> None:
        """apt's own settings of that server, as far as they change a plan, below ours."""
        own = (
            ("Dir", str(self.folder)),
            ("Dir::Etc", "etc"),
            ("Dir::Etc::parts", "no-parts"),
            ("Dir::Etc::main", "no-main"),
            ("Dir::State", str(self.folder)),
            ("Dir::State::status", str(self.folder / "status")),
            ("Dir::Cache", str(self.folder / "cache")),
            ("Dir::Log", str(self.folder)),
            ("APT::Architecture", inputs.architectures[0]),
        )
        listed = (("APT::Architectures::", name) for name in inputs.architectures)
        theirs = (
            setting
            for _, content in order_files(inputs.files)
            for setting in debian_plan.pick_settings(content.decode("utf-8", "replace"))
        )
        self._write("apt.conf", debian_plan.write_settings((*own, *listed, *theirs)))
        proxy = f"http://127.0.0.1:{self.proxy_port}" if self.proxy_port else ""
        self._write("question.conf", debian_plan.write_question(proxy))


_FOLDERS = (
    "lists/partial",
    "cache/archives/partial",
    "etc/sources.list.d",
    "etc/preferences.d",
    "etc/trusted.gpg.d",
    "etc/no-parts",
    "keys",
)
_FREE = "\nStatus: install "


def _split_archives(
    sources: Iterable[ArchiveSource],
) -> tuple[list[ArchiveSource], list[str]]:
    """(sources with those of their addresses that the gateway can ask, the other ones): for
    a folder, a disc or an address of another kind apt would go past the gateway."""
    asked: list[ArchiveSource] = []
    unasked: list[str] = []
    for source in sources:
        uris = tuple(uri for uri in source.uris if uri.startswith(("http://", "https://")))
        asked += [replace(source, uris=uris)] if uris else []
        unasked += [uri for uri in source.uris if uri not in uris] if source.enabled else []
    return asked, unasked


_NO_PROXY: Mapping[str, str] = {
    name: ""
    for word in ("http_proxy", "https_proxy", "all_proxy", "no_proxy")
    for name in (word, word.upper())
}
