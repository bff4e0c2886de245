"""Proves from inside that a clone is sealed, before anything else is done on it.

The seal is the hypervisor's (`restrict=on`); this asks whether it holds, and whether the
one thing that the clone reaches, the archive gateway, lets nothing else through.

When: at the clone's first answer, before production's services are settled, before the
leak scan and before the first step. By then the first boot is under way: the sanitised
copy lies on the clone, and units that start by themselves may have started. For those
seconds the seal stands on the hypervisor alone, untried.

A failed try means something only if trying works. So the clone's own access service must
answer, and the gateway must pass on what it may: a request for the canary, which is on
its list for the time of the probe. For UDP and ICMP see `_explain_control`. Nobody
answers at a documentation address, sealed or not: the evidence is the canary, the
gateway's own port and other clones, which do listen. Where production's own packet filter
is already loaded on the clone it may stop a try before the link does; what the kernel
says of that is told as not tried.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

from forerun.errors import SealBroken
from forerun.model.observation import WayEnd, WayTried
from forerun.ports.canary import Canary
from forerun.ports.guest import Guest
from forerun.stages.seal_program import (
    CONTROL_GATEWAY,
    CONTROL_ICMP,
    CONTROL_TCP,
    CONTROL_UDP,
    GATEWAY_S,
    TRY_S,
    Seen,
    read_tries,
    write_tries,
)
from forerun.stages.seal_ways import WayOut, make_control_request

_LIMIT_S = 120.0
# errno(3) names. What the clone itself says before anything is on the link.
_NOT_SENT = {
    "ENETUNREACH": "no route could be laid",
    "EADDRNOTAVAIL": "the clone has no address of that family",
    "EAFNOSUPPORT": "the clone has no IPv6",
    "EPROTONOSUPPORT": "the clone has no such protocol",
    "EPERM": "the clone's own packet filter forbids it",
    "EACCES": "the clone's own rules forbid it",
}
_NO_ANSWER = {
    "ECONNREFUSED": "refused",
    "EHOSTUNREACH": "unreachable",
    "ETIMEDOUT": "no answer",
    "ECONNRESET": "reset",
}
_STATUS = re.compile(rb"HTTP/1\.[01] (\d{3}) ?([^\r\n]*)")
_OWN_REFUSAL = re.compile(rb"forerun: (refused: [^\r\n]*)")
_MALFORMED = 400


def try_ways(guest: Guest, ways: Sequence[WayOut], canary: Canary) -> tuple[WayTried, ...]:
    """Try all ways from inside, at once; what came of each, in their order.

    The canary listens and is on the gateway's list meanwhile. Raises SealBroken when
    trying itself did not work, so that nothing can be told."""
    guest.ensure_gateway()
    done = guest.run(write_tries(ways, make_control_request(canary)), timeout_s=_LIMIT_S)
    seen = read_tries(done.text())
    said = done.stderr.decode("utf-8", "replace").strip()[:200]
    _check_controls(seen, canary, said)
    reached = canary.reached()
    tried = tuple(
        judge_try(way, _find_seen(seen, way, number), seen, canary, reached=number in reached)
        for number, way in enumerate(ways)
    )
    _check_weight(ways, tried, canary)
    return tried


def check_sealed(tried: Sequence[WayTried]) -> None:
    """SealBroken, naming the ways, when one of them is open."""
    found = [
        f"{way.label()}: {way.detail}" if way.detail else way.label()
        for way in tried
        if way.result is WayEnd.OPEN
    ]
    if found:
        raise SealBroken(
            "The clone can reach out: nothing is rehearsed on it.",
            wanted="no answer to any try from inside",
            found="; ".join(found),
            hint="Look for a network of the lab host that the clone's link leads to, and at "
            "what the archive gateway lets through. The clone is removed.",
        )


def _find_seen(seen: Mapping[str, Seen], way: WayOut, number: int) -> Seen:
    found = seen.get(str(number))
    if found is None and not way.why_not:
        raise _say_unproved("every way is tried, and says so", f"nothing of {way.label()}")
    return found or Seen("")


def _check_controls(seen: Mapping[str, Seen], canary: Canary, said: str) -> None:
    access = seen.get(CONTROL_TCP)
    if access is None or access.state != "connected":
        raise _say_unproved(
            "the clone's own access service answers, so that a try means something",
            access.state if access else said or "no answer",
        )
    gateway = seen.get(CONTROL_GATEWAY, Seen("not tried"))
    if not canary.was_asked() or not gateway.got:
        raise _say_unproved(
            "the archive gateway passes on what is on its list",
            _say_answer(gateway.got) or gateway.state,
        )


def _check_weight(ways: Sequence[WayOut], tried: Sequence[WayTried], canary: Canary) -> None:
    """What certainly listens must have been tried, directly and through the gateway."""
    for protocol in ("tcp", "http"):
        aimed = [
            one
            for way, one in zip(ways, tried, strict=True)
            if way.protocol == protocol and way.port == canary.port and not way.why_not
        ]
        if aimed and all(one.result is WayEnd.NOT_TRIED for one in aimed):
            raise _say_unproved(
                "a service that listens on the lab host can be tried",
                f"{aimed[0].label()}: {aimed[0].detail}",
            )


def _say_unproved(wanted: str, found: str) -> SealBroken:
    return SealBroken(
        "It could not be proved that the clone is sealed.",
        wanted=wanted,
        found=found,
        hint="Run the rehearsal again; the clone's console log is kept in the run's folder.",
    )


def judge_try(
    way: WayOut, saw: Seen, controls: Mapping[str, Seen], canary: Canary, *, reached: bool
) -> WayTried:
    """What came of one try. `reached`: the canary met it, whatever the clone saw."""
    tried = WayTried(way.name, way.address, way.protocol, way.port)
    if way.why_not:
        return replace(tried, detail=way.why_not)
    if reached or canary.word.encode("ascii") in saw.got:
        return replace(tried, result=WayEnd.OPEN, detail="it reached the lab host's canary")
    if way.protocol == "http":
        return _judge_answer(tried, saw, behind=way.behind)
    result, detail = _judge_packet(way, saw)
    if result is WayEnd.CLOSED and (why := _explain_control(way.protocol, controls)):
        result, detail = WayEnd.NOT_TRIED, why
    return replace(tried, result=result, detail=detail)


def _judge_packet(way: WayOut, saw: Seen) -> tuple[WayEnd, str]:
    if saw.state == "connected":
        return WayEnd.OPEN, "connected"
    if saw.state == "answered":
        if way.protocol == "udp" and way.port == 69 and saw.got[:2] == b"\0\x05":
            # RFC 1350, 5: an ERROR. The user network says so itself when it serves nothing.
            return WayEnd.CLOSED, f"the user network says: {_plain(saw.got[4:])}"
        return WayEnd.OPEN, "answered"
    if saw.state == "silent":
        return WayEnd.CLOSED, f"no answer in {TRY_S} s"
    error = saw.state.removeprefix("failed-")
    if error in _NO_ANSWER:
        return WayEnd.CLOSED, _NO_ANSWER[error]
    return WayEnd.NOT_TRIED, _NOT_SENT.get(error, error)


def _explain_control(protocol: str, controls: Mapping[str, Seen]) -> str:
    """Why silence means nothing for this protocol; "" where it does. UDP is tried against
    a socket of the probe's own, ICMP against the user network, which answers an echo
    request to its own address."""
    for name, kind, what in (
        (CONTROL_UDP, "udp", "the probe's own UDP service"),
        (CONTROL_ICMP, "icmp", "the user network"),
    ):
        control = controls.get(name)
        if protocol == kind and (control is None or control.state != "answered"):
            return f"even {what} was not heard ({control.state if control else 'not tried'})"
    return ""


def _judge_answer(tried: WayTried, saw: Seen, *, behind: bool) -> WayTried:
    """What the archive gateway made of a request. Only a refusal of its own counts as one:
    a gateway that says nothing, or says that an archive failed, has asked outside."""
    statuses = [int(found[1]) for found in _STATUS.finditer(saw.got)]
    said = _say_answer(saw.got)
    if statuses and min(statuses) >= _MALFORMED:
        if statuses[-1] == _MALFORMED or _OWN_REFUSAL.search(saw.got):
            return replace(tried, result=WayEnd.REFUSED, detail=said)
        if behind:
            only = "only the allowed request was answered"
            return replace(tried, result=WayEnd.CLOSED, detail=f"{only}: {said}")
    if statuses:
        return replace(tried, result=WayEnd.OPEN, detail=f"not refused: {said}")
    if saw.state == "ended" or saw.state.startswith("failed-"):
        return replace(tried, detail=f"the gateway was not reached ({saw.state})")
    waited = f"not refused in {GATEWAY_S} s, so it may be asking outside"
    return replace(tried, result=WayEnd.OPEN, detail=waited)


def _say_answer(got: bytes) -> str:
    """The last answer of a connection in a few words; "" where there is none."""
    statuses = [f"{found[1].decode('ascii')} {_plain(found[2])}" for found in _STATUS.finditer(got)]
    if not statuses:
        return ""
    refusal = _OWN_REFUSAL.search(got)
    return f"{statuses[-1]}: {_plain(refusal[1])}" if refusal else statuses[-1].strip()


def _plain(said: bytes) -> str:
    text = said.split(b"\0")[0].decode("ascii", "replace")
    return "".join(one if " " <= one <= "~" else "?" for one in text)[:160]
