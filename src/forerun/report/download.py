"""The download, counted four ways and reconciled.

What the package manager plans, what it reports fetched, the bodies the archive
gateway served and the bytes that came in on the clone's network interface ought to
be the same bytes, apart from overheads that can be named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from forerun.model.observation import DownloadCount, RunRecord
from forerun.report.figures import say_share
from forerun.report.sections import ByteCount, Comparison, DownloadAccount, Provenance

LIMIT = 0.01

# An Ethernet header without the frame check sequence, which interface counters leave
# out, is 14 bytes (IEEE 802.3); an IPv4 header 20 (RFC 791); a TCP header 20
# (RFC 9293), 32 with the timestamps option padded to four bytes (RFC 7323).
PACKET_HEADERS = 14 + 20 + 20
PACKET_HEADERS_TIMESTAMPS = PACKET_HEADERS + 12

# One SSH message carries at most 32 KiB less 64 bytes here. Its frame: length 4,
# padding length 1, padding up to a block of 16 (RFC 4253, 6), message type, channel
# and data length 9 (RFC 4254, 5.2), a 32-byte HMAC-SHA-256 tag (RFC 6668): 64 at most.
SSH_MESSAGE = 32768 - 64
SSH_FRAMING = 64

Steps = Sequence[tuple[str, DownloadCount]]


def frame_bytes(packets: int, *, timestamps: bool = False) -> int:
    """Ethernet, IPv4 and TCP header bytes of that many packets."""
    return packets * (PACKET_HEADERS_TIMESTAMPS if timestamps else PACKET_HEADERS)


def tunnel_bytes(carried: int) -> int:
    """SSH framing for that many bytes in full messages: a lower bound on the number
    of messages, an upper bound on each one's framing."""
    return -(-carried // SSH_MESSAGE) * SSH_FRAMING


def account_download(record: RunRecord) -> DownloadAccount | None:
    """The account over all steps that counted a download; None where none did."""
    steps = [(s.title or s.name, s.download) for s in record.steps if s.download is not None]
    if not steps:
        return None
    return DownloadAccount(
        counts=_count_all(steps),
        overheads=_name_overheads(steps),
        comparisons=_compare_all(steps),
        requests=sum(count.requests for _, count in steps),
        rate_limit_bits=record.rate_limit_bits,
    )


def _total(
    steps: Steps, get: Callable[[DownloadCount], int], key: str, name: str, who: str
) -> ByteCount:
    values = [(step, get(count)) for step, count in steps]
    taken = [value for _, value in values if value >= 0]
    missing = tuple(step for step, value in values if value < 0) if taken else ()
    return ByteCount(key, name, sum(taken) if taken else None, who, missing=missing)


def _count_all(steps: Steps) -> tuple[ByteCount, ...]:
    gateway = "archive gateway"
    return (
        _total(steps, lambda c: c.planned_bytes, "planned", "Planned", "package manager's plan"),
        _total(steps, lambda c: c.fetched_bytes, "fetched", "Fetched", "package manager's report"),
        _total(steps, lambda c: c.gateway_bytes, "gateway", "Package bodies served", gateway),
        _total(steps, lambda c: c.index_bytes, "index", "Index bodies served", gateway),
        _total(steps, lambda c: c.wire_bytes, "wire", "On the wire", "clone's network interface"),
        _total(steps, lambda c: c.outside_bytes, "outside", "Fetched from outside", gateway),
        _total(steps, lambda c: c.cached_bytes, "cached", "Served from the cache", gateway),
    )


def _on_wire(steps: Steps) -> list[DownloadCount]:
    """The counts of the steps in which all parts of the wire's account are known and
    something was downloaded."""
    return [
        c
        for _, c in steps
        if min(c.gateway_bytes, c.index_bytes, c.header_bytes, c.wire_bytes, c.wire_packets) >= 0
        and c.gateway_bytes + c.index_bytes > 0
    ]


def _carried(count: DownloadCount) -> int:
    return count.gateway_bytes + count.index_bytes + count.header_bytes


def _framing(count: DownloadCount) -> int:
    """What the tunnel added: measured on its own connection where that was counted."""
    if count.tunnel_bytes >= 0:
        return max(0, count.tunnel_bytes - _carried(count))
    return tunnel_bytes(_carried(count))


def _session(count: DownloadCount) -> int:
    return max(0, count.session_bytes)


def _name_overheads(steps: Steps) -> tuple[ByteCount, ...]:
    counts = _on_wire(steps)
    if not counts:
        return ()
    packets = sum(c.wire_packets for c in counts)
    measured = all(c.tunnel_bytes >= 0 for c in counts)
    return (
        ByteCount(
            "http_headers",
            "HTTP response headers",
            sum(c.header_bytes for c in counts),
            "archive gateway",
        ),
        ByteCount(
            "packet_headers",
            "Ethernet, IPv4 and TCP headers",
            frame_bytes(packets),
            f"{packets} packets of {PACKET_HEADERS} header bytes each",
            Provenance.ESTIMATED,
        ),
        ByteCount(
            "tunnel_framing",
            "SSH tunnel framing",
            sum(_framing(c) for c in counts),
            "sent on the gateway's own connection, less what it carried"
            if measured
            else f"{SSH_FRAMING} bytes for every {SSH_MESSAGE} carried",
            Provenance.MEASURED if measured else Provenance.ASSUMED,
        ),
        ByteCount(
            "own_session",
            "forerun's own looking",
            sum(_session(c) for c in counts),
            "sent on forerun's other connection",
        ),
    )


def _compare(name: str, left: int, right: int, assumption: str, *, any_: bool) -> Comparison:
    if not any_:
        return Comparison(name, None, None, None, None, LIMIT, None, assumption)
    difference = left - right
    share = difference / right if right else float(difference != 0)
    return Comparison(name, left, right, difference, share, LIMIT, abs(share) <= LIMIT, assumption)


def _compare_all(steps: Steps) -> tuple[Comparison, ...]:
    counts = [count for _, count in steps]
    plan = [c for c in counts if min(c.planned_bytes, c.fetched_bytes) >= 0]
    served = [c for c in counts if min(c.fetched_bytes, c.gateway_bytes) >= 0]
    source = [
        c
        for c in counts
        if min(c.outside_bytes, c.cached_bytes, c.gateway_bytes, c.index_bytes) >= 0
    ]
    return (
        _compare(
            "Planned against fetched",
            sum(c.planned_bytes for c in plan),
            sum(c.fetched_bytes for c in plan),
            "Both leave out indexes and headers.",
            any_=bool(plan),
        ),
        _compare(
            "Gateway's package bodies against fetched",
            sum(c.gateway_bytes for c in served),
            sum(c.fetched_bytes for c in served),
            "A package fetched twice, or one already on the clone, shows here.",
            any_=bool(served),
        ),
        _compare(
            "From outside and from the cache against all bodies served",
            sum(c.outside_bytes + c.cached_bytes for c in source),
            sum(c.gateway_bytes + c.index_bytes for c in source),
            "Each body byte the gateway served came from one of the two.",
            any_=bool(source),
        ),
        _compare_wire(steps),
    )


def _compare_wire(steps: Steps) -> Comparison:
    counts = _on_wire(steps)
    packets = sum(c.wire_packets for c in counts)
    bodies = sum(_carried(c) + _framing(c) + _session(c) for c in counts)
    wire = sum(c.wire_bytes for c in counts)
    assumption = (
        f"Every packet has {PACKET_HEADERS} header bytes (14 Ethernet, 20 IPv4, 20 TCP) and "
        f"the tunnel's framing and forerun's own session are as named above. What is left over "
        f"is the outside looks at services and what was sent twice."
    )
    if wire:
        other = (bodies + frame_bytes(packets, timestamps=True) - wire) / wire
        assumption += (
            f" With TCP timestamps ({PACKET_HEADERS_TIMESTAMPS} header bytes) the difference "
            f"would be {say_share(other)}."
        )
    return _compare(
        "Bodies, headers and framing against the wire",
        bodies + frame_bytes(packets),
        wire,
        assumption,
        any_=bool(counts),
    )
