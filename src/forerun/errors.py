"""The whole exception tree of forerun, with its exit codes.

    ForerunError                     (never raised itself)
    |- UsageError               2    the command line asks for something that cannot be
    |- InvalidFile             10    a YAML file (profile, site) has mistakes
    |- ProfileMismatch         11    the profile is not for the surveyed release
    |- UnknownRelease          12    no distro module knows the surveyed system
    |- HostKeyMismatch         20    the server's host key is unknown or changed
    |- LoginRefused            21    the server refused the login
    |- ProductionUnreachable   22    no SSH answer from the server
    |- SurveyFailed            23    a probe failed, or its budget was used up
    |- LabUnfit                30    the lab host lacks something
    |- NoRoom                  31    not enough free disk on the lab host
    |- NoMemory                32    not enough free memory on the lab host
    |- HypervisorFailed        33    libvirt refused or went away
    |- TemplateDamaged         34    a template differs from its recorded digest
    |- TemplateFailed          35    a template could not be built or found
    |- CloneUnreachable        36    the clone started but never answered
    |  `- LinkLost             36    an SSH connection that worked is gone
    |- CommandFailed           37    a lab host tool failed
    |- SealBroken              38    the clone can reach out, or nobody can tell
    |- ArchiveUnreachable      40    a package archive did not answer
    |- RecordDamaged           50    a stored record cannot be read
    |- NotFound                51    no such run, survey or template
    |- RequestChanged          52    what a run was asked with is not what it was
    |- NotComparable           53    rehearsals of unlike things cannot be put together
    |- LeakFound               60    an original secret was found where it must not be
    |- NotApproved             61    nobody has approved the copy as it is now
    |- CopyExpired             62    the copy was kept as long as it may be
    `- Abandoned               70    a person or a policy stopped the run

    Interrupted               130    Ctrl-C or SIGTERM; like KeyboardInterrupt outside the
                                     tree: it can be raised anywhere, also where a
                                     ForerunError is expected and passed over

A rehearsal that fails on the clone is a result, not an exception: the command then
exits with `EXIT_RESULT_NOT_GOOD`.
"""

from __future__ import annotations

EXIT_OK = 0
EXIT_BUG = 1
EXIT_RESULT_NOT_GOOD = 3


class _Told(BaseException):
    """What failed, on what, wanted against found; the hint names the next thing to do.

    `what` is one sentence. `where` names the file, host or object. `wanted` and
    `found` may be empty. `hint` is what a person can do next.
    """

    exit_code = EXIT_BUG

    def __init__(
        self, what: str, *, where: str = "", wanted: str = "", found: str = "", hint: str = ""
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.wanted = wanted
        self.found = found
        self.hint = hint

    def __str__(self) -> str:
        parts = [self.what]
        if self.where:
            parts.append(f"  where: {self.where}")
        if self.wanted:
            parts.append(f"  wanted: {self.wanted}")
        if self.found:
            parts.append(f"  found: {self.found}")
        return "\n".join(parts)


class ForerunError(_Told, Exception):
    """Every failure that has a message of its own; see the tree above."""


class UsageError(ForerunError):
    """The command line asks for something that cannot be."""

    exit_code = 2


class InvalidFile(ForerunError):
    """A YAML file has mistakes; `found` lists them all, one a line."""

    exit_code = 10


class ProfileMismatch(ForerunError):
    """The profile is not for the surveyed release."""

    exit_code = 11


class UnknownRelease(ForerunError):
    """No distro module knows the surveyed system."""

    exit_code = 12


class HostKeyMismatch(ForerunError):
    """The server's host key is unknown or differs from the recorded one."""

    exit_code = 20


class LoginRefused(ForerunError):
    """The server answered and refused the login."""

    exit_code = 21


class ProductionUnreachable(ForerunError):
    """No SSH answer from the server."""

    exit_code = 22


class SurveyFailed(ForerunError):
    """A probe failed, or the survey's budget was used up."""

    exit_code = 23


class LabUnfit(ForerunError):
    """The lab host lacks something a rehearsal needs."""

    exit_code = 30


class NoRoom(ForerunError):
    """Not enough free disk on the lab host."""

    exit_code = 31


class NoMemory(ForerunError):
    """Not enough free memory on the lab host."""

    exit_code = 32


class HypervisorFailed(ForerunError):
    """libvirt refused a request, or went away."""

    exit_code = 33


class TemplateDamaged(ForerunError):
    """A template differs from its recorded digest."""

    exit_code = 34


class TemplateFailed(ForerunError):
    """A template could not be built or found."""

    exit_code = 35


class CloneUnreachable(ForerunError):
    """The clone started but never answered, or stopped answering."""

    exit_code = 36


class LinkLost(CloneUnreachable):
    """An SSH connection that worked is gone; reconnecting may help."""


class CommandFailed(ForerunError):
    """A tool on the lab host failed or is missing."""

    exit_code = 37


class SealBroken(ForerunError):
    """The clone can reach out, or it cannot be told whether it can."""

    exit_code = 38


class ArchiveUnreachable(ForerunError):
    """A package archive did not answer."""

    exit_code = 40


class RecordDamaged(ForerunError):
    """A stored record cannot be read; `where` names the file and place."""

    exit_code = 50


class NotFound(ForerunError):
    """No such run, survey or template."""

    exit_code = 51


class RequestChanged(ForerunError):
    """What a run was asked with is not what it was: asking again asks for another run."""

    exit_code = 52


class NotComparable(ForerunError):
    """Rehearsals that differ in what their figures depend on were to be put together."""

    exit_code = 53


class LeakFound(ForerunError):
    """An original secret was found where it must not be; never carries the value."""

    exit_code = 60


class NotApproved(ForerunError):
    """Nobody has looked over and approved the copy as it is now."""

    exit_code = 61


class CopyExpired(ForerunError):
    """The time for which the copy may be kept and used is over."""

    exit_code = 62


class Abandoned(ForerunError):
    """A person or a policy stopped the run."""

    exit_code = 70


class Interrupted(_Told):
    """Ctrl-C or SIGTERM."""

    exit_code = 130
