"""Predictions against reality: servers that differ are timed at work, rehearsed elsewhere,
forecast, and then really upgraded.

Each server has its own processors, disk, line, packages and other work (`VARIANTS`). It has been
restarted twice, as any server was some time, so that its journal tells how long its firmware
takes. It is surveyed with `--calibrate` while it is as slow as it is, twice before its rehearsal
and twice after it, stands still during the rehearsal (on a clone of one processor, an unhindered
disk and line), and is upgraded afterwards by hand over SSH, with its services looked at from
outside. The table says what was told (half, four in five, nineteen in twenty nights) and what
came. A fixed loop of the lab host's own is timed all the while: where it takes longer in the night
than it took while the server was timed, that part of an error is the lab host's.

    .venv/bin/python -m tests.bench.prediction [VARIANT ...]
    .venv/bin/python -m tests.bench.prediction --again

What came is kept in the tests' state folder (`prediction.jsonl`); `--again` forecasts the kept
runs anew, after the model was changed, and draws the table from what came then.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import asdict, dataclass
from pathlib import Path

from tabulate import tabulate

from forerun.errors import ForerunError
from forerun.model.blueprint import TemplateInfo
from forerun.pipeline_bench import open_bench
from forerun.ports.command import LocalCommand
from forerun.profiles import load_profile, load_site
from forerun.stages.build import Yard
from tests.bench.prediction_packages import draw_set, list_bench_suites
from tests.bench.prediction_servers import (
    VARIANTS,
    HostPace,
    Night,
    SlowArchive,
    Variant,
    keep_busy,
    restart,
    throttled,
    upgrade_for_real,
)
from tests.practice.archive import KEYRING, PracticeArchive, build_archive
from tests.vm import lab
from tests.vm.program import Program, find_word

HERE = Path(__file__).parent
PRACTICE = HERE.parent / "practice"
SERVICE = ("shelf-web", "shelf-old")
SETTLED_S = 20
RESTARTS = 2
SURVEYS_BEFORE = 2
SURVEYS_AFTER = 2
KEPT = lab.STATE / "prediction.jsonl"


@dataclass(frozen=True, slots=True)
class Ground:
    """What all servers share."""

    program: Program
    archive: SlowArchive
    built: PracticeArchive
    yard: Yard
    profile: Path
    site: Path


@dataclass(frozen=True, slots=True)
class Outcome:
    """One server: what was told (name to P50, P80, P95), what came, what the clone took."""

    variant: Variant
    told: dict[str, tuple[float, float, float]]
    night: Night
    clone_window_s: float
    run: str
    pace: str = ""


def write_profile(built: PracticeArchive, target: Path) -> Path:
    """The benchmark's profile for that archive's key."""
    text = (HERE / "prediction_profile.yaml").read_text(encoding="utf-8")
    text = text.replace("@KEYRING@", KEYRING).replace("@FINGERPRINT@", built.fingerprint)
    target.write_text(text, encoding="utf-8")
    return target


def try_server(variant: Variant, ground: Ground, template: TemplateInfo) -> Outcome:
    """Build, time, rehearse, forecast, and upgrade one server."""
    packages = (*SERVICE, *draw_set(variant.packages))
    port = ground.archive.port
    with ExitStack() as stack:
        pace = stack.enter_context(HostPace())
        server = stack.enter_context(
            lab.open_server(
                template, ground.yard, ground.built, port, packages=packages, cpus=variant.cpus
            )
        )
        for _ in range(RESTARTS):
            restart(server, ground.yard)
            time.sleep(SETTLED_S)
        link = stack.enter_context(closing(lab.log_in(server, ground.yard)))
        keep_busy(link, variant.busy)
        time.sleep(SETTLED_S)
        link.forward_back(port, to_port=port)
        images = (server.disk, ground.yard.store.template_disk(template.id))
        warm(*images)
        with throttled(server, variant, ground.archive):
            pace.begin("timed before")
            survey = _survey(server, ground, times=SURVEYS_BEFORE)
            ground.program.run("approve", survey, "--by", "who measures")
        with lab.paused(server.name):
            own = _take_over(server, ground)
            pace.begin("rehearsed")
            run = _rehearse(survey, own, ground)
            ground.program.run("template", "remove", own)
        profile, site = load_profile(ground.profile), load_site(ground.site)
        warm(*images)
        with throttled(server, variant, ground.archive):
            pace.begin("timed after")
            _survey(server, ground, times=SURVEYS_AFTER)
            told = _forecast(run, ground.program)
            pace.begin("night")
            night = upgrade_for_real(server, ground.yard, profile, site)
        paces = pace.tell()
    outcome = Outcome(variant, told, night, _read_window(run), run, paces)
    with KEPT.open("a", encoding="utf-8") as stream:
        kept = {"variant": variant.name, "run": run, "night": asdict(night), "pace": paces}
        stream.write(json.dumps(kept) + "\n")
    return outcome


def warm(*images: Path) -> None:
    """Read disk images once, so that the lab host has them in its memory. It lets go of pages
    that were not used for some minutes; a server that stood still meanwhile would then wait for
    the lab host's disk, which is no disk of its own, and its clone, just made, would not."""
    for image in images:
        with image.open("rb") as stream:
            while stream.read(1 << 22):
                pass


