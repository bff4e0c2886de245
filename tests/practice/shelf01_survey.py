"""The demonstration's server as a survey takes it, without a guest: the files of its tree
through the real readers and the real sanitiser, and beside them the answers that a server
with the effects of set-up.sh and hazards.sh would give."""

from __future__ import annotations

import gzip
import io
import tarfile
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from lindenholm import server

from forerun.distro.debian import Debian
from forerun.model.survey import CleanSurvey
from forerun.ports.production import ProbeName
from forerun.stages.copy_tar import read_members
from forerun.stages.survey import take_survey
from forerun.testing import FakeEntry, FakeProduction

DATA = Path(__file__).parents[1] / "data" / "debian12"
ROOT = Path(__file__).parents[2]
# What the tree refers to by these is made for each run of the demonstration.
MADE = {name: f"made-up-{name.lower()}-Zq7xT4vB9k" for name in (
    "AGENT_TOKEN", "CATALOGUE_PASSWORD", "POST_PASSWORD", "RELAY_PASSWORD", "RSYNC_PASSWORD",
    "TLS_KEY", "TLS_CERTIFICATE",
)}  # fmt: skip


class _Clock:
    def now(self) -> datetime:
        return datetime(2026, 1, 31, 22, 0, tzinfo=UTC)

    def monotonic(self) -> float:
        return 5.0

    def sleep(self, seconds: float) -> None:
        raise AssertionError("a survey does not sleep")


def read_clean_answers() -> dict[ProbeName, str]:
    """The recorded answers of tests/data/debian12 without what is wrong with that server."""
    answers = {}
    for probe in ProbeName:
        plain, packed = DATA / probe.value, DATA / f"{probe.value}.gz"
        content = plain.read_bytes() if plain.exists() else gzip.decompress(packed.read_bytes())
        answers[probe] = content.decode("utf-8")
    for probe, drops in {
        ProbeName.PACKAGES: ("acme-agent",),
        ProbeName.UNITS: ("acme-agent",),
        ProbeName.CONFFILE_SUMS: ("bash.bashrc", "10-uname", "/etc/issue"),
        ProbeName.SETTINGS: ("net.ipv4.ip_forward", "net.ipv6.conf"),
    }.items():
        lines = answers[probe].splitlines(keepends=True)
        answers[probe] = "".join(line for line in lines if not any(d in line for d in drops))
    answers[ProbeName.PACKAGES] = answers[ProbeName.PACKAGES].replace("\thi ", "\tii ")
    answers[ProbeName.PACKAGES] += "linux-image-amd64\t6.1.153-1\tamd64\tii \n"
    answers[ProbeName.ARCHIVES] = _drop(answers[ProbeName.ARCHIVES], "acme-agent:\n", "\nadduser:")
    answers[ProbeName.ARCHIVES] = offer(
        answers[ProbeName.ARCHIVES].replace("2.6.2", "2.6.1").replace("2026f", "2026b"),
        "linux-image-amd64", "6.1.153-1", "6.1.153-1",
    )  # fmt: skip
    answers[ProbeName.CONTROL] = _drop(
        answers[ProbeName.CONTROL], "Package: acme-agent\n", "\nPackage: adduser"
    )
    answers[ProbeName.CONTROL] = answers[ProbeName.CONTROL].replace(
        "Status: hold ok installed", "Status: install ok installed"
    )
    answers[ProbeName.SOURCES] = _drop(
        answers[ProbeName.SOURCES], "#file /etc/apt/sources.list\n", "#file /etc/apt/sources.list.d"
    )
    system = _drop(answers[ProbeName.SYSTEM], "#file /etc/apt/preferences\n", "#file /var/lib/ucf")
    links = [one for one in system.split("\0") if "dkms" not in one]
    answers[ProbeName.SYSTEM] = "\0".join(links)
    return answers


def _drop(text: str, first: str, until: str) -> str:
    begin = text.index(first)
    return text[:begin] + text[text.index(until, begin) :].lstrip("\n")


def offer(policy: str, name: str, installed: str, candidate: str) -> str:
    """`apt-cache policy` with one more package; without a candidate nobody offers it."""
    rows = [f"{name}:", f"  Installed: {installed}", f"  Candidate: {candidate or installed}"]
    rows.append("  Version table:")
    if candidate and candidate != installed:
        rows += [f"     {candidate} 500", _OFFERED]
    rows.append(f" *** {installed} {500 if candidate == installed else 100}")
    rows += [_OFFERED] if candidate == installed else []
    rows.append("        100 /var/lib/dpkg/status")
    head, mark, tail = policy.partition("#releases")
    return head + "\n".join(rows) + "\n" + mark + tail


_OFFERED = "        500 http://archive.example/debian bookworm/main amd64 Packages"


