"""The JSON Schema (draft 2020-12) of `forerun.report/1`.

Every key that is written is named and required here; readers must accept keys that
a later forerun adds.
"""

from __future__ import annotations

from forerun.report.render_json import REPORT_SCHEMA
from forerun.report.schema_outlook import outlook_schemas
from forerun.report.schema_shapes import (
    BOOL,
    BYTES,
    COUNT,
    MAYBE_BOOL,
    MAYBE_BYTES,
    MAYBE_NUMBER,
    MAYBE_SECONDS,
    PROVENANCE,
    SECONDS,
    TEXT,
    TEXTS,
    WHOLE,
    Json,
    list_of,
    maybe,
    object_of,
)
from forerun.report.schema_trials import trials_schema

_SPREAD = maybe(object_of({"low": MAYBE_NUMBER, "high": MAYBE_NUMBER, "runs": COUNT}))


def report_schema() -> Json:
    """The whole schema as plain dictionaries."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": REPORT_SCHEMA,
        "description": "One rehearsal. Seconds, bytes and shares (0..1); null = not measured.",
        **object_of(
            {
                "schema": {"const": REPORT_SCHEMA},
                "run": _run(),
                "lab": _lab(),
                "measured": _measured(),
                "foretold": _foretold(),
                "fidelity": list_of(object_of({"subject": TEXT, "state": TEXT, "note": TEXT})),
                "likeness": maybe(_likeness()),
                "trials": trials_schema(),
                **outlook_schemas(),
                "teardown": object_of(dict.fromkeys(("created", "left", "kept"), TEXTS)),
                "objections": TEXTS,
                "cautions": {**TEXTS, "minItems": 1},
            }
        ),
    }


def _likeness() -> Json:
    share = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
    difference = object_of(
        {
            **dict.fromkeys(("name", "production", "clone", "hides", "explanation"), TEXT),
            "explained": BOOL,
        }
    )
    subject = object_of(
        {
            **dict.fromkeys(("subject", "rule"), TEXT),
            **dict.fromkeys(("alike", "total", "explained", "unexplained"), COUNT),
            "alike_share": share,
            "differences": list_of(difference),
        }
    )
    return object_of(
        {"score_share": share, "rule": TEXT, "compared": COUNT, "subjects": list_of(subject)}
    )


def _run() -> Json:
    texts = [
        "id",
        "host",
        "profile",
        "profile_digest",
        "site_digest",
        "survey",
        "copy_approved_by",
        "template",
        "verdict",
        "why",
        "started_at",
        "finished_at",
        "release_before",
        "release_after",
        "forerun_version",
    ]
    return object_of(
        {
            **dict.fromkeys(texts, TEXT),
            "outcome": {"enum": ["completed", "failed", "abandoned"]},
            "clean": BOOL,
            "runs_compared": {"type": "integer", "minimum": 1},
            "runs_left_out": COUNT,
        }
    )


def _lab() -> Json:
    step = object_of(
        {
            "step": TEXT,
            "steal_share": MAYBE_NUMBER,
            "run_queue": MAYBE_NUMBER,
            "psi_cpu_share": MAYBE_NUMBER,
            "psi_io_share": MAYBE_NUMBER,
            "psi_memory_share": MAYBE_NUMBER,
            "reasons": TEXTS,
        }
    )
    way = object_of(
        {
            **dict.fromkeys(("name", "address", "protocol", "detail"), TEXT),
            "port": {"type": ["integer", "null"]},
            "result": {"enum": ["open", "closed", "refused by the gateway", "not tried"]},
        }
    )
    return object_of(
        {
            "accelerator": TEXT,
            "accelerator_why": TEXT,
            "hypervisor": TEXT,
            "cpus": COUNT,
            "memory_bytes": BYTES,
            "clone_cpus": COUNT,
            "clone_memory_bytes": BYTES,
            "preparation": list_of(object_of({"name": TEXT, "wall_seconds": SECONDS})),
            "ways_tried": TEXTS,
            "ways_out": list_of(way),
            "contention": object_of({"busy": MAYBE_BOOL, "steps": list_of(step)}),
        }
    )


def _measured() -> Json:
    figure = object_of(
        {
            "key": TEXT,
            "name": TEXT,
            "value": MAYBE_NUMBER,
            "unit": {"enum": ["s", "bytes", "count"]},
            "provenance": PROVENANCE,
            "spread": _SPREAD,
            "resolution_seconds": MAYBE_SECONDS,
            "objections": TEXTS,
        }
    )
    stage = object_of(
        {"stage": TEXT, "steps": COUNT, "wall_seconds": SECONDS, "elapsed_seconds": SECONDS}
    )
    return object_of(
        {
            "window_seconds": MAYBE_SECONDS,
            "summary": list_of(figure),
            "stages": list_of(stage),
            "steps": list_of(_step()),
            "download": maybe(_download()),
            "reboot": maybe(_reboot()),
            "reboots": list_of(_reboot()),
            "disk": list_of(_disk()),
            "packages": _packages(),
            "prompts": list_of(_prompt()),
            "outages": list_of(_outage()),
            "checks": list_of(_check()),
            "kept_files": list_of(object_of({"path": TEXT, "beside": TEXT, "size_bytes": BYTES})),
        }
    )


def _step() -> Json:
    return object_of(
        {
            "number": {"type": "integer", "minimum": 1},
            **dict.fromkeys(("name", "title", "stage", "action", "message"), TEXT),
            "started_seconds": SECONDS,
            "wall_seconds": SECONDS,
            "guest_cpu_seconds": MAYBE_SECONDS,
            "host_cpu_seconds": MAYBE_SECONDS,
            "quiet_longest_seconds": SECONDS,
            "wall_seconds_spread": _SPREAD,
            "end": {"enum": ["done", "failed", "overran", "stopped", "unreachable", "skipped"]},
            "exit_code": WHOLE,
            "last_lines": TEXTS,
            "reattached": COUNT,
        }
    )


def _download() -> Json:
    count = object_of(
        {
            "name": TEXT,
            "bytes": MAYBE_BYTES,
            "counted_by": TEXT,
            "provenance": PROVENANCE,
            "missing_steps": TEXTS,
        }
    )
    comparison = object_of(
        {
            "name": TEXT,
            "left_bytes": MAYBE_BYTES,
            "right_bytes": MAYBE_BYTES,
            "difference_bytes": {"type": ["integer", "null"]},
            "difference_share": MAYBE_NUMBER,
            "limit_share": {"type": "number"},
            "agrees": MAYBE_BOOL,
            "assumption": TEXT,
        }
    )
    amounts = ("planned", "fetched", "gateway", "index", "wire", "outside", "cached")
    return object_of(
        {
            **{f"{name}_bytes": MAYBE_BYTES for name in amounts},
            "requests": COUNT,
            "rate_limit_bits_per_second": {"type": ["integer", "null"]},
            "counts": list_of(count),
            "overheads": list_of(count),
            "comparisons": list_of(comparison),
        }
    )


def _reboot() -> Json:
    seconds = [
        "down",
        "firmware",
        "kernel",
        "userspace",
        "settle",
        "to_ssh",
        "to_ready",
        "total",
        "sum",
        "own_kernel",
        "own_userspace",
    ]
    return object_of(
        {
            "number": {"type": "integer", "minimum": 1},
            **{f"{name}_seconds": MAYBE_SECONDS for name in seconds},
            "sum_agrees": MAYBE_BOOL,
            "own_agrees": MAYBE_BOOL,
            "kernel_before": TEXT,
            "kernel_after": TEXT,
            "note": TEXT,
        }
    )


def _disk() -> Json:
    return object_of(
        {
            "target": TEXT,
            "size_bytes": BYTES,
            "first_used_bytes": BYTES,
            "peak_used_bytes": BYTES,
            "peak_at_seconds": SECONDS,
            "last_used_bytes": BYTES,
            "sampled_every_seconds": MAYBE_SECONDS,
        }
    )


def _packages() -> Json:
    names = dict.fromkeys(("name", "kind", "old", "new"), TEXT)
    slow = {
        **names,
        "unpack_seconds": MAYBE_SECONDS,
        "configure_seconds": MAYBE_SECONDS,
        "seconds": SECONDS,
    }
    return object_of(
        {
            **dict.fromkeys(("upgraded", "installed", "removed", "kept_back"), COUNT),
            "slowest_share": MAYBE_NUMBER,
            "slowest": list_of(object_of(slow)),
            "changes": list_of(object_of(names)),
        }
    )


def _prompt() -> Json:
    return object_of(
        {
            **dict.fromkeys(("step", "text", "process", "rule", "answer", "why"), TEXT),
            "at_seconds": SECONDS,
            "declared": BOOL,
            "answered_by": TEXT,
            "waited_seconds": SECONDS,
        }
    )


def _foretold() -> Json:
    place = dict.fromkeys(("kind", "subject", "package", "why"), TEXT)
    line = object_of(
        {
            **place,
            "sure": BOOL,
            "result": {"enum": ["met", "not met", ""]},
            "difference": TEXT,
        }
    )
    return object_of(
        {
            "compared": BOOL,
            "questions": list_of(line),
            "losses": list_of(line),
            "not_foretold": list_of(object_of(place)),
            "not_looked_at": list_of(object_of({"package": TEXT, "why": TEXT})),
        }
    )


def _outage() -> Json:
    span = object_of(
        {
            "start_seconds": SECONDS,
            "end_seconds": SECONDS,
            "ended": BOOL,
            "cause": TEXT,
            "step": TEXT,
        }
    )
    return object_of(
        {
            "service": TEXT,
            "count": COUNT,
            "total_seconds": SECONDS,
            "longest_seconds": SECONDS,
            "resolution_seconds": MAYBE_SECONDS,
            "ended": BOOL,
            "causes": TEXTS,
            "looks": COUNT,
            "unknown_looks": COUNT,
            "spans": list_of(span),
        }
    )


def _check() -> Json:
    result = {"enum": ["pass", "fail", "skipped", "not run"]}
    return object_of(
        {
            **dict.fromkeys(
                ("name", "title", "severity", "change", "reason", "output", "advice", "cites"),
                TEXT,
            ),
            "before": result,
            "after": result,
        }
    )