def _forecast(run: str, program: Program) -> dict[str, tuple[float, float, float]]:
    output = program.run("estimate", run, "--format", "json")
    return _read_told(json.loads(output[output.index("{") :]))


def forecast_again(program: Program) -> list[Outcome]:
    """The newest kept outcome of each server, its run forecast anew."""
    newest: dict[str, Outcome] = {}
    variants = {variant.name: variant for variant in VARIANTS}
    for line in KEPT.read_text(encoding="utf-8").splitlines():
        kept = json.loads(line)
        told = _forecast(kept["run"], program)
        newest[kept["variant"]] = Outcome(
            variants[kept["variant"]], told, Night(**kept["night"]), _read_window(kept["run"]),
            kept["run"], kept.get("pace", ""),
        )  # fmt: skip
    return [newest[name] for name in variants if name in newest]


def _survey(server: lab.Server, ground: Ground, *, times: int) -> str:
    """The last of so many surveys."""
    survey = ""
    for _ in range(times):
        output = ground.program.run(
            "survey", "root@127.0.0.1", "--port", str(server.ssh_port),
            "--identity", str(server.key_file), "--known-hosts", str(server.known_hosts),
            "--calibrate",
        )  # fmt: skip
        survey = find_word(output, "survey")
    return survey


def _take_over(server: lab.Server, ground: Ground) -> str:
    image = ground.program.folder / f"{server.name}.qcow2"
    argv = ["qemu-img", "convert", "-U", "-O", "qcow2", str(server.disk), str(image)]
    LocalCommand().run(argv, timeout_s=300)
    own = find_word(ground.program.run("template", "import", str(image)), "template")
    image.unlink()
    return own


def _rehearse(survey: str, template: str, ground: Ground) -> str:
    output = ground.program.run(
        "rehearse", "--survey", survey, "--profile", str(ground.profile),
        "--site", str(ground.site), "--cpus", "1", "--memory", "512MiB", "--template", template,
        limit_s=3000,
    )  # fmt: skip
    return find_word(output, "run")


def _read_told(told: dict[str, object]) -> dict[str, tuple[float, float, float]]:
    def three(found: object) -> tuple[float, float, float]:
        assert isinstance(found, dict), found
        return found["p50"], found["p80"], found["p95"]

    assert not told["refused"], told["refused"]
    made = told["forecast"]
    assert isinstance(made, dict)
    figures = {"window": three(made["window_seconds"])}
    for step in made["steps"]:
        figures[f"step {step['step']}"] = three(step["takes_seconds"])
    for service in made["services"]:
        figures[f"service {service['service']}"] = three(service["total_seconds"])
    return figures


