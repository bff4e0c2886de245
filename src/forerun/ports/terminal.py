"""A terminal of a clone, as a person at the keyboard has it: bytes both ways, and its size.

The adapters are `ssh_terminal.py`, for as long as a login works, and `hypervisor_console.py`,
for when none does.
"""

from __future__ import annotations

from typing import Protocol


class Terminal(Protocol):
    """An open terminal on a far side. One thread may read while another writes and resizes.

    `exit_code` is that of the far side's command once `read` gave None; it stays None where
    nobody tells one: on a serial console, and for a command that a signal ended.
    """

    exit_code: int | None

    def read(self, wait_s: float) -> bytes | None:
        """What the far side has said, waiting `wait_s` seconds for it at most; b"" when that
        is nothing yet, None once it has closed and all was read. Raises LinkLost where the
        line is gone instead, each time."""
        ...

    def write(self, data: bytes) -> None:
        """Type: all of it, in order. A far side that has closed takes nothing, which `read`
        tells. Raises LinkLost where the line is gone, or nothing is taken for half a minute."""
        ...

    def resize(self, columns: int, rows: int) -> None:
        """Tell the far side the new size in characters; 0 means unknown. Raises LinkLost."""
        ...

    def close(self) -> None:
        """Hang up; never raises, and a second time does nothing."""
        ...
