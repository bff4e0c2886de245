"""The demonstration, from nothing to a report and back to nothing. Use `demo/run`."""

# ruff: noqa: T201 - a program that talks to a person

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from forerun.errors import EXIT_BUG, EXIT_OK, CommandFailed, ForerunError, Interrupted
from forerun.ports.clock import SystemClock
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.ports.hypervisor import LibvirtHypervisor
from forerun.ports.labhost import LabHost
from forerun.ports.ledger import Entry, read_process_start
from forerun.ports.store import Store
from forerun.ports.strays import name_caller
from forerun.progress import open_terminal
from forerun.stages.lab import prove_accelerator
from forerun.stages.template import Workshop
from lindenholm.archive import Archives, find_archives
from lindenholm.forerun_command import ForerunCommand, find_value
from lindenholm.premises import OWNER, Running, build_system, open_shelf01
from lindenholm.server import VARIATIONS

DEMO = Path(__file__).resolve().parents[1]
OUT = DEMO / "out"
KEPT = ("report.html", "report.md", "report.json", "runbook.md", "runbook.html")
PAGES = (("report", "html"), ("report", "markdown"), ("runbook", "html"), ("runbook", "markdown"))
ENDINGS = {"html": "html", "markdown": "md"}
# A Saturday, in the winter time of Lindenholm.
NIGHT = "2026-12-05T22:00:00+01:00"
URI = "qemu:///system"


@dataclass(slots=True)
class Story:
    """What happened, for the lines at the end."""

    phases: list[tuple[str, float]] = field(default_factory=list)
    outside: list[tuple[str, int]] = field(default_factory=list)
    planted: dict[str, bytes] = field(default_factory=dict)
    survey_id: str = ""
    run_id: str = ""
    run_code: int = EXIT_OK
    report: str = ""
    expected: str = ""
    pages: dict[str, str] = field(default_factory=dict)
    found_secrets: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    drill: bool = False

    @contextmanager
    def phase(self, name: str) -> Iterator[None]:
        """Announce a phase and keep how long it took."""
        print(f"\n== {name}", flush=True)
        began = time.monotonic()
        try:
            yield
        finally:
            self.phases.append((name, time.monotonic() - began))


def play(
    archives: Archives,
    shop: Workshop,
    story: Story,
    variations: frozenset[str],
    drill: str = "",
) -> None:
    """Build and survey shelf01, power it off, rehearse its upgrade; or, where one is named,
    make a drill of it."""
    forerun = ForerunCommand(shop.store.root)
    with story.phase("shelf01's system disk"):
        template, outside = build_system(archives, shop)
        story.outside.append(("shelf01's packages", outside))
    with ExitStack() as stack:
        with story.phase("shelf01's first boot"):
            premises = stack.enter_context(
                open_shelf01(template, archives, shop, variations=variations)
            )
            running = premises.settle()
        _check_planted(running, shop.store, story)
        with story.phase("survey"):
            _, text = forerun.run(
                "survey",
                "root@127.0.0.1",
                "--port",
                str(running.port),
                "--identity",
                str(running.key_file),
                "--known-hosts",
                str(running.known_hosts),
                "--calibrate",
            )
            story.survey_id = find_value("survey", text)
        # Whoever starts this demonstration has no copy of a real server before them.
        forerun.run("review", story.survey_id)
        forerun.run("approve", story.survey_id, "--by", "the demonstration")
        with story.phase("shelf01 powers off"):
            if not premises.power_off():
                print("shelf01 did not power off in time and is ended")
    if drill:
        with story.phase("the drill's clone"):
            _start_drill(forerun, story, drill)
        return
    with story.phase("rehearsal"):
        _rehearse(forerun, shop.store, story)
    with story.phase("production's night"):
        _look_ahead(forerun, story)


def _check_planted(running: Running, store: Store, story: Story) -> None:
    """The seed holds every secret in the clear: a search that finds them there can find
    them elsewhere."""
    seed = store.machines / running.name.removeprefix("forerun-") / "seed.iso"
    content = seed.read_bytes()
    story.planted = {name: value for name, value in running.telling.items() if value in content}
    if len(story.planted) != len(running.telling):
        raise CommandFailed(
            "Not every secret of shelf01 is where it was planted.",
            where=str(seed),
            wanted=", ".join(running.telling),
            found=", ".join(story.planted),
        )


