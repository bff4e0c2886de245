"""Hold points: a clone's disks and memory kept at a moment, to come back to.

A clone is saved as a hypervisor's own snapshot would be taken: its memory is written to a
file, which stops it, its disks are copied while nothing writes to them, and it runs on from
the file. Coming back ends the clone, puts the disks back and lets it run on from there. The
connections of then are gone; the clone's clock is set.

Power is here, too: a clone that is switched off keeps its disks as they are, with all that
it had flushed and nothing else, and can be switched on again.
"""

from __future__ import annotations

import contextlib
import shutil
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import CloneUnreachable, ForerunError, NoRoom
from forerun.ports.command import Command
from forerun.stages.build import Clone, Yard

# What a save may need beside the memory itself: devices, page tables, the copied disks' tables.
SPARE_BYTES = 256 << 20
BACK_S = 180.0
ON_S = 420.0


@dataclass(frozen=True, slots=True)
class HoldPoint:
    """A kept moment. Sizes are bytes on the lab host's disk; `took_s` is the seconds the
    clone stood still for it."""

    name: str
    folder: Path
    memory_bytes: int
    disk_bytes: int
    took_s: float


class Holder:
    """Keeps moments of one clone, in its own folder, which goes when the clone goes."""

    def __init__(self, clone: Clone, yard: Yard, command: Command) -> None:
        self._clone = clone
        self._yard = yard
        self._command = command

    def take(self, name: str, *, memory_bytes: int) -> HoldPoint:
        """Keep this moment. Raises NoRoom (before anything is touched), HypervisorFailed,
        CommandFailed, CloneUnreachable."""
        clock = self._yard.clock
        folder = self._clone.folder / f"hold-{name}"
        self._check_room(memory_bytes)
        began = clock.monotonic()
        folder.mkdir(mode=0o711)
        self._clone.guest.hang_up()
        self._yard.hypervisor.save(self._clone.name, str(folder / "memory"))
        try:
            used = sum(
                self._yard.disks.copy(disk, folder / disk.name) for disk in self._clone.disks
            )
        finally:  # the clone runs on also where there was no room for its copy
            self._run_on(folder)
        memory = (folder / "memory").stat().st_blocks * 512
        return HoldPoint(name, folder, memory, used, round(clock.monotonic() - began, 2))

    def return_to(self, point: HoldPoint) -> float:
        """Go back to that moment; returns the seconds until the clone answered again."""
        clock = self._yard.clock
        began = clock.monotonic()
        self._clone.guest.close()
        self._yard.hypervisor.end(self._clone.name)
        for disk in self._clone.disks:
            self._yard.disks.copy(point.folder / disk.name, disk)
        self._run_on(point.folder)
        return round(clock.monotonic() - began, 2)

    def _run_on(self, folder: Path) -> None:
        self._yard.hypervisor.restore(str(folder / "memory"))
        self._clone.guest.connect(patience_s=BACK_S, alive=self._is_running)
        set_time(self._clone, self._yard)

    def drop(self, point: HoldPoint) -> None:
        """Forget that moment."""
        shutil.rmtree(point.folder, ignore_errors=True)

    def _is_running(self) -> bool:
        return self._yard.hypervisor.is_running(self._clone.name)

    def _check_room(self, memory_bytes: int) -> None:
        disks = sum(disk.stat().st_blocks * 512 for disk in self._clone.disks)
        wanted = memory_bytes + disks + SPARE_BYTES
        free = self._yard.lab.free_bytes(self._clone.folder)
        if free < wanted:
            raise NoRoom(
                "There is too little room for a hold point.",
                where=str(self._clone.folder),
                wanted=f"{wanted / 1e9:.2f} GB free",
                found=f"{free / 1e9:.2f} GB free",
                hint="Free some room, or rehearse without faults and back-out.",
            )

    def cut_power(self) -> None:
        """Switch the clone off at once, as a power cut does."""
        self._clone.guest.close()
        self._yard.hypervisor.end(self._clone.name)

    def switch_on(self, *, patience_s: float = ON_S) -> float:
        """Start the clone from its disks; returns the seconds until it answered. Raises
        CloneUnreachable when it does not."""
        began = self._yard.clock.monotonic()
        self._yard.hypervisor.start(self._clone.xml)
        self._clone.guest.connect(patience_s=patience_s, alive=self._is_running)
        return round(self._yard.clock.monotonic() - began, 2)

    def is_reachable(self, *, patience_s: float = 10.0) -> bool:
        """Whether the clone answers over its access service within that time."""
        with contextlib.suppress(ForerunError, FileNotFoundError):
            self._clone.guest.close()
            self._clone.guest.connect(patience_s=patience_s, alive=self._is_running)
            return True
        return False


def set_time(clone: Clone, yard: Yard) -> None:
    """Set the clone's clock to now: it stood still while the clone did."""
    now = yard.clock.now().timestamp()
    done = clone.guest.run(f"date --set=@{now:.0f} >/dev/null", timeout_s=60)
    if done.exit_code != 0:
        raise CloneUnreachable(
            "The clone's clock could not be set.",
            found=done.stderr.decode("utf-8", "replace").strip(),
        )
