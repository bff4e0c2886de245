"""How long a forecast takes: a night of twenty steps and four services, 100,000 draws.

Needs neither root nor a guest: `.venv/bin/python -m tests.bench.forecast_draws`.
"""

from __future__ import annotations

import statistics
import time
from dataclasses import replace

from tabulate import tabulate

from forerun.stages.forecast import DRAWS, foresee
from forerun.stages.forecast_inputs import ForecastInputs, Priors
from forerun.stages.what_if import apply_wishes
from tests.practice.night import make_night, make_reading, make_step, with_runs

TIMES = 7


def make_inputs() -> ForecastInputs:
    """Three rehearsals of twenty steps; every part occurs, four services are away twice."""
    steps = [
        make_step(
            f"step-{number}", 100.0 * number, download=10.0, download_bytes=2e7, compute=30.0,
            unpack=30.0, sync=15.0, write=5.0, spawn=8.0, unexplained=2.0,
        )
        for number in range(19)
    ]  # fmt: skip
    steps.append(make_step("reboot", 1900.0, firmware_at=1903.0, compute=25.0, firmware=5.0))
    outages = [(f"service-{n}", at + n, at + n + 20.0) for n in range(4) for at in (1250.0, 1899.0)]
    night = make_night(*steps, outages=outages, priors=Priors())
    reading = make_reading([0.05, 0.052, 0.049], link=[0.4, 0.41, 0.38])
    return with_runs(replace(night, production=(reading,), window_s=5400.0), 1.0, 1.05, 0.97)


def measure(inputs: ForecastInputs) -> tuple[float, float]:
    """Seconds of one forecast, by the clock and of the processor."""
    began, working = time.perf_counter(), time.process_time()
    foresee(inputs)
    return time.perf_counter() - began, time.process_time() - working


def main() -> None:
    """Print a table."""
    inputs = make_inputs()
    wished, _ = apply_wishes(inputs, ["download-first", "link=20Mbit/s"])
    measure(inputs)  # the first one also loads what is loaded once
    rows = []
    for name, one in (("as rehearsed", inputs), ("with two what-ifs", wished)):
        took = [measure(one) for _ in range(TIMES)]
        clock, working = ([pair[n] for pair in took] for n in (0, 1))
        median = statistics.median(clock)
        rows.append((name, DRAWS, median, min(clock), max(clock), statistics.median(working)))
    head = ("forecast", "draws", "median s", "least", "most", "median CPU s")
    print(tabulate(rows, headers=head, floatfmt=".2f"))


if __name__ == "__main__":
    main()
