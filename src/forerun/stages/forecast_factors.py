"""The inputs of a forecast that are not certain, each with its draws. Pure and seeded.

Every one is drawn once a trial and used for all steps. Drawn anew for each step the errors
would cancel out, and the interval would come out narrower than it is (on correlation: GAO
cost and schedule guides; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from forerun.model.counters import Part
from forerun.model.estimate import Assumption, Basis
from forerun.model.speed import Work
from forerun.stages.forecast_inputs import ForecastInputs, RunInput
from forerun.stages.forecast_laws import (
    MOST_LOG,
    Floats,
    Level,
    Occasions,
    ThreePoint,
    draw_occasion,
    draw_pert,
    draw_predictive,
    draw_stream,
    log_sd_of,
    pool_occasions,
)
from forerun.stages.forecast_pairs import pair_up, pool
from forerun.stages.forecast_shared import draw_others, find_beside, say_stated
from forerun.stages.speed_levels import find_levels

CPU = "processor"
STORAGE = "storage"
LINK = "link"
FIRMWARE = "firmware"
REACTION = "reaction"
NIGHT = "night"
WAY_BACK = "way back"
BESIDE = "beside"
OTHERS = "other work"

# Which timed work carries a part of a step over to production.
CARRIED_BY: Mapping[Part, Work] = {
    Part.SPAWN: Work.SPAWN,
    Part.COMPUTE: Work.COMPUTE,
    Part.UNPACK: Work.UNPACK,
    Part.SYNC: Work.SYNC,
    Part.WRITE: Work.WRITE,
    Part.UNEXPLAINED: Work.COMPUTE,
}
GROUPS: Mapping[Work, str] = {
    Work.SPAWN: CPU,
    Work.COMPUTE: CPU,
    Work.UNPACK: CPU,
    Work.SYNC: STORAGE,
    Work.WRITE: STORAGE,
    Work.READ: STORAGE,
}
_WORDS = {
    Work.SPAWN: "starting programs",
    Work.COMPUTE: "computing",
    Work.UNPACK: "unpacking",
    Work.SYNC: "waiting for storage",
    Work.WRITE: "writing",
    Work.READ: "reading",
}


@dataclass(frozen=True, slots=True)
class Factor:
    """One input: what is told of it, and its draws. Those of a ratio are relative to its
    middle (`about.value`), so that they multiply; `sign` says whether more of it makes the
    night longer."""

    key: str
    about: Assumption
    draws: Floats
    sign: int = 1


@dataclass(frozen=True, slots=True)
class Ratio:
    """Production's seconds over the clone's for the same work. `own` names the factor that
    has its draws ("" where only its group's default is known); `basis` what it rests on.
    `theirs_s` and `ours_s` are a unit's seconds, where both were timed."""

    middle: float
    own: str
    basis: Basis
    theirs_s: float = 0.0
    ours_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Factors:
    """All of them, the ratios by run and kind of work, and what speaks against them."""

    all: tuple[Factor, ...]
    ratios: Mapping[tuple[str, Work], Ratio]
    objections: tuple[str, ...]

    @property
    def beside(self) -> float | None:
        """The middle of work that could all run side by side, on production's processors for
        the clone's; None where they are as many."""
        return self._find_middle(BESIDE)

    @property
    def others(self) -> float | None:
        """The middle of what other work of production's lengthens computing by; None where
        there is none that could."""
        return self._find_middle(OTHERS)

    def _find_middle(self, key: str) -> float | None:
        return next((one.about.value for one in self.all if one.key == key), None)

    def compute(self, run_id: str, seconds: float) -> Floats:
        """Draws of so many seconds of a clone's computing, on production."""
        ratio, values = self.ratios[run_id, Work.COMPUTE], self.values()
        whole: Floats = seconds * ratio.middle * values[CPU]
        if ratio.own:
            whole = whole * values[ratio.own]
        if self.others is not None:
            whole = whole * self.others * values[OTHERS]
        return whole

    def values(self) -> dict[str, Floats]:
        """Draws by key."""
        return {factor.key: factor.draws for factor in self.all}


def can_carry_over(inputs: ForecastInputs) -> bool:
    """Whether computing on the clone says anything of production. Hardware virtualisation
    runs the same instructions at about the same speed; an emulated processor is some
    twenty times slower, so that a guess would be no forecast."""
    if not inputs.emulated:
        return True
    return all(
        pair_up(Work.COMPUTE, inputs.production, run, inputs.priors) is not None
        for run in inputs.runs
    )


def draw_factors(inputs: ForecastInputs, seed: int, draws: int) -> Factors:
    """Every input's draws; `inputs` have runs, and `can_carry_over` holds."""
    maker = _Maker(inputs, seed, draws)
    ratios: dict[tuple[str, Work], Ratio] = {}
    for work in GROUPS:
        for run in reversed(inputs.runs):  # the newest tells the factor
            ratios[run.id, work] = maker.find_ratio(work, run)
    maker.add_groups()
    maker.add_shared()
    maker.add_night()
    maker.add_way_back()
    maker.add_link()
    maker.add_guesses()
    return Factors(tuple(maker.made.values()), ratios, tuple(dict.fromkeys(maker.objections)))


def _has_work(run: RunInput, work: Work) -> bool:
    return any(CARRIED_BY.get(one.part) is work for step in run.steps for one in step.parts)


class _Maker:
    def __init__(self, inputs: ForecastInputs, seed: int, draws: int) -> None:
        self._inputs = inputs
        self._seed = seed
        self._draws = draws
        self.made: dict[str, Factor] = {}
        self.objections: list[str] = []

    def _rng(self, name: str) -> np.random.Generator:
        return draw_stream(self._seed, name)

    def _hold(self, deviation: Floats) -> Floats:
        widened: Floats = deviation * self._inputs.widened
        return np.clip(widened, -MOST_LOG, MOST_LOG)

    def _add(self, key: str, about: Assumption, draws: Floats, *, sign: int = 1) -> None:
        low, high = np.quantile(draws, (0.1, 0.9))
        scale = 1.0 if key in (LINK, FIRMWARE, REACTION, NIGHT) else about.value
        told = replace(about, low=float(low) * scale, high=float(high) * scale)
        self.made[key] = Factor(key, told, draws, sign)

    def find_ratio(self, work: Work, run: RunInput) -> Ratio:
        """This run's ratio for a kind of work, and the factor for its error."""
        faster = dict(self._inputs.declared.faster).get(work, 1.0)
        pair = self._pair_up(work, run)
        stands_in = work
        if pair is None and GROUPS[work] == CPU:
            pair, stands_in = self._pair_up(Work.COMPUTE, run), Work.COMPUTE
            if pair is not None and _has_work(run, work):
                self.objections.append(
                    f"{_WORDS[work].capitalize()} was not timed on both sides: it is carried "
                    "over as computing is."
                )
        if pair is None:
            return Ratio(1 / faster, "", Basis.ASSUMED)
        theirs, ours = pair
        middle = math.exp(theirs.mean - ours.mean) / faster
        key = stands_in.value
        if key not in self.made:
            self._add_ratio(key, stands_in, theirs, ours, middle)
        theirs_s = math.exp(theirs.mean) / faster
        return Ratio(middle, key, Basis.MEASURED, theirs_s, math.exp(ours.mean))

    def _pair_up(self, work: Work, run: RunInput) -> tuple[Occasions, Occasions] | None:
        return pair_up(work, self._inputs.production, run, self._inputs.priors)

    def _add_ratio(
        self, key: str, work: Work, theirs: Occasions, ours: Occasions, middle: float
    ) -> None:
        deviation = draw_occasion(self._rng(f"{key} on production"), theirs, self._draws)
        deviation -= draw_occasion(self._rng(f"{key} on the clone"), ours, self._draws)
        about = Assumption(
            f"{_WORDS[work]}: production's time for the clone's second",
            middle,
            0.0,
            0.0,
            "s",
            Basis.MEASURED,
            f"the same work on both sides; timings of it: {theirs.count} of production, "
            f"{ours.count} of the clone",
            "",
        )
        self._add(key, about, np.exp(self._hold(deviation)))

    def add_groups(self) -> None:
        """One factor each for the processor and the storage: how far the work that was timed
        stands for an upgrade's own; or, where nothing was timed, the whole ratio."""
        priors = self._inputs.priors
        for group in (CPU, STORAGE):
            timed = [w for w, of in GROUPS.items() if of == group and w.value in self.made]
            times = priors.carry_times if timed else priors.ratio_times
            deviation = self._rng(group).standard_normal(self._draws) * log_sd_of(times)
            about = Assumption(
                f"{group}: how far timed work stands for the upgrade's"
                if timed
                else f"{group}: production's time for the clone's second",
                1.0,
                0.0,
                0.0,
                "times",
                Basis.ASSUMED,
                say_stated(times),
                ""
                if timed
                else "not measured; as fast as the clone's, within that factor, is assumed. "
                "`forerun survey --calibrate` and a rehearsal after it measure it",
            )
            self._add(group, about, np.exp(self._hold(deviation)))

    def add_shared(self) -> None:
        """What production's processors do besides."""
        beside = find_beside(self._inputs)
        if beside is not None:
            deviation = self._rng(BESIDE).standard_normal(self._draws) * beside[1]
            self._add(BESIDE, beside[0], np.exp(self._hold(deviation)))
        others = draw_others(self._inputs, self._rng(OTHERS), self._draws)
        if others is not None:
            self._add(OTHERS, others[0], np.exp(self._hold(np.log(others[1]))))

    def add_night(self) -> None:
        """From one night to the next: how many deviations off, the same for every step."""
        runs = len(self._inputs.runs)
        # In deviations, which each step has its own of: it is held where it is a logarithm.
        deviation = draw_predictive(self._rng(NIGHT), runs, self._draws) * self._inputs.widened
        times = self._inputs.priors.night_times
        about = Assumption(
            "one night against the next",
            0.0,
            0.0,
            0.0,
            "standard deviations",
            Basis.MEASURED if runs > 1 else Basis.ASSUMED,
            f"the spread of {runs} rehearsals, student's t of {runs - 1} degrees of freedom"
            if runs > 1
            else say_stated(times),
            "" if runs > 1 else "one rehearsal has no spread of its own",
        )
        self._add(NIGHT, about, deviation)

    def add_way_back(self) -> None:
        """Production's own way back against the lab's."""
        times = self._inputs.priors.way_back_times
        deviation = self._rng(WAY_BACK).standard_normal(self._draws) * log_sd_of(times)
        about = Assumption(
            "production's way back: its time for the lab's second",
            1.0,
            0.0,
            0.0,
            "s",
            Basis.ASSUMED,
            say_stated(times),
            "the lab's way back is a hypervisor's: time production's own with a restore",
        )
        self._add(WAY_BACK, about, np.exp(self._hold(deviation)))

    def add_link(self) -> None:
        """Seconds a byte takes on production's line."""
        declared, priors = self._inputs.declared, self._inputs.priors
        if declared.link_bits_per_s > 0:
            line = Occasions(0, math.log(8 / declared.link_bits_per_s), 0.0, 0)
            basis, source = Basis.DECLARED, "as given; headers take about 5 % of a line's rate"
            objection = "a line is seldom one's own: no spread was given"
        else:
            found = find_levels(Work.LINK, self._inputs.production)
            if found:
                timed = max((pool(one, priors) for one in found.values()), key=lambda s: s.mean)
                # A reading's unit is the megabyte, 10^6 bytes.
                line = replace(timed, mean=timed.mean - math.log(1e6))
                basis, source = Basis.MEASURED, f"timings of production: {timed.count}"
                objection = "the slowest of its archives" if len(found) > 1 else ""
            else:
                stated = log_sd_of(priors.link_times)
                line = Occasions(0, math.log(8 / priors.link_bits_per_s), stated, 0)
                basis = Basis.ASSUMED
                source = (
                    f"stated by forerun, within a factor of {priors.link_times:g} either way; no "
                    "published source"
                )
                objection = "not measured: forerun survey --calibrate, or --if link=20Mbit/s"
        middle = math.exp(line.mean)
        deviation = draw_occasion(self._rng(LINK), line, self._draws)
        draws = middle * np.exp(self._hold(deviation))
        about = Assumption(
            "production's line to its archive",
            middle * 1e6,
            0.0,
            0.0,
            "s for a megabyte",
            basis,
            source,
            objection,
        )
        self._add(LINK, about, draws)
        told = self.made[LINK].about
        self.made[LINK] = replace(
            self.made[LINK], about=replace(told, low=told.low * 1e6, high=told.high * 1e6)
        )

    def add_guesses(self) -> None:
        """Firmware and people: production's history, a three-point guess, or a stated one."""
        declared, priors = self._inputs.declared, self._inputs.priors
        boots = [seconds for seconds in self._inputs.firmware_s if seconds > 0]
        if declared.firmware is None and boots:
            worth, stated = priors.firmware_worth, log_sd_of(priors.firmware_times)
            starts = pool_occasions([Level(math.log(one), 0.0) for one in boots], stated, worth)
            spread = draw_occasion(self._rng(FIRMWARE), starts, self._draws)
            few = f"few starts on record: {say_stated(priors.firmware_times)}, as {worth} more"
            about = Assumption(
                "firmware and boot loader", math.exp(starts.mean), 0.0, 0.0, "s", Basis.HISTORY,
                f"{len(boots)} restarts of production, by its service manager or its journal",
                few if len(boots) <= worth else "",
            )  # fmt: skip
            draws = math.exp(starts.mean) * np.exp(self._hold(spread))
            self._add(FIRMWARE, about, draws)
        else:
            self._guess(
                FIRMWARE,
                "firmware and boot loader",
                declared.firmware,
                priors.firmware,
                "not in production's own history: say --if firmware=LEAST,LIKELY,MOST; a large "
                "physical machine takes longer than any guess",
            )
        self._guess(
            REACTION,
            "a person's answer to one question",
            declared.reaction,
            priors.reaction,
            "say --if reaction=LEAST,LIKELY,MOST",
        )

    def _guess(
        self, key: str, name: str, said: ThreePoint | None, stated: ThreePoint, objection: str
    ) -> None:
        guess = said or stated
        draws = draw_pert(self._rng(key), guess, self._draws)
        middle = float(np.median(draws))
        if middle > 0 and self._inputs.widened != 1.0:
            draws = middle * np.exp(self._hold(np.log(np.maximum(draws, 1e-9) / middle)))
        about = Assumption(
            name,
            middle,
            0.0,
            0.0,
            "s",
            Basis.DECLARED if said else Basis.ASSUMED,
            f"at least {guess.least:g} s, most likely {guess.likely:g} s, at most "
            f"{guess.most:g} s (Beta-PERT){'' if said else ', stated by forerun'}",
            "" if said else objection,
        )
        self._add(key, about, draws)
