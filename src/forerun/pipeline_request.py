"""What a rehearsal is asked for: on its way in, on record, and asked for again.

A run that was cut short is not gone on with in the middle: what its clone had become by then
is gone with the clone, and a half-upgraded machine is no fair start for what is to be
measured. It is repeated with the same request under a new id, for a record tells of one
rehearsal from its beginning; the stages that were finished are found again by what they
were made from, and only the rest is done anew.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path

from forerun import __version__
from forerun.errors import ForerunError, RequestChanged, UsageError
from forerun.model.profile import Profile, Site, UnknownPrompt
from forerun.model.request import RunRequest
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.pipeline_leaks import make_scanner
from forerun.ports.held import PART
from forerun.ports.removal import remove_tree
from forerun.ports.store import Store
from forerun.profiles import load_profile, load_site
from forerun.stages.custody import check_usable
from forerun.stages.faults import parse_faults
from forerun.stages.leakscan import LeakScanner, Originals
from forerun.stages.session import AskPerson
from forerun.stages.trials import Wanted


@dataclass(frozen=True, slots=True)
class RehearsalRequest:
    """What to rehearse and how. `originals` are there when production was surveyed for
    this very rehearsal: they are looked for on the clone and in the run's own files.
    `site_path` is the site file's; `again_from` a run that was cut short and is repeated; `wanted`
    is what is tried beside the procedure."""

    survey: CleanSurvey
    profile: Profile
    site: Site
    cpus: int
    memory_bytes: int
    rate_limit_bits: int = 0
    index_age_s: float = 3600.0
    unknown: UnknownPrompt | None = None
    ask: AskPerson | None = None
    keep: bool = False
    template_id: str = ""
    originals: Originals | None = None
    site_path: str = ""
    again_from: str = ""
    wanted: Wanted = field(default_factory=Wanted)

    def make_scanner(self, originals: Originals) -> LeakScanner:
        """A scanner for those originals. What the operator wrote into the site file, and the
        names of his files, may stand in the run's own files: he chose them."""
        named = (self.profile.path, self.site_path)
        return make_scanner(originals, self.survey, self.site, files=named)


def write_request(
    request: RehearsalRequest, run_id: str, started_at: str, store: Store
) -> RunRequest:
    """The request as it is stored. Of a survey whose copy is gone the copy's digest is ""."""
    folder = store.surveys / request.survey.id
    return RunRequest(
        id=run_id,
        made_at=started_at,
        survey_id=request.survey.id,
        survey_sha256=_digest(folder / "survey.json"),
        copy_sha256=_digest(folder / "copy.tar"),
        profile=str(Path(request.profile.path).absolute()),
        profile_digest=request.profile.digest,
        site=str(Path(request.site_path).absolute()) if request.site_path else "",
        site_digest=request.site.digest,
        cpus=request.cpus,
        memory_bytes=request.memory_bytes,
        rate_limit_bits=request.rate_limit_bits,
        index_age_s=request.index_age_s,
        unknown_prompt=request.unknown,
        keep=request.keep,
        template_id=request.template_id,
        again_from=request.again_from,
        faults=request.wanted.list_faults(),
        back_out=request.wanted.back_out,
        forerun_version=__version__,
    )