def _read_window(run: str) -> float:
    record = json.loads((lab.STATE / "runs" / run / "record.json").read_text(encoding="utf-8"))
    return float(sum(step["wall_s"] for step in record["steps"] if step["stage"] == "window"))


def list_rows(outcome: Outcome) -> list[tuple[object, ...]]:
    """(server, figure, told three times, came, error of the middle, inside 80 and 95)."""
    came = {"window": outcome.night.window_s}
    came |= {f"step {name}": seconds for name, seconds in outcome.night.steps.items()}
    came |= {f"service {name}": seconds for name, seconds in outcome.night.outages.items()}
    rows: list[tuple[object, ...]] = []
    for name, (p50, p80, p95) in outcome.told.items():
        if name not in came:
            continue
        actual = came[name]
        error = (p50 - actual) / actual if actual > 0 else float("nan")
        rows.append(
            (outcome.variant.name, name, round(p50, 1), round(p80, 1), round(p95, 1),
             round(actual, 1), f"{error:+.0%}", "yes" if actual <= p80 else "no",
             "yes" if actual <= p95 else "no")
        )  # fmt: skip
    return rows


def main() -> None:
    """Every variant, or those named; the table and the medians."""
    if sys.argv[1:] == ["--again"]:
        with tempfile.TemporaryDirectory(prefix="forerun-bench-") as logs:
            _draw(forecast_again(Program(Path(logs))))
        return
    names = sys.argv[1:] or [variant.name for variant in VARIANTS]
    chosen = [variant for variant in VARIANTS if variant.name in names]
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="forerun-bench-")))
        lab.STATE.mkdir(mode=0o711, parents=True, exist_ok=True)
        bench = open_bench(lab.STATE, lab.URI)
        hypervisor = bench.open_hypervisor()
        stack.callback(hypervisor.close)
        built = build_archive(folder / "archive", LocalCommand(), suites=list_bench_suites())
        archive = stack.enter_context(SlowArchive(built))
        yard = lab.make_yard(bench, hypervisor, archive.port)
        (folder / "program").mkdir()
        ground = Ground(
            Program(folder / "program"), archive, built, yard,
            write_profile(built, folder / "profile.yaml"), PRACTICE / "site.yaml",
        )  # fmt: skip
        template = lab.build(bench, "bios")
        _draw(_try_all(chosen, ground, template))


def _try_all(
    chosen: Sequence[Variant], ground: Ground, template: TemplateInfo
) -> Iterator[Outcome]:
    for variant in chosen:
        try:
            outcome = try_server(variant, ground, template)
        except (AssertionError, ForerunError) as problem:  # the others' hours are not lost
            sys.stdout.write(f"{variant.name}: {problem}\n")
            sys.stdout.flush()
            continue
        sys.stdout.write(
            f"{variant.name}: the clone took {outcome.clone_window_s:.0f} s, told "
            f"{outcome.told['window'][0]:.0f} s, came {outcome.night.window_s:.0f} s "
            f"({outcome.run}); the lab host's loop: {outcome.pace}\n"
        )
        sys.stdout.flush()
        yield outcome


def _draw(outcomes: Iterable[Outcome]) -> None:
    rows: list[tuple[object, ...]] = []
    errors: list[float] = []
    for outcome in outcomes:
        rows += list_rows(outcome)
        p50, actual = outcome.told["window"][0], outcome.night.window_s
        errors.append(abs(p50 - actual) / actual)
    heads = ("server", "figure", "P50", "P80", "P95", "came", "error", "in 80 %", "in 95 %")
    sys.stdout.write(tabulate(rows, headers=heads) + "\n")
    windows = [row for row in rows if row[1] == "window"]
    in_80, in_95 = (sum(row[place] == "yes" for row in windows) for place in (7, 8))
    sys.stdout.write(
        f"windows: median error of the middle {statistics.median(errors):.1%}; {in_80} of "
        f"{len(windows)} inside P80, {in_95} inside P95\n"
    )


if __name__ == "__main__":
    main()
