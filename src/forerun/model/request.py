"""What a rehearsal was asked for, written down before anything is made for it."""

from __future__ import annotations

from dataclasses import dataclass

from forerun.model.profile import UnknownPrompt

REQUEST_SCHEMA = "forerun.request/1"


@dataclass(frozen=True, slots=True)
class RunRequest:
    """Enough to ask for the same rehearsal again, and to see whether it still is the same.

    `survey_sha256` and `copy_sha256` are of the survey's record and of its copy; the digests
    of profile and site are those of their files ("" without a site file). `profile` and
    `site` are absolute paths; `unknown_prompt` None leaves it to the profile. `template_id`
    "" means the fitted one. `again_from` names the run that this one repeats; `faults`
    are NAME@STEP texts."""

    id: str
    made_at: str
    survey_id: str
    survey_sha256: str
    copy_sha256: str
    profile: str
    profile_digest: str
    site: str
    site_digest: str
    cpus: int
    memory_bytes: int
    rate_limit_bits: int
    index_age_s: float
    unknown_prompt: UnknownPrompt | None = None
    keep: bool = False
    template_id: str = ""
    again_from: str = ""
    faults: tuple[str, ...] = ()
    back_out: bool = False
    forerun_version: str = ""
    schema: str = REQUEST_SCHEMA