def _start_drill(forerun: ForerunCommand, story: Story, drill: str) -> None:
    forerun.run(
        "drill", "start", drill, "--survey", story.survey_id, "--profile", "debian-12-to-13",
        "--site", str(DEMO / "site.yaml"), "--cpus", "2", "--memory", "1GiB",
    )  # fmt: skip
    story.drill = True


def _rehearse(forerun: ForerunCommand, store: Store, story: Story) -> None:
    before = set(store.find_runs())
    try:
        story.run_code, text = forerun.run(
            "rehearse",
            "--survey",
            story.survey_id,
            "--profile",
            "debian-12-to-13",
            "--site",
            str(DEMO / "site.yaml"),
            "--cpus",
            "2",
            "--memory",
            "1GiB",
            "--index-age",
            "7d",
            "--fault",
            "archive-gone@new-index",
            "--back-out",
            may_fail=True,
        )
        story.report = text
        fetched = find_value("fetched from outside", text)
        if fetched:
            story.outside.append(("rehearsal", int(fetched)))
    finally:  # a run that was cut short leaves its record too
        made = [run for run in store.find_runs() if run not in before]
        story.run_id = made[-1] if made else ""


def _look_ahead(forerun: ForerunCommand, story: Story) -> None:
    """What to expect of production's own night, by the clock of one Saturday."""
    if not story.run_id:
        return
    _, story.expected = forerun.run("estimate", story.run_id, may_fail=True)
    _, night = forerun.run("plan", story.run_id, "--from", NIGHT, may_fail=True)
    story.expected += night
    for name, form in PAGES:
        code, text = forerun.run(
            name, story.run_id, "--format", form, "--from", NIGHT, may_fail=True, quiet=True
        )
        if code == EXIT_OK:
            story.pages[f"{name}.{ENDINGS[form]}"] = text


def find_secrets(store: Store, story: Story) -> None:
    """Search all that the rehearsal left on disk for shelf01's secrets."""
    folders = [store.surveys / story.survey_id] if story.survey_id else []
    folders += [store.runs / story.run_id] if story.run_id else []
    for folder in folders:
        for file in folder.rglob("*"):
            content = file.read_bytes() if file.is_file() else b""
            for name, value in story.planted.items():
                if value in content:
                    story.found_secrets.append(f"{name} in {folder.name}/{file.name}")


def keep_report(store: Store, story: Story) -> None:
    """Copy the report to demo/out/, which holds the last demonstration only."""
    if not story.run_id:
        return
    shutil.rmtree(OUT, ignore_errors=True)
    OUT.mkdir()
    folder = store.runs / story.run_id
    for name in KEPT:
        if (folder / name).is_file():
            shutil.copyfile(folder / name, OUT / name)
    for name, text in story.pages.items():
        (OUT / name).write_text(text, encoding="utf-8")
    for name, text in (("terminal.txt", story.report), ("estimate.txt", story.expected)):
        if text:
            (OUT / name).write_text(text, encoding="utf-8")


def tidy(store: Store, hypervisor: LibvirtHypervisor, story: Story) -> None:
    """Remove what the demonstration made, but for the report, the archive cache and the
    templates; then look whether anything is left."""
    for parent, name in ((store.surveys, story.survey_id), (store.runs, story.run_id)):
        if name:
            shutil.rmtree(parent / name)
            story.removed.append(f"{parent.name}/{name}")
    entries = [entry for entry in store.ledger.find(OWNER, with_gone=True) if _is_ours(entry)]
    if story.run_id:
        entries += store.ledger.find(story.run_id, with_gone=True)
    for entry in entries:
        (story.removed if entry.gone else story.left).append(entry.label())
    named = {entry.name for entry in entries if entry.kind == "domain"}
    running = {domain.name for domain in hypervisor.find_owned()}
    story.left += [f"domain:{name}, running" for name in sorted(named & running)]


