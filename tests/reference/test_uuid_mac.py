"""UUIDs and hardware addresses of clones against their published forms."""

from __future__ import annotations

import re
import uuid

from forerun.stages.build import make_mac


def test_hardware_addresses_are_local_and_unicast() -> None:
    """IEEE 802: bit 0x02 of the first octet set (locally administered), bit 0x01 clear
    (unicast); 52:54:00 is the prefix that QEMU's documentation uses. libvirt's schema wants
    an even second digit."""
    made = {make_mac() for _ in range(500)}
    assert len(made) > 495
    for mac in made:
        assert re.fullmatch(r"52:54:00(:[0-9a-f]{2}){3}", mac)
        first = int(mac[:2], 16)
        assert first & 0x02
        assert not first & 0x01


def test_domain_uuids_are_version_4() -> None:
    """RFC 9562, 5.4: version 4 in the high nibble of octet 6, variant 10 in octet 8; its
    example is 919108f7-52d1-4320-9bac-f847db4148a8."""
    for one in (uuid.uuid4(), uuid.UUID("919108f7-52d1-4320-9bac-f847db4148a8")):
        octets = one.bytes
        assert octets[6] >> 4 == 4
        assert octets[8] >> 6 == 0b10
