"""The forecast for production in the report: as data, and as Markdown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from forerun.model.estimate import Assumption, Forecast, Quantiles, ServiceForecast
from forerun.report.figures import count_of, say_seconds, say_share
from forerun.report.forecast_words import say_chance
from forerun.report.markdown import escape, table
from forerun.report.sections import Report

Json = dict[str, Any]

QUANTILE_WORDS = ("Half of nights", "4 in 5", "19 in 20")
NONE_MADE = "None has been made."
NOT_BACK = "does not come back by itself: until somebody mends it"


def has_figures(forecast: Forecast | None) -> bool:
    """Whether there is a forecast with figures in it."""
    return forecast is not None and not forecast.refused


def say_amount(value: float, unit: str) -> str:
    """A figure of the ledger with its unit: 4 significant digits."""
    number = f"{value:,.0f}".replace(",", " ") if abs(value) >= 10000 else f"{value:.4g}"
    return f"{number} {unit}".rstrip()


def list_quantiles(forecast: Forecast) -> tuple[tuple[str, Quantiles], ...]:
    """Window and outage, as far as there are any."""
    rows = (("Window", forecast.window), ("Outage, all services together", forecast.outage))
    return tuple((name, value) for name, value in rows if value is not None)


def say_fit(forecast: Forecast) -> str:
    """Whether it fits the window, in one sentence."""
    if forecast.fits is None or not forecast.window_s:
        return "No window is declared: whether the work fits cannot be told."
    return (
        f"Chance that the window's work ends within {say_seconds(forecast.window_s)}: "
        f"{say_chance(forecast.fits)}; that there is still time to go back when it does not: "
        f"{say_chance(forecast.fits_with_back_out)}."
    )


def say_basis(one: Assumption) -> str:
    """Where an input is from, in one text."""
    return (
        f"{one.source}. {one.objection}"
        if one.objection and one.source
        else (one.source or one.objection)
    )


def say_tolerance(one: ServiceForecast) -> str:
    """What its owner tolerates, and the chance to stay within."""
    if not one.tolerable_s:
        return "not set by its owner"
    return f"{say_seconds(one.tolerable_s)}; kept with {say_chance(one.within)}"


def say_draws(forecast: Forecast) -> str:
    """How the forecast was made: to be made again."""
    wishes = "; ".join(wish.change for wish in forecast.wishes)
    return (
        f"From {count_of(len(forecast.runs), 'run')} ({', '.join(forecast.runs)}), "
        f"{forecast.draws} draws, seed {forecast.seed}"
        + (f". What if: {wishes}." if wishes else ".")
    )


def document_forecast(report: Report) -> Json:
    """The key `estimate` of the JSON report. Seconds and chances; null where there is none."""
    made = report.outlook.forecast
    document: Json = {
        "available": has_figures(made),
        "objections": list(report.estimate_objections),
        "refused": made.refused if made else "",
        "forecast": None,
    }
    if made is not None and has_figures(made):
        document["forecast"] = describe_forecast(made)
    return document


def document_alone(made: Forecast) -> Json:
    """What `forerun estimate --format json` prints: the report's own words for a forecast;
    `forecast` is null where it is refused."""
    return {
        "schema": made.schema,
        "refused": made.refused,
        "objections": list(made.objections),
        "forecast": describe_forecast(made) if has_figures(made) else None,
    }


def describe_forecast(made: Forecast) -> Json:
    """The figures as data. Seconds and shares; null where there is none."""
    return {
        "runs": list(made.runs),
        "draws": made.draws,
        "seed": made.seed,
        "what_if": [{"key": w.key, "value": w.value, "change": w.change} for w in made.wishes],
        "window_seconds": _quantiles(made.window),
        "outage_seconds": _quantiles(made.outage),
        "steps": [
            {
                "step": s.step,
                "title": s.title,
                "stage": s.stage,
                "takes_seconds": _quantiles(s.takes),
                "parts": [{"part": part, "seconds": seconds} for part, seconds in s.parts],
            }
            for s in made.steps
        ],
        "services": [
            {
                "service": s.service,
                "total_seconds": _quantiles(s.total),
                "longest_seconds": _quantiles(s.longest),
                "tolerable_seconds": s.tolerable_s or None,
                "within_share": s.within,
                "returns": s.returns,
            }
            for s in made.services
        ],
        "back_outs": [
            {
                "way": b.way,
                "title": b.title,
                "from_step": b.from_step,
                "takes_seconds": _quantiles(b.takes),
            }
            for b in made.back_outs
        ],
        "declared_window_seconds": made.window_s or None,
        "fits_share": made.fits,
        "fits_with_back_out_share": made.fits_with_back_out,
        "contributors": [
            {"name": c.name, "variance_share": c.share, "sign": c.sign, "seconds": c.seconds}
            for c in made.contributors
        ],
        "assumptions": [
            {
                "name": a.name,
                "value": a.value,
                "low": a.low,
                "high": a.high,
                "unit": a.unit,
                "basis": a.basis.value,
                "source": a.source,
                "objection": a.objection,
            }
            for a in made.assumptions
        ],
        "hazards": [
            {
                "name": h.name,
                "title": h.title,
                "seen": h.seen,
                "of": h.of,
                "chance": h.chance if h.of else None,
                "at_most": h.upper if h.of else None,
                "window_seconds": _quantiles(h.window),
                "fits_share": h.fits,
            }
            for h in made.hazards
        ],
        "past": made.past
        and {
            "hits": made.past.hits,
            "of": made.past.of,
            "bias": made.past.bias,
            "worst": made.past.worst,
            "widened": made.past.widened,
        },
        "histogram": made.histogram
        and {
            "edges_seconds": list(made.histogram.edges_s),
            "counts": list(made.histogram.counts),
        },
    }


def _quantiles(value: Quantiles | None) -> Json | None:
    if value is None:
        return None
    p20 = value.p20 if value.p20 >= 0 else None
    return {"p20": p20, "p50": value.p50, "p80": value.p80, "p95": value.p95}


def _cells(value: Quantiles) -> tuple[str, str, str]:
    return (say_seconds(value.p50), say_seconds(value.p80), say_seconds(value.p95))


def mark_down_forecast(report: Report) -> Iterator[str]:
    """The section of the Markdown report."""
    made = report.outlook.forecast
    yield "## Estimate for production"
    yield ""
    if made is None or not has_figures(made):
        yield NONE_MADE
        yield ""
        yield from (f"- {escape(text)}" for text in report.estimate_objections)
        return
    yield f"{escape(say_fit(made))} {escape(say_draws(made))}"
    yield ""
    heads = ("Figure", *QUANTILE_WORDS)
    yield from table(heads, ((name, *_cells(value)) for name, value in list_quantiles(made)))
    yield from _mark_down_services(made.services)
    yield from _mark_down_lists(made)
    if report.estimate_objections:
        yield ""
        yield "What speaks against the estimate:"
        yield ""
        yield from (f"- {escape(text)}" for text in report.estimate_objections)


def _mark_down_services(services: Sequence[ServiceForecast]) -> Iterator[str]:
    if not services:
        return
    yield ""
    yield from table(
        ("Service", *QUANTILE_WORDS, "Longest single, 19 in 20", "Tolerable", "Comes back"),
        (
            (
                s.service,
                *_cells(s.total),
                say_seconds(s.longest.p95),
                say_tolerance(s),
                "yes" if s.returns else NOT_BACK,
            )
            for s in services
        ),
    )


def _mark_down_lists(made: Forecast) -> Iterator[str]:
    if made.steps:
        yield ""
        yield from table(
            ("Stage", "Step", *QUANTILE_WORDS),
            ((s.stage, s.title or s.step, *_cells(s.takes)) for s in made.steps),
        )
    if made.back_outs:
        yield ""
        yield from table(
            ("Way back", "From before", *QUANTILE_WORDS),
            ((b.title, b.from_step, *_cells(b.takes)) for b in made.back_outs),
        )
    if made.contributors:
        yield ""
        yield from table(
            ("What makes it uncertain", "Share of variance", "More of it means", "Low to high"),
            (
                (c.name, say_share(c.share), say_sign(c.sign), say_seconds(c.seconds))
                for c in made.contributors
            ),
        )
    yield ""
    yield "Assumption ledger:"
    yield ""
    yield from table(
        ("Input", "Value", "Low", "High", "Basis", "Source and objection"),
        (
            (
                a.name,
                say_amount(a.value, a.unit),
                say_amount(a.low, a.unit),
                say_amount(a.high, a.unit),
                a.basis.value,
                say_basis(a),
            )
            for a in made.assumptions
        ),
    )


def say_sign(sign: int) -> str:
    """What more of an input does."""
    return "a longer night" if sign > 0 else "a shorter night"
