"""The beginning of a drill, and the end of those that nobody keeps."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace

from forerun import __version__
from forerun.drills.build import check_fits, find_latest, measure_reference
from forerun.drills.draw import draw_injects
from forerun.drills.folder import DrillFolder, DrillOrder, find_drills
from forerun.drills.talk import start_keeper
from forerun.errors import ForerunError
from forerun.model.drill import DrillFile, DrillRecord, DrillState
from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.ports.clock import format_instant
from forerun.ports.hypervisor import Hypervisor
from forerun.ports.store import write_durably
from forerun.profiles import fit_profile
from forerun.report.drill_sheet import write_sheet
from forerun.report.sections import Outlook
from forerun.report_files import draw_runbook
from forerun.stages.custody import check_usable
from forerun.stages.sweep import sweep


@dataclass(frozen=True, slots=True)
class Wish:
    """What a drill is asked for: its file, the server it is about, the procedure, the
    rehearsal of it (None where there is none), who plays it, and the seed of its injects."""

    drill: DrillFile
    survey: CleanSurvey
    procedure: Procedure
    run: RunRecord | None
    person: str
    seed: int
    order: DrillOrder


def start_drill(wish: Wish, bench: Bench) -> DrillFolder:
    """Write down what is asked for and start the drill's keeper, which makes the clone.

    Raises UsageError when the drill does not fit the procedure, and what `check_usable` and
    `fit_profile` raise."""
    profile, site = wish.procedure.profile, wish.procedure.site
    fit_profile(profile, wish.survey.release)
    check_fits(wish.drill, profile)
    now = bench.clock.now()
    check_usable(bench.store, wish.survey, now)
    drill_id = bench.store.draw_id("drill", now, bench.store.drills)
    folder = DrillFolder(bench.store.drills / drill_id)
    folder.path.mkdir(mode=0o700)
    folder.save_procedure(wish.procedure)
    folder.save_order(wish.order)
    write_durably(folder.runbook, _draw_runbook(wish).encode("utf-8"))
    folder.save(
        DrillRecord(
            id=drill_id,
            drill=wish.drill,
            person=wish.person,
            state=DrillState.PREPARING,
            made_at=format_instant(now),
            host=site.name or wish.survey.host,
            survey_id=wish.survey.id,
            profile=profile.name,
            profile_digest=profile.digest,
            run_id=wish.run.id if wish.run else "",
            seed=wish.seed,
            drawn=draw_injects(wish.drill, wish.seed),
            reference_s=measure_reference(wish.drill, profile, wish.run),
            latest_s=find_latest(wish.drill, wish.run),
            forerun_version=__version__,
        )
    )
    start_keeper(folder, bench)
    return folder


def _draw_runbook(wish: Wish) -> str:
    if wish.run is None:
        return write_sheet(wish.procedure.profile, wish.procedure.site)
    return draw_runbook(wish.procedure, wish.run, Outlook(), "markdown")


def give_up_abandoned(
    bench: Bench, hypervisor: Hypervisor | None, *, only: str = ""
) -> tuple[str, ...]:
    """Take away the clones of drills that no living keeper keeps, or of that one alone; their
    records stay. Returns their ids."""
    gone: list[str] = []
    for folder in find_drills(bench.store):
        with contextlib.suppress(ForerunError):  # a record that cannot be read keeps its clone
            record = folder.load()
            if only not in ("", folder.id) or not record.state.is_open or folder.is_kept():
                continue
            swept = sweep(bench.store, hypervisor, bench.command, run=folder.id)
            if swept.left:
                continue
            folder.forget_clone()
            folder.save(
                replace(
                    record,
                    state=DrillState.LEFT,
                    verdict="nobody kept it, and it was swept",
                    finished_at=format_instant(bench.clock.now()),
                )
            )
            gone.append(folder.id)
    return tuple(gone)
