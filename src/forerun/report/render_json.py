"""The report as data: the contract `forerun.report/1`.

Times are seconds and sizes bytes, said in each key; a share is 0..1. A figure that
was not measured is null. Keys may be added under the same schema name; none is
renamed or removed. `forerun.report.schema` describes every key.
"""

from __future__ import annotations

import json
from typing import Any

from forerun.model.observation import PromptMet, RunRecord, WayEnd
from forerun.report.answers import document_answers
from forerun.report.figures import known
from forerun.report.forecast import document_forecast
from forerun.report.foretold import document_foretold
from forerun.report.found import document_found, document_overlooked
from forerun.report.likeness import build_likeness
from forerun.report.parts import document_parts, document_speed
from forerun.report.plan import document_plan
from forerun.report.sections import (
    ByteCount,
    CheckPair,
    DiskPeak,
    DownloadAccount,
    Figure,
    PackageAccount,
    RebootAccount,
    Report,
    ServiceOutage,
    Spread,
    StepLine,
)
from forerun.report.sheet import document_decision
from forerun.report.timing import measure_window
from forerun.report.trials import build_trials

REPORT_SCHEMA = "forerun.report/1"

Json = dict[str, Any]


def render_json(report: Report) -> str:
    """The report as indented JSON text in ASCII, with a newline at its end."""
    return json.dumps(build_document(report), indent=2, ensure_ascii=True) + "\n"


def build_document(report: Report) -> Json:
    """The report as plain dictionaries and lists, ready for `json`."""
    return {
        "schema": REPORT_SCHEMA,
        "run": _run(report),
        "lab": _lab(report),
        "measured": _measured(report),
        "foretold": document_foretold(report.foretold),
        "fidelity": [
            {"subject": g.subject, "state": g.state, "note": g.note} for g in report.record.fidelity
        ],
        "likeness": build_likeness(report.likeness),
        "trials": build_trials(report.record),
        "estimate": document_forecast(report),
        "plan": document_plan(report.outlook.plan),
        "decision": document_decision(report.outlook.decision),
        "findings": [document_found(line) for line in report.found],
        "known_changes": document_overlooked(report.outlook),
        "parts": document_parts(report.outlook.parts),
        "speeds": {
            "production": [document_speed(one) for one in report.outlook.production_speeds],
            "clone": [document_speed(one) for one in report.outlook.clone_speeds],
        },
        "questions": document_answers(report),
        "teardown": {
            "created": list(report.record.teardown.created),
            "left": list(report.record.teardown.left),
            "kept": list(report.record.teardown.kept),
        },
        "objections": list(report.objections),
        "cautions": list(report.cautions),
    }


def _run(report: Report) -> Json:
    run = report.record
    return {
        "id": run.id,
        "host": run.host,
        "profile": run.profile,
        "profile_digest": run.profile_digest,
        "site_digest": run.site_digest,
        "survey": run.survey_id,
        "copy_approved_by": run.copy_approved_by,
        "template": run.template_id,
        "outcome": run.outcome.value,
        "clean": report.verdict.clean,
        "verdict": report.verdict.sentence,
        "why": run.why,
        "started_at": run.started_at,
        "finished_at": run.finished_at,
        "release_before": run.release_before,
        "release_after": run.release_after,
        "runs_compared": report.runs_compared,
        "runs_left_out": report.runs_left_out,
        "forerun_version": run.forerun_version,
    }


def _lab(report: Report) -> Json:
    run = report.record
    busy = [note for note in report.contention if note.reasons]
    return {
        "accelerator": run.lab.accelerator,
        "accelerator_why": run.lab.why,
        "hypervisor": run.lab.hypervisor,
        "cpus": run.lab.cpus,
        "memory_bytes": run.lab.memory_bytes,
        "clone_cpus": run.clone_cpus,
        "clone_memory_bytes": run.clone_memory_bytes,
        "preparation": [
            {"name": name, "wall_seconds": seconds} for name, seconds in run.preparation
        ],
        "ways_tried": [way.label() for way in run.ways_tried if way.result is not WayEnd.NOT_TRIED],
        "ways_out": [
            {
                "name": way.name,
                "address": way.address,
                "protocol": way.protocol,
                "port": way.port or None,
                "result": way.result.value,
                "detail": way.detail,
            }
            for way in run.ways_tried
        ],
        "contention": {
            "busy": bool(busy) if report.contention else None,
            "steps": [
                {
                    "step": note.step,
                    "steal_share": note.steal,
                    "run_queue": note.run_queue,
                    "psi_cpu_share": note.psi_cpu,
                    "psi_io_share": note.psi_io,
                    "psi_memory_share": note.psi_memory,
                    "reasons": list(note.reasons),
                }
                for note in report.contention
            ],
        },
    }


def _measured(report: Report) -> Json:
    main = next((reboot for reboot in report.reboots if reboot.main), None)
    return {
        "window_seconds": measure_window(report.record),
        "summary": [_figure(figure) for figure in report.summary],
        "stages": [
            {
                "stage": stage.stage,
                "steps": stage.steps,
                "wall_seconds": stage.wall_s,
                "elapsed_seconds": stage.elapsed_s,
            }
            for stage in report.stages
        ],
        "steps": [_step(line) for line in report.steps],
        "download": _download(report.download),
        "reboot": _reboot(main) if main else None,
        "reboots": [_reboot(reboot) for reboot in report.reboots],
        "disk": [_disk(peak) for peak in report.disk],
        "packages": _packages(report.packages, report.record),
        "prompts": [_prompt(prompt) for prompt in report.prompts],
        "outages": [_outage(row) for row in report.outages],
        "checks": [_check(pair) for pair in report.checks],
        "kept_files": [
            {"path": kept.path, "beside": kept.beside, "size_bytes": kept.size_bytes}
            for kept in report.record.kept_files
        ],
    }


