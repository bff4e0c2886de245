"""The JSON Schema (draft 2020-12) of `forerun.report/1`.

Every key that is written is named and required here; readers must accept keys that
a later forerun adds.
"""

from __future__ import annotations

from typing import Any

from forerun.report.render_json import REPORT_SCHEMA

Json = dict[str, Any]

_TEXT: Json = {"type": "string"}
_TEXTS: Json = {"type": "array", "items": _TEXT}
_BOOL: Json = {"type": "boolean"}
_MAYBE_BOOL: Json = {"type": ["boolean", "null"]}
_COUNT: Json = {"type": "integer", "minimum": 0}
_WHOLE: Json = {"type": "integer"}
_SECONDS: Json = {"type": "number", "minimum": 0}
_MAYBE_SECONDS: Json = {"type": ["number", "null"], "minimum": 0}
_BYTES: Json = {"type": "integer", "minimum": 0}
_MAYBE_BYTES: Json = {"type": ["integer", "null"], "minimum": 0}
_MAYBE_NUMBER: Json = {"type": ["number", "null"]}
_PROVENANCE: Json = {"enum": ["measured", "estimated", "assumed"]}


def _object(keys: Json) -> Json:
    return {"type": "object", "properties": keys, "required": list(keys)}


def _list(items: Json) -> Json:
    return {"type": "array", "items": items}


def _maybe(schema: Json) -> Json:
    return {"anyOf": [schema, {"type": "null"}]}


_SPREAD = _maybe(_object({"low": _MAYBE_NUMBER, "high": _MAYBE_NUMBER, "runs": _COUNT}))