def _is_ours(entry: Entry) -> bool:
    """Whether this process wrote it: the ledger remembers earlier demonstrations too."""
    return entry.pid == os.getpid() and entry.pid_began == read_process_start(entry.pid)


def write_summary(store: Store, story: Story) -> str:
    """The lines at the end."""
    set_up = float(os.environ.get("SHELF_SET_UP_SECONDS", "0"))
    phases = [("set-up of this host", set_up), *story.phases]
    total = sum(seconds for _, seconds in phases)
    lines = ["", "== what it took"]
    lines += [f"{seconds:8.0f} s  {name}" for name, seconds in [*phases, ("in all", total)]]
    lines += ["", "== fetched from outside, by the archive gateway's own count"]
    lines += [f"{count:12d} bytes  {name}" for name, count in story.outside]
    lines.append(f"{sum(count for _, count in story.outside):12d} bytes  in all")
    found = ", ".join(story.found_secrets) or "none"
    lines += ["", f"secrets planted on shelf01: {len(story.planted)}; found afterwards: {found}"]
    lines += ["", "== removed", *(f"  {thing}" for thing in story.removed)]
    lines += ["still there and should not be:", *(f"  {thing}" for thing in story.left or ["none"])]
    kept = [info.title for info in store.find_templates()]
    lines.append(f"kept in {store.root} for the next time: archive cache, {len(kept)} templates")
    if story.run_id:
        lines.append(f"report: {OUT}/report.html")
    return "\n".join(lines) + "\n"


def _raise_interrupted(number: int, _frame: FrameType | None) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the tear-down itself is not interrupted
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise Interrupted(f"Interrupted by {signal.Signals(number).name}.")


def _read_arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="demo/run", description=__doc__)
    parser.add_argument("--archive", default="", metavar="URL", help="Debian archive")
    parser.add_argument("--security-archive", default="", metavar="URL", help="security archive")
    parser.add_argument("--drill", default="", metavar="NAME", help=argparse.SUPPRESS)
    for name, what in VARIATIONS.items():
        parser.add_argument(
            f"--{name}",
            dest="variations",
            action="append_const",
            const=name,
            default=[],
            help=what,
        )
    return parser.parse_args()


def _open_shop(store: Store, hypervisor: LibvirtHypervisor) -> Workshop:
    command, clock = LocalCommand(lambda: name_caller(store.mark)), SystemClock()
    accelerator = prove_accelerator(store, hypervisor, LabHost(), clock)
    sink = open_terminal(sys.stderr, {**os.environ, "TERM": "dumb"})
    return Workshop(
        store,
        command,
        Disks(command),
        hypervisor,
        clock,
        sink,
        accelerator.name,
        0,
        origin_s=clock.monotonic(),
    )


def main() -> int:
    """Play the demonstration; its exit code."""
    arguments = _read_arguments()
    signal.signal(signal.SIGINT, _raise_interrupted)
    signal.signal(signal.SIGTERM, _raise_interrupted)
    story = Story()
    code = EXIT_OK
    try:
        archives = find_archives(arguments.archive, arguments.security_archive)
        store = Store(Path(os.environ["FORERUN_HOME"]).absolute())
        hypervisor = LibvirtHypervisor(URI)
        try:
            play(
                archives,
                _open_shop(store, hypervisor),
                story,
                frozenset(arguments.variations),
                arguments.drill,
            )
        except (ForerunError, Interrupted) as problem:
            code = _tell(problem)
        if story.drill:
            return code
        find_secrets(store, story)
        keep_report(store, story)
        tidy(store, hypervisor, story)
    except (ForerunError, Interrupted) as problem:
        return _tell(problem)
    summary = write_summary(store, story)
    print(summary, flush=True)
    if story.run_id:
        (OUT / "summary.txt").write_text(summary, encoding="utf-8")
    if story.left or story.found_secrets:
        return EXIT_BUG
    return code or story.run_code


def _tell(problem: ForerunError | Interrupted) -> int:
    print(f"demo/run: {problem}", file=sys.stderr)
    if problem.hint:
        print(f"  next: {problem.hint}", file=sys.stderr)
    return problem.exit_code


if __name__ == "__main__":
    sys.exit(main())
