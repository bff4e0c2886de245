"""What this process listens on, as the kernel has it (proc(5), net/tcp, net/udp)."""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path

_LISTEN, _UNCONNECTED = "0A", "07"  # the kernel's TCP states, linux/include/net/tcp_states.h


def list_listening(pid: int | str = "self") -> set[tuple[str, str, int]]:
    """(protocol, address, port) of every socket of a process that takes what comes."""
    own = _list_inodes(Path(f"/proc/{pid}/fd"))
    found: set[tuple[str, str, int]] = set()
    for table, state in (("tcp", _LISTEN), ("tcp6", _LISTEN), ("udp", _UNCONNECTED),
                         ("udp6", _UNCONNECTED)):  # fmt: skip
        path = Path(f"/proc/{pid}/net/{table}")
        for line in path.read_text().splitlines()[1:] if path.exists() else ():
            field = line.split()
            if field[3] == state and field[9] in own:
                address, port = field[1].split(":")
                found.add((table[:3], _read_address(address), int(port, 16)))
    return found


def _list_inodes(folder: Path) -> set[str]:
    found = set()
    for entry in folder.iterdir():
        try:
            target = str(entry.readlink())
        except OSError:  # closed meanwhile
            continue
        if known := re.fullmatch(r"socket:\[(\d+)\]", target):
            found.add(known[1])
    return found


def _read_address(text: str) -> str:
    """Words of 32 bits in the machine's order, which is little-endian here."""
    words = [bytes.fromhex(text[at : at + 8])[::-1] for at in range(0, len(text), 8)]
    return str(ipaddress.ip_address(b"".join(words)))