def report_schema() -> Json:
    """The whole schema as plain dictionaries."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": REPORT_SCHEMA,
        "description": "One rehearsal. Seconds, bytes and shares (0..1); null = not measured.",
        **_object(
            {
                "schema": {"const": REPORT_SCHEMA},
                "run": _run(),
                "lab": _lab(),
                "measured": _measured(),
                "foretold": _foretold(),
                "fidelity": _list(_object({"subject": _TEXT, "state": _TEXT, "note": _TEXT})),
                "likeness": _maybe(_likeness()),
                "estimate": _object({"available": _BOOL, "objections": _TEXTS}),
                "findings": _list(
                    _object(
                        dict.fromkeys(("severity", "title", "evidence", "advice", "source"), _TEXT)
                    )
                ),
                "teardown": _object(dict.fromkeys(("created", "left", "kept"), _TEXTS)),
                "objections": _TEXTS,
                "cautions": {**_TEXTS, "minItems": 1},
            }
        ),
    }


def _likeness() -> Json:
    share = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
    difference = _object(
        {
            **dict.fromkeys(("name", "production", "clone", "hides", "explanation"), _TEXT),
            "explained": _BOOL,
        }
    )
    subject = _object(
        {
            **dict.fromkeys(("subject", "rule"), _TEXT),
            **dict.fromkeys(("alike", "total", "explained", "unexplained"), _COUNT),
            "alike_share": share,
            "differences": _list(difference),
        }
    )
    return _object(
        {"score_share": share, "rule": _TEXT, "compared": _COUNT, "subjects": _list(subject)}
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
    return _object(
        {
            **dict.fromkeys(texts, _TEXT),
            "outcome": {"enum": ["completed", "failed", "abandoned"]},
            "clean": _BOOL,
            "runs_compared": {"type": "integer", "minimum": 1},
            "runs_left_out": _COUNT,
        }
    )


def _lab() -> Json:
    step = _object(
        {
            "step": _TEXT,
            "steal_share": _MAYBE_NUMBER,
            "run_queue": _MAYBE_NUMBER,
            "psi_cpu_share": _MAYBE_NUMBER,
            "psi_io_share": _MAYBE_NUMBER,
            "psi_memory_share": _MAYBE_NUMBER,
            "reasons": _TEXTS,
        }
    )
    way = _object(
        {
            **dict.fromkeys(("name", "address", "protocol", "detail"), _TEXT),
            "port": {"type": ["integer", "null"]},
            "result": {"enum": ["open", "closed", "refused by the gateway", "not tried"]},
        }
    )
    return _object(
        {
            "accelerator": _TEXT,
            "accelerator_why": _TEXT,
            "hypervisor": _TEXT,
            "cpus": _COUNT,
            "memory_bytes": _BYTES,
            "clone_cpus": _COUNT,
            "clone_memory_bytes": _BYTES,
            "preparation": _list(_object({"name": _TEXT, "wall_seconds": _SECONDS})),
            "ways_tried": _TEXTS,
            "ways_out": _list(way),
            "contention": _object({"busy": _MAYBE_BOOL, "steps": _list(step)}),
        }
    )


def _measured() -> Json:
    figure = _object(
        {
            "key": _TEXT,
            "name": _TEXT,
            "value": _MAYBE_NUMBER,
            "unit": {"enum": ["s", "bytes", "count"]},
            "provenance": _PROVENANCE,
            "spread": _SPREAD,
            "resolution_seconds": _MAYBE_SECONDS,
            "objections": _TEXTS,
        }
    )
    stage = _object(
        {"stage": _TEXT, "steps": _COUNT, "wall_seconds": _SECONDS, "elapsed_seconds": _SECONDS}
    )
    return _object(
        {
            "window_seconds": _MAYBE_SECONDS,
            "summary": _list(figure),
            "stages": _list(stage),
            "steps": _list(_step()),
            "download": _maybe(_download()),
            "reboot": _maybe(_reboot()),
            "reboots": _list(_reboot()),
            "disk": _list(_disk()),
            "packages": _packages(),
            "prompts": _list(_prompt()),
            "outages": _list(_outage()),
            "checks": _list(_check()),
            "kept_files": _list(_object({"path": _TEXT, "beside": _TEXT, "size_bytes": _BYTES})),
        }
    )


def _step() -> Json:
    return _object(
        {
            "number": {"type": "integer", "minimum": 1},
            **dict.fromkeys(("name", "title", "stage", "action", "message"), _TEXT),
            "started_seconds": _SECONDS,
            "wall_seconds": _SECONDS,
            "guest_cpu_seconds": _MAYBE_SECONDS,
            "host_cpu_seconds": _MAYBE_SECONDS,
            "quiet_longest_seconds": _SECONDS,
            "wall_seconds_spread": _SPREAD,
            "end": {"enum": ["done", "failed", "overran", "stopped", "unreachable", "skipped"]},
            "exit_code": _WHOLE,
            "last_lines": _TEXTS,
            "reattached": _COUNT,
        }
    )


def _download() -> Json:
    count = _object(
        {
            "name": _TEXT,
            "bytes": _MAYBE_BYTES,
            "counted_by": _TEXT,
            "provenance": _PROVENANCE,
            "missing_steps": _TEXTS,
        }
    )
    comparison = _object(
        {
            "name": _TEXT,
            "left_bytes": _MAYBE_BYTES,
            "right_bytes": _MAYBE_BYTES,
            "difference_bytes": {"type": ["integer", "null"]},
            "difference_share": _MAYBE_NUMBER,
            "limit_share": {"type": "number"},
            "agrees": _MAYBE_BOOL,
            "assumption": _TEXT,
        }
    )
    amounts = ("planned", "fetched", "gateway", "index", "wire", "outside", "cached")
    return _object(
        {
            **{f"{name}_bytes": _MAYBE_BYTES for name in amounts},
            "requests": _COUNT,
            "rate_limit_bits_per_second": {"type": ["integer", "null"]},
            "counts": _list(count),
            "overheads": _list(count),
            "comparisons": _list(comparison),
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
    return _object(
        {
            "number": {"type": "integer", "minimum": 1},
            **{f"{name}_seconds": _MAYBE_SECONDS for name in seconds},
            "sum_agrees": _MAYBE_BOOL,
            "own_agrees": _MAYBE_BOOL,
            "kernel_before": _TEXT,
            "kernel_after": _TEXT,
            "note": _TEXT,
        }
    )


def _disk() -> Json:
    return _object(
        {
            "target": _TEXT,
            "size_bytes": _BYTES,
            "first_used_bytes": _BYTES,
            "peak_used_bytes": _BYTES,
            "peak_at_seconds": _SECONDS,
            "last_used_bytes": _BYTES,
            "sampled_every_seconds": _MAYBE_SECONDS,
        }
    )


def _packages() -> Json:
    names = dict.fromkeys(("name", "kind", "old", "new"), _TEXT)
    slow = {
        **names,
        "unpack_seconds": _MAYBE_SECONDS,
        "configure_seconds": _MAYBE_SECONDS,
        "seconds": _SECONDS,
    }
    return _object(
        {
            **dict.fromkeys(("upgraded", "installed", "removed", "kept_back"), _COUNT),
            "slowest_share": _MAYBE_NUMBER,
            "slowest": _list(_object(slow)),
            "changes": _list(_object(names)),
        }
    )


def _prompt() -> Json:
    return _object(
        {
            **dict.fromkeys(("step", "text", "process", "rule", "answer", "why"), _TEXT),
            "at_seconds": _SECONDS,
            "declared": _BOOL,
            "answered_by": _TEXT,
            "waited_seconds": _SECONDS,
        }
    )


def _foretold() -> Json:
    place = dict.fromkeys(("kind", "subject", "package", "why"), _TEXT)
    line = _object(
        {
            **place,
            "sure": _BOOL,
            "result": {"enum": ["met", "not met", ""]},
            "difference": _TEXT,
        }
    )
    return _object(
        {
            "compared": _BOOL,
            "questions": _list(line),
            "losses": _list(line),
            "not_foretold": _list(_object(place)),
            "not_looked_at": _list(_object({"package": _TEXT, "why": _TEXT})),
        }
    )


def _outage() -> Json:
    span = _object(
        {
            "start_seconds": _SECONDS,
            "end_seconds": _SECONDS,
            "ended": _BOOL,
            "cause": _TEXT,
            "step": _TEXT,
        }
    )
    return _object(
        {
            "service": _TEXT,
            "count": _COUNT,
            "total_seconds": _SECONDS,
            "longest_seconds": _SECONDS,
            "resolution_seconds": _MAYBE_SECONDS,
            "ended": _BOOL,
            "causes": _TEXTS,
            "looks": _COUNT,
            "unknown_looks": _COUNT,
            "spans": _list(span),
        }
    )


def _check() -> Json:
    result = {"enum": ["pass", "fail", "skipped", "not run"]}
    return _object(
        {
            **dict.fromkeys(
                ("name", "title", "severity", "change", "reason", "output", "advice", "cites"),
                _TEXT,
            ),
            "before": result,
            "after": result,
        }
    )
