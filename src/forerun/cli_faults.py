"""What can be tried beside a procedure: the list of faults, and what a command asks for."""

from __future__ import annotations

from collections.abc import Sequence

from tabulate import tabulate

from forerun.cli_common import say
from forerun.errors import UsageError
from forerun.model.profile import Profile
from forerun.stages.faults import CATALOGUE, parse_faults
from forerun.stages.trials import Wanted

_NEEDS = {
    "packages": "a step that changes packages",
    "archive": "a step that asks the archive",
    "reboot": "a restart",
}


def faults() -> None:
    """List what can be let happen on a clone: rehearse --fault NAME@STEP."""
    rows = [(one.name, one.title, _NEEDS[one.needs]) for one in CATALOGUE]
    say(tabulate(rows, headers=("Fault", "What happens", "In"), disable_numparse=True))
    say("\nEach happens on a throwaway clone, never on the server.")


def read_wanted(given: Sequence[str], profile: Profile, *, back_out: bool, keep: bool) -> Wanted:
    """The faults and ways back that were asked for. Raises UsageError."""
    if back_out and keep:
        raise UsageError(
            "A clone that is backed out cannot be kept as the procedure left it.",
            found="--keep with --back-out",
            hint="Rehearse twice: once with --back-out, once with --keep.",
        )
    return Wanted(parse_faults(given, profile), back_out)
