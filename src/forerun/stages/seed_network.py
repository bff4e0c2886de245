"""The part of the seed about production's addresses and names. Pure.

Formats: systemd.netdev(5), systemd.network(5), hosts(5).
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator

from forerun.model.blueprint import StandInLink
from forerun.stages.copy_tar import walk_copy
from forerun.stages.design_network import list_addresses

# "IPv4 dummy address" of the special-purpose registry (RFC 7600, RFC 6890): no router
# passes it on, and on the sealed link there is none. A name that has it resolves, and
# whoever connects to it is told at once that it cannot be reached.
NOWHERE = "192.0.0.8"
MOST_NAMES = 400

_LOCAL = """127.0.0.1 localhost
127.0.1.1 {name}
::1 localhost ip6-localhost ip6-loopback
"""
_WORD = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
# Names that stand for production's (RFC 2606, RFC 6761), and hosts of web addresses.
_STOOD_FOR = re.compile(
    rf"(?<![\w.@-])((?:{_WORD}\.)+(?:test|example|invalid)|host-[0-9a-f]{{6}})(?![\w.-]*\w)"
)
_WEB_HOST = re.compile(
    rf"\b[a-z][a-z0-9+]{{1,11}}://(?:[^/\s@'\"]*@)?((?:{_WORD}\.)+[A-Za-z]{{2,24}})"
)
_MAIL_HOST = re.compile(rf"@((?:{_WORD}\.)+(?:test|example|invalid))(?![\w.-]*\w)")
_ARCHIVES = "/etc/apt/"


def write_link_files(links: tuple[StandInLink, ...]) -> dict[str, str]:
    """Path to content, for systemd-networkd. `AddPrefixRoute=no`: an address alone, with
    no way to its neighbours, so that nothing waits for a peer that cannot answer."""
    files: dict[str, str] = {}
    for number, link in enumerate(links):
        stem = f"/etc/systemd/network/06-production-{number}"
        files[f"{stem}.netdev"] = f"[NetDev]\nName={link.name}\nKind=dummy\n"
        lines = [
            "[Match]", f"Name={link.name}", "Type=ether", "",
            "[Network]", "LinkLocalAddressing=no", "IPv6AcceptRA=no", "DHCP=no",
        ]  # fmt: skip
        for address in link.addresses:
            lines += ["", "[Address]", f"Address={address}", "AddPrefixRoute=no"]
        files[f"{stem}.network"] = "\n".join(lines) + "\n"
    return files


def write_hosts(
    hostname: str, links: tuple[StandInLink, ...], table: str, names: tuple[str, ...]
) -> str:
    """The clone's /etc/hosts: its own names, production's `table` (its file of that name),
    and the `names` that its configuration mentions, which lead nowhere."""
    own = list_addresses(links)
    known = {"localhost", hostname}
    lines: list[str] = []
    for line in table.splitlines():
        words = line.partition("#")[0].split()
        fresh = [word for word in words[1:] if word != "localhost"]
        if len(words) < 2 or not fresh or words[0] in ("127.0.0.1", "::1"):
            continue
        address = words[0]
        if hostname in fresh and address not in own and not address.startswith("127."):
            address = "127.0.1.1"
        known.update(fresh)
        lines.append(" ".join((address, *fresh)))
    first = _LOCAL.format(name=hostname)
    if any(hostname in line.split()[1:] for line in lines):
        first = first.replace(f"127.0.1.1 {hostname}\n", "")
    lines += [f"{NOWHERE} {name}" for name in names if name not in known]
    return first + "".join(f"{line}\n" for line in lines)


def find_names(copy: bytes) -> tuple[str, ...]:
    """Host names that the copy's files mention outside comments, sorted; at most
    `MOST_NAMES`. Archives are left out: they are asked through the gateway."""
    found: set[str] = set()
    for text in _read_texts(copy) if copy else ():
        for line in text.splitlines():
            bare = line.lstrip()
            if bare.startswith(("#", ";", "//")):
                continue
            for pattern in (_STOOD_FOR, _MAIL_HOST, _WEB_HOST):
                found.update(match[1].lower() for match in pattern.finditer(bare))
    return tuple(sorted(found)[:MOST_NAMES])


def _read_texts(copy: bytes) -> Iterator[str]:
    for member in walk_copy(io.BytesIO(copy), "the copy for the clone"):
        if member.content is None or member.path.startswith(_ARCHIVES):
            continue
        if member.info.size <= 1 << 20:
            content = member.content.read()
            if b"\0" not in content:
                yield content.decode("utf-8", "replace")
