"""The leak scan of a rehearsal: the clone's disks after seeding, the run's own files.

It needs the originals, which live only as long as the process that surveyed production: a
survey from the store was scanned when it was taken, and nothing else reaches a clone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from html import escape
from pathlib import Path

from forerun.model.profile import Site
from forerun.model.survey import CleanSurvey
from forerun.ports.command import Command
from forerun.report.markdown import escape as mark_down
from forerun.stages.build import Clone
from forerun.stages.design import list_allowed
from forerun.stages.leak_machine import scan_machine
from forerun.stages.leakscan import LeakScanner, Originals, refuse_hits


def list_kept_hosts(survey: CleanSurvey) -> tuple[str, ...]:
    """Archive hosts, whose names must stay as they are."""
    return tuple(archive.host for archive in list_allowed(survey.sources))


def make_scanner(
    originals: Originals, survey: CleanSurvey, site: Site, *, files: Iterable[str] = ()
) -> LeakScanner:
    """A scanner for one rehearsal. What the operator wrote into the site file may stand in
    the report, and so may the names he gave to the `files` that were used: he chose them.
    Each also as Markdown and HTML spell it."""
    own = [*files, *_walk_texts(list(asdict(site).values()))]
    spelled = [spell for text in own for spell in (text, mark_down(text), escape(text))]
    return LeakScanner(originals, allowed=(*list_kept_hosts(survey), *dict.fromkeys(spelled)))


def _walk_texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from _walk_texts(list(value.values()))
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _walk_texts(one)


def check_clone(scanner: LeakScanner, clone: Clone, command: Command) -> None:
    """LeakFound when an original is on the clone's disks or in its seed."""
    clone.guest.run("sync", timeout_s=120)
    others = sorted(clone.folder.glob("*.raw")) + sorted(clone.folder.glob("*.iso"))
    system = clone.folder / "system.qcow2"
    refuse_hits(scan_machine(scanner, command, system=system, others=others))


def check_files(scanner: LeakScanner, folder: Path) -> None:
    """LeakFound when an original is in one of the run's own files, or in its name."""
    refuse_hits(list(scanner.scan_path(folder)))