def _digest(path: Path) -> str:
    if not path.is_file():
        return ""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_request(bench: Bench, run_id: str, *, ask: AskPerson | None) -> RehearsalRequest:
    """The request of a run that was cut short, to be asked for again.

    Raises NotFound; UsageError when the run is going on or came to its end; RequestChanged
    when survey, copy, profile or site file are not what they were; and what
    `custody.check_usable` raises when the copy may not be used any more."""
    store = bench.store
    stored = store.load_request(run_id)
    _check_cut_short(store, stored.id)
    profile = load_profile(Path(stored.profile))
    site = load_site(Path(stored.site)) if stored.site else Site()
    survey = store.load_survey(stored.survey_id)
    folder = store.surveys / survey.id
    check_same(
        stored.id,
        ("survey", stored.survey_sha256, _digest(folder / "survey.json")),
        ("profile", stored.profile_digest, profile.digest),
        ("site file", stored.site_digest, site.digest),
    )
    approval = check_usable(store, survey, bench.clock.now())
    check_same(stored.id, ("approved copy", stored.copy_sha256, approval.copy_sha256))
    return RehearsalRequest(
        survey,
        profile,
        site,
        stored.cpus,
        stored.memory_bytes,
        stored.rate_limit_bits,
        stored.index_age_s,
        stored.unknown_prompt,
        ask,
        stored.keep,
        stored.template_id,
        site_path=stored.site,
        again_from=stored.id,
        wanted=Wanted(parse_faults(stored.faults, profile), stored.back_out),
    )


def check_same(run_id: str, *compared: tuple[str, str, str]) -> None:
    """Each is (what, SHA-256 then, SHA-256 now). Raises RequestChanged with all that differ:
    another profile or survey makes another rehearsal."""
    changed = [one for one in compared if one[1] != one[2]]
    if changed:
        raise RequestChanged(
            f"{run_id} cannot be gone on with: {' and '.join(what for what, _, _ in changed)} "
            "changed since.",
            wanted="; ".join(f"{what} {then[:16] or 'none'}" for what, then, _ in changed),
            found="; ".join(f"{what} {now[:16] or 'none'}" for what, _, now in changed),
            hint="Start a new rehearsal with what there is now.",
        )


def _check_cut_short(store: Store, run_id: str) -> None:
    if run_id in store.find_runs():
        outcome = store.load_run(run_id).outcome.value
        if outcome != "abandoned":
            raise UsageError(
                "This rehearsal came to its end; there is nothing to go on with.",
                where=run_id,
                found=outcome,
                hint=f"`forerun report {run_id}` shows it; rehearse again with --survey.",
            )
    living = [entry for entry in store.ledger.find(f"record-{run_id}") if entry.is_living()]
    if living:
        raise UsageError(
            "This rehearsal is going on.",
            where=run_id,
            found=f"process {living[0].pid}",
            hint="Wait for its end, or interrupt it first.",
        )


def find_unfinished_runs(store: Store) -> tuple[tuple[str, int], ...]:
    """Runs without a record whose request is stored: (id, the process that is at work on it,
    0 when that is gone)."""
    found = []
    for run_id in store.find_cut_short():
        entries = store.ledger.find(f"record-{run_id}")
        found.append((run_id, next((one.pid for one in entries if one.is_living()), 0)))
    return tuple(found)


def list_finished(store: Store, run_id: str) -> tuple[str, ...]:
    """The stages that a run had finished when it was cut short, from its own progress."""
    names: list[str] = []
    for folder in (store.runs / run_id, store.runs / f"{run_id}{PART}"):
        path = folder / "events.jsonl"
        lines = path.read_text("utf-8", "replace").splitlines() if path.is_file() else []
        for line in lines:
            names += _read_finished(line)
    return tuple(dict.fromkeys(names))


def _read_finished(line: str) -> list[str]:
    try:
        event = json.loads(line)
    except ValueError:  # the last line may be cut
        return []
    named = {"phase-finished": "phase", "step-finished": "step"}
    key = named.get(event.get("kind", "")) if isinstance(event, dict) else None
    return [str(event.get(key))] if key else []


def drop_cut_short(store: Store, run_id: str) -> None:
    """Remove the folders of runs that were cut short, the named one and those it repeated,
    once the record of the run that repeats them is stored. Whole runs stay."""
    while run_id and run_id not in store.find_runs():
        try:
            earlier = store.load_request(run_id).again_from
        except ForerunError:  # swept meanwhile, or damaged
            return
        if remove_tree(store.runs / f"{run_id}{PART}"):
            for entry in store.ledger.find(f"record-{run_id}"):
                store.ledger.strike(entry.id)
        run_id = earlier