def add_package(
    answers: dict[ProbeName, str],
    name: str,
    version: str,
    *,
    candidate: str,
    state: str = "ii",
    depends: str = "libc6",
) -> None:
    """Put an installed package into the answers."""
    answers[ProbeName.PACKAGES] += f"{name}\t{version}\tall\t{state} \n"
    answers[ProbeName.ARCHIVES] = offer(answers[ProbeName.ARCHIVES], name, version, candidate)
    answers[ProbeName.CONTROL] += (
        f"\nPackage: {name}\nStatus: {'hold' if state[0] == 'h' else 'install'} ok installed\n"
        f"Architecture: all\nVersion: {version}\nDepends: {depends}\n"
        f"Description: a package\n"
    )


def put_hazards(answers: dict[ProbeName, str], control: str) -> None:
    """What set-up.sh and hazards.sh do to the answers; `control` is the agent's own."""
    fields = dict(line.split(": ", 1) for line in control.splitlines() if ": " in line)
    add_package(
        answers, fields["Package"], fields["Version"], candidate="", depends=fields["Depends"]
    )
    add_package(answers, "rsync", "3.2.7-1", candidate="3.2.7-1+deb12u3", state="hi")
    add_package(answers, "libexpat1", "2.5.0-1+deb12u1", candidate="2.5.0-1+deb12u2")
    line = "deb http://archive.example/debian bookworm main\n"
    for file in ("/etc/apt/sources.list", "/etc/apt/sources.list.d/again.list"):
        answers[ProbeName.SOURCES] += f"#file {file}\n{line}\n"
    keys = answers[ProbeName.ARCHIVE_KEYS]
    first = keys[: keys.index("#file ", 1)]
    body = first.partition("\n")[2]
    answers[ProbeName.ARCHIVE_KEYS] += f"#file /etc/apt/trusted.gpg.d/old+vendor.gpg\n{body}"
    answers[ProbeName.UNITS] = (
        "shelf-quota.service loaded failed failed Counts the pages of the month\n"
        + answers[ProbeName.UNITS]
    )
    system = answers[ProbeName.SYSTEM].replace("zoneinfo/Europe/Vienna", "zoneinfo/US/Central")
    diverted = "\t/etc/lsb-release\n\t/etc/lsb-release.shelf\n\t:\n"
    mark = "#file /var/lib/dpkg/diversions\n"
    system = system.replace(mark, mark + diverted)
    pins = (server.HERE / "hazards/etc/apt/preferences.d/shelf").read_text(encoding="utf-8")
    rows = "".join(f"\t{row}\n" for row in pins.splitlines())
    mark = "#file /var/lib/ucf/registry\n"
    pinned = f"#file /etc/apt/preferences.d/shelf\n{rows}"
    answers[ProbeName.SYSTEM] = system.replace(mark, pinned + mark)
    cores = (server.HERE / "hazards/etc/sysctl.d/60-cores.conf").read_text(encoding="utf-8")
    answers[ProbeName.SETTINGS] = (
        f"#file /etc/sysctl.d/60-cores.conf\n{cores}\n" + answers[ProbeName.SETTINGS]
    )


def list_tree(*, hazards: bool) -> dict[str, bytes | FakeEntry]:
    """The server's files under the roots of a survey; the clean one has none of the
    demonstration's own."""
    zone = "US/Central" if hazards else "Europe/Vienna"
    tree: dict[str, bytes | FakeEntry] = {
        "/etc/localtime": FakeEntry(kind=tarfile.SYMTYPE, link=f"/usr/share/zoneinfo/{zone}"),
        "/etc/sysctl.conf": b"# Kernel settings.\n#net.ipv4.ip_forward=1\n",
        "/etc/fstab": b"UUID=919108f7-52d1-4320-9bac-f847db4148a8 / ext4 defaults 0 1\n",
        "/etc/ssh/sshd_config": b"Include /etc/ssh/sshd_config.d/*.conf\nUsePAM yes\n",
        "/etc/crontab": b"25 6 * * * root run-parts --report /etc/cron.daily\n",
        "/etc/security/limits.conf": b"#@student        hard    nproc           20\n",
    }
    if not hazards:
        return tree
    for name, path in server.list_files(hazards=True).items():
        text = path.read_text(encoding="utf-8")
        for key, value in MADE.items():
            text = text.replace(f"@{key}@", value)
        tree[f"/{name}"] = text.encode("utf-8")
    tree["/etc/sysctl.conf"] = b"fs.inotify.max_user_watches=1048576\n"
    return tree


@cache
def survey_shelf01(*, hazards: bool) -> tuple[CleanSurvey, dict[str, bytes]]:
    """The stored survey, and the files of its sanitised copy."""
    answers = read_clean_answers()
    if hazards:
        control = server.HERE / "shelf-agent" / "DEBIAN" / "control"
        put_hazards(answers, control.read_text(encoding="utf-8"))
    copy = io.BytesIO()
    survey = take_survey(
        FakeProduction(
            {probe: text.encode("utf-8") for probe, text in answers.items()},
            list_tree(hazards=hazards),
        ),
        distro=Debian(),
        clock=_Clock(),
        host="shelf01.records.example",
        survey_id="survey-1",
        copy_to=copy,
    )
    files = [entry.path for entry in survey.entries if entry.kind == "file"]
    return survey, read_members(io.BytesIO(copy.getvalue()), files, "the copy")
