"""Production's addresses and names on a clone that has one sealed link. Pure.

The addresses lie on links without a wire (kernel module `dummy`), so that services which
bind to them start. No route comes with them: a peer of the same network is unreachable at
once, as any other, instead of being waited for.
"""

from __future__ import annotations

import ipaddress

from forerun.model.blueprint import Gap, StandInLink
from forerun.model.survey import CleanSurvey
from forerun.model.system import Interface
from forerun.ports.domain_xml import GUEST_ADDRESS
from forerun.stages.seal_ways import OUTSIDE, OUTSIDE_6

# What the proof of the seal tries to reach must not be the clone itself.
TRIED_ADDRESSES = frozenset(ipaddress.ip_address(text) for text in (*OUTSIDE, OUTSIDE_6))
SEALED_NETWORK = ipaddress.ip_network(f"{GUEST_ADDRESS}/24", strict=False)
# Names that the sealed link has or may get on the clone, by one naming policy or another
# (systemd.net-naming-scheme(7)); QEMU gives it PCI slot 16.
_TAKEN = frozenset({"lo", "ens16", "enp0s16", "eth0"})
# Links that production's own configuration makes again on the clone.
_MADE_AGAIN = (
    "wg",
    "tun",
    "tap",
    "docker",
    "br-",
    "veth",
    "virbr",
    "lxc",
    "lxd",
    "dummy",
    "podman",
)
_NAME_LENGTH = 15

Address = ipaddress.IPv4Interface | ipaddress.IPv6Interface


def design_links(survey: CleanSurvey) -> tuple[tuple[StandInLink, ...], tuple[Gap, ...]]:
    """A link for each of production's interfaces with addresses of its own."""
    links: list[StandInLink] = []
    gaps: list[Gap] = []
    for interface in _list_interfaces(survey):
        kept, left = _split_addresses(interface.addresses)
        if left:
            gaps.append(
                Gap(
                    f"addresses of {interface.name}", "absent",
                    f"{', '.join(left)}: the sealed link or the proof of its seal uses them; "
                    "a service that binds to one does not start",
                )
            )  # fmt: skip
        if not kept:
            continue
        name = _choose_name(interface.name, {link.name for link in links})
        links.append(StandInLink(name, interface.name, kept))
    gaps.append(_note_names(links))
    return tuple(links), tuple(gaps)


def _list_interfaces(survey: CleanSurvey) -> tuple[Interface, ...]:
    found = tuple(
        interface
        for interface in survey.system.interfaces
        if interface.name != "lo"
        and interface.driver not in ("wireguard", "tun")
        and not interface.name.startswith(_MADE_AGAIN)
    )
    if survey.system.interfaces:
        return found
    bound: dict[str, None] = {}
    for socket in survey.sockets:
        address = _read(socket.address)
        if address is not None and _is_own(address):
            bound[str(address)] = None
    return (Interface("production0", "", addresses=tuple(bound)),) if bound else ()


def _read(text: str) -> Address | None:
    try:
        return ipaddress.ip_interface(text.strip("[]"))
    except ValueError:
        return None


def _is_own(address: Address) -> bool:
    ip = address.ip
    return not (ip.is_unspecified or ip.is_loopback or ip.is_link_local or ip.is_multicast)


def _split_addresses(addresses: tuple[str, ...]) -> tuple[tuple[str, ...], list[str]]:
    kept: list[str] = []
    left: list[str] = []
    for text in addresses:
        address = _read(text)
        if address is None or not _is_own(address):
            continue
        clashes = address.ip in TRIED_ADDRESSES or (
            address.version == 4 and address.ip in SEALED_NETWORK
        )
        (left if clashes else kept).append(str(address))
    return tuple(dict.fromkeys(kept)), left


def _choose_name(name: str, taken: set[str]) -> str:
    wanted = name[:_NAME_LENGTH]
    # The kernel itself names links eth0, eth1 and so on: ours would be in its way.
    if wanted in _TAKEN or wanted.startswith("eth") or wanted in taken:
        wanted = f"as-{name}"[:_NAME_LENGTH]
    number = 0
    while wanted in taken or "/" in wanted:
        number += 1
        wanted = f"production{number}"
    return wanted


def _note_names(links: list[StandInLink]) -> Gap:
    if not links:
        return Gap(
            "network interfaces", "absent",
            "one sealed virtual link; names are not production's",
        )  # fmt: skip
    named = ", ".join(
        link.name if link.name == link.production else f"{link.production} as {link.name}"
        for link in links
    )
    return Gap(
        "network interfaces", "approximated",
        f"production's addresses lie on links without a wire ({named}); the one wired link is "
        "the sealed one, and drivers, speed and names under the new release are not rehearsed",
    )  # fmt: skip


def list_addresses(links: tuple[StandInLink, ...]) -> frozenset[str]:
    """All addresses of the links, without their prefix length."""
    return frozenset(text.partition("/")[0] for link in links for text in link.addresses)