def _spread(spread: Spread | None) -> Json | None:
    if spread is None:
        return None
    return {"low": spread.low, "high": spread.high, "runs": spread.runs}


def _figure(figure: Figure) -> Json:
    return {
        "key": figure.key,
        "name": figure.name,
        "value": figure.value,
        "unit": figure.unit,
        "provenance": figure.provenance.value,
        "spread": _spread(figure.spread),
        "resolution_seconds": figure.resolution_s,
        "objections": list(figure.objections),
    }


def _step(line: StepLine) -> Json:
    step = line.step
    return {
        "number": line.number,
        "name": step.name,
        "title": step.title,
        "stage": step.stage,
        "action": step.action,
        "started_seconds": step.started_s,
        "wall_seconds": step.wall_s,
        "guest_cpu_seconds": known(step.guest_cpu_s),
        "host_cpu_seconds": known(step.host_cpu_s),
        "quiet_longest_seconds": step.quiet_longest_s,
        "wall_seconds_spread": _spread(line.spread),
        "end": step.end.value,
        "exit_code": step.exit_code,
        "message": step.message,
        "last_lines": list(step.last_lines),
        "reattached": step.reattached,
    }


def _count(count: ByteCount) -> Json:
    return {
        "name": count.name,
        "bytes": count.amount,
        "counted_by": count.who,
        "provenance": count.provenance.value,
        "missing_steps": list(count.missing),
    }


def _download(account: DownloadAccount | None) -> Json | None:
    if account is None:
        return None
    amounts = {f"{count.key}_bytes": count.amount for count in account.counts}
    return {
        **amounts,
        "requests": account.requests,
        "rate_limit_bits_per_second": account.rate_limit_bits or None,
        "counts": [_count(count) for count in account.counts],
        "overheads": [_count(count) for count in account.overheads],
        "comparisons": [
            {
                "name": c.name,
                "left_bytes": c.left,
                "right_bytes": c.right,
                "difference_bytes": c.difference,
                "difference_share": c.share,
                "limit_share": c.limit,
                "agrees": c.agrees,
                "assumption": c.assumption,
            }
            for c in account.comparisons
        ],
    }


def _reboot(reboot: RebootAccount) -> Json:
    parts = {f"{part.key}_seconds": part.seconds for part in reboot.parts}
    own = {f"own_{p.key}_seconds": p.own_s for p in reboot.parts if p.key in _OWN}
    return {
        "number": reboot.number,
        **parts,
        "to_ssh_seconds": reboot.to_ssh_s,
        "to_ready_seconds": reboot.to_ready_s,
        "total_seconds": reboot.total_s,
        "sum_seconds": reboot.sum_s,
        "sum_agrees": reboot.sums,
        **own,
        "own_agrees": reboot.own_agrees,
        "kernel_before": reboot.kernel_before,
        "kernel_after": reboot.kernel_after,
        "note": reboot.note,
    }


_OWN = ("kernel", "userspace")


def _disk(peak: DiskPeak) -> Json:
    return {
        "target": peak.target,
        "size_bytes": peak.size,
        "first_used_bytes": peak.first_used,
        "peak_used_bytes": peak.peak_used,
        "peak_at_seconds": peak.peak_at_s,
        "last_used_bytes": peak.last_used,
        "sampled_every_seconds": peak.every_s,
    }


def _packages(account: PackageAccount, run: RunRecord) -> Json:
    return {
        "upgraded": account.upgraded,
        "installed": account.installed,
        "removed": account.removed,
        "kept_back": account.kept_back,
        "slowest_share": account.slowest_share,
        "slowest": [
            {
                "name": p.name,
                "kind": p.kind,
                "old": p.old,
                "new": p.new,
                "unpack_seconds": p.unpack_s,
                "configure_seconds": p.configure_s,
                "seconds": p.seconds,
            }
            for p in account.slowest
        ],
        "changes": [
            {"name": c.name, "kind": c.kind, "old": c.old, "new": c.new} for c in run.packages
        ],
    }


def _prompt(prompt: PromptMet) -> Json:
    return {
        "step": prompt.step,
        "at_seconds": prompt.at_s,
        "text": prompt.text,
        "process": prompt.process,
        "declared": prompt.declared,
        "rule": prompt.rule,
        "answer": prompt.answer,
        "answered_by": prompt.answered_by,
        "waited_seconds": prompt.waited_s,
        "why": prompt.why,
    }


def _outage(row: ServiceOutage) -> Json:
    return {
        "service": row.service,
        "count": row.count,
        "total_seconds": row.total_s,
        "longest_seconds": row.longest_s,
        "resolution_seconds": row.resolution_s,
        "ended": row.ended,
        "causes": list(row.causes),
        "looks": row.looks,
        "unknown_looks": row.unknown_looks,
        "spans": [
            {
                "start_seconds": span.start_s,
                "end_seconds": span.end_s,
                "ended": span.ended,
                "cause": span.cause,
                "step": span.step,
            }
            for span in row.spans
        ],
    }


def _check(pair: CheckPair) -> Json:
    return {
        "name": pair.name,
        "title": pair.title,
        "severity": pair.severity,
        "before": pair.before,
        "after": pair.after,
        "change": pair.change,
        "reason": pair.reason,
        "output": pair.output,
        "advice": pair.advice,
        "cites": pair.cites,
    }
