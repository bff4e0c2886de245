"""How fast a clone is, by the text that timed production, under the same priority."""

from __future__ import annotations

import shlex
from dataclasses import replace

from forerun.distro.linux_speed import parse_speed
from forerun.distro.speed_kit import KIT
from forerun.model.speed import SpeedReading
from forerun.ports.clock import Clock, format_instant
from forerun.ports.guest import Guest
from forerun.ports.labhost import LabHost
from forerun.ports.production import SEARCH_PATH

# The kit keeps to 15 s; an emulated clone that swaps may not.
PATIENCE_S = 90.0
# As `SshProduction` wraps what it runs.
_COMMAND = (
    'low="nice -n 19"; command -v ionice >/dev/null && low="ionice -c 3 $low"; '
    f"exec $low env LC_ALL=C PATH={SEARCH_PATH} sh -c {shlex.quote(KIT)}"
)


def read_clone_speed(guest: Guest, lab: LabHost, clock: Clock) -> SpeedReading | None:
    """Time the clone at work; `load` is the lab host's meanwhile. None where it gave no
    answer that could be read. Raises CloneUnreachable.

    There is no rate of its link: that leads to the gateway alone, whose own rates are known.
    """
    began = format_instant(clock.now())  # by the lab host's clock: a clone's may be set wrong
    before = lab.mark_load(clock.monotonic())
    said = guest.run(_COMMAND, timeout_s=PATIENCE_S).stdout.decode("utf-8", "replace")
    load = lab.load_between(before, lab.mark_load(clock.monotonic()))
    reading = parse_speed(said)
    if reading is None:
        return None
    return replace(reading, taken_at=began, load=load)
