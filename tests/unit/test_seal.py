"""Whether a clone is sealed: what is concluded from what its tries say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.errors import SealBroken
from forerun.model.observation import WayEnd, WayTried
from forerun.ports.ssh import ExecResult
from forerun.stages.seal import check_sealed, judge_try, try_ways
from forerun.stages.seal_program import (
    CONTROL_GATEWAY,
    CONTROL_ICMP,
    CONTROL_TCP,
    CONTROL_UDP,
    GATEWAY_S,
    Seen,
)
from forerun.stages.seal_ways import WayOut, list_ways, make_way_to_canary
from forerun.testing import FakeCanary, FakeClock, FakeGuest, check_canary

WAYS = list_ways(FakeCanary(), gateway_port=3128, clone_ports=(40022,))
NUMBERS = range(len(WAYS))
REFUSAL = (
    b"HTTP/1.1 403 Forbidden\r\nVia: 1.1 forerun\r\n\r\nforerun: refused: it is off the list\n"
)
PASSED_ON = b"HTTP/1.1 404 Not Found\r\n\r\nforerun: the archive answered with status 404\n"
CONTROLS = {
    CONTROL_TCP: Seen("connected"),
    CONTROL_UDP: Seen("answered", b"forerun-seal"),
    CONTROL_ICMP: Seen("answered", b"forerun-seal"),
    CONTROL_GATEWAY: Seen("answered", PASSED_ON),
}
SHUT: dict[str, Seen] = {
    **CONTROLS,
    **{
        str(number): Seen("answered", REFUSAL) if way.protocol == "http" else Seen("silent")
        for number, way in enumerate(WAYS)
    },
}
TCP = WayOut("a way", "203.0.113.1", 80)
UDP = replace(TCP, protocol="udp")
ICMP = replace(TCP, protocol="icmp", port=0)
HTTP = replace(TCP, protocol="http")


def tell(seen: Mapping[str, Seen]) -> str:
    return "".join(f"{name} {saw.state} {saw.got.hex()}\n" for name, saw in seen.items())


def make_guest(seen: Mapping[str, Seen]) -> FakeGuest:
    return FakeGuest(FakeClock(), answers={"perl - ": tell(seen)})


def judge(
    way: WayOut, saw: Seen, *, reached: bool = False, controls: Mapping[str, Seen] = CONTROLS
) -> tuple[WayEnd, str]:
    tried = judge_try(way, saw, controls, FakeCanary(), reached=reached)
    assert (tried.name, tried.address, tried.protocol, tried.port) == (
        way.name, way.address, way.protocol, way.port,
    )  # fmt: skip
    return tried.result, tried.detail


def test_a_sealed_clone_passes_with_every_attempt_listed() -> None:
    """All in their order, each with its result and what was seen: that is the evidence."""
    tried = try_ways(make_guest(SHUT), WAYS, FakeCanary())
    assert [one.name for one in tried] == [way.name for way in WAYS]
    assert {one.result for one in tried} == {WayEnd.CLOSED, WayEnd.REFUSED}
    assert all(one.detail for one in tried)
    check_sealed(tried)


@pytest.mark.parametrize("number", NUMBERS)
def test_one_open_way_stops_everything(number: int) -> None:
    """Whichever it is, it is named; the attempts are there for the record."""
    state = {"tcp": "connected", "udp": "answered", "icmp": "answered"}
    got = Seen(state.get(WAYS[number].protocol, "answered"), b"HTTP/1.1 200 OK\r\n\r\n")
    tried = try_ways(make_guest({**SHUT, str(number): got}), WAYS, FakeCanary())
    assert [one.result is WayEnd.OPEN for one in tried] == [n == number for n in NUMBERS]
    with pytest.raises(SealBroken, match="can reach out") as caught:
        check_sealed(tried)
    assert caught.value.exit_code == 38
    assert WAYS[number].label() in caught.value.found


@pytest.mark.parametrize("number", NUMBERS)
def test_the_canary_is_believed_before_the_clone(number: int) -> None:
    """A clone that saw nothing may still have got through."""
    tried = try_ways(make_guest(SHUT), WAYS, FakeCanary({number}))
    assert [one.result is WayEnd.OPEN for one in tried] == [n == number for n in NUMBERS]
    assert "canary" in tried[number].detail


@pytest.mark.parametrize("number", NUMBERS)
def test_a_way_without_a_result_proves_nothing(number: int) -> None:
    """Silence of the program is no proof: what is missing is named."""
    told = {name: saw for name, saw in SHUT.items() if name != str(number)}
    with pytest.raises(SealBroken, match="could not be proved") as caught:
        try_ways(make_guest(told), WAYS, FakeCanary())
    assert WAYS[number].label() in caught.value.found


@pytest.mark.parametrize("name", [CONTROL_TCP, CONTROL_GATEWAY])
@pytest.mark.parametrize("saw", [None, Seen("silent"), Seen("failed-ECONNREFUSED")])
def test_without_its_controls_nothing_is_proved(name: str, saw: Seen | None) -> None:
    """Where even the clone's own service or the gateway is not reached, no failed try means
    anything."""
    told = {key: value for key, value in SHUT.items() if key != name}
    if saw:
        told[name] = saw
    with pytest.raises(SealBroken, match="could not be proved") as caught:
        try_ways(make_guest(told), WAYS, FakeCanary())
    assert caught.value.exit_code == 38
    assert caught.value.found


def test_the_gateway_must_really_have_passed_the_control_on() -> None:
    """Whatever it answered: the canary has not been asked."""
    with pytest.raises(SealBroken, match="could not be proved") as caught:
        try_ways(make_guest(SHUT), WAYS, FakeCanary(asked=False))
    assert "passes on" in caught.value.wanted


def test_a_clone_without_the_program_proves_nothing() -> None:
    """What its shell says is in the message."""
    guest = FakeGuest(
        FakeClock(), answers={"perl - ": ExecResult(127, b"", b"sh: 1: perl: not found\n")}
    )
    with pytest.raises(SealBroken, match="could not be proved") as caught:
        try_ways(guest, WAYS, FakeCanary())
    assert "perl: not found" in caught.value.found


@pytest.mark.parametrize("protocol", ["tcp", "http"])
def test_what_certainly_listens_must_have_been_tried(protocol: str) -> None:
    """Where none of the tries of the canary could be made, the others prove too little."""
    told = dict(SHUT)
    for number, way in enumerate(WAYS):
        if way.protocol == protocol and way.port == FakeCanary().port:
            told[str(number)] = Seen("failed-EPERM")
    with pytest.raises(SealBroken, match="could not be proved") as caught:
        try_ways(make_guest(told), WAYS, FakeCanary())
    assert "listens" in caught.value.wanted


@pytest.mark.parametrize(
    ("way", "state", "result", "detail"),
    [
        (TCP, "connected", WayEnd.OPEN, "connected"),
        (TCP, "silent", WayEnd.CLOSED, "no answer in 4 s"),
        (TCP, "failed-ECONNREFUSED", WayEnd.CLOSED, "refused"),
        (TCP, "failed-EHOSTUNREACH", WayEnd.CLOSED, "unreachable"),
        (TCP, "failed-ENETUNREACH", WayEnd.NOT_TRIED, "no route could be laid"),
        (TCP, "failed-EAFNOSUPPORT", WayEnd.NOT_TRIED, "the clone has no IPv6"),
        (UDP, "failed-EPERM", WayEnd.NOT_TRIED, "the clone's own packet filter forbids it"),
        (UDP, "failed-ENOBUFS", WayEnd.NOT_TRIED, "ENOBUFS"),
        (UDP, "answered", WayEnd.OPEN, "answered"),
        (UDP, "silent", WayEnd.CLOSED, "no answer in 4 s"),
        (ICMP, "answered", WayEnd.OPEN, "answered"),
        (ICMP, "failed-EPROTONOSUPPORT", WayEnd.NOT_TRIED, "the clone has no such protocol"),
    ],
)
def test_a_packets_fate_is_read_as_errno_3_has_it(
    way: WayOut, state: str, result: WayEnd, detail: str
) -> None:
    """errno(3), connect(2), udp(7): what failed on the clone itself was not tried, and is
    never told as closed."""
    assert judge(way, Seen(state)) == (result, detail)


@pytest.mark.parametrize(
    ("way", "control"), [(UDP, CONTROL_UDP), (ICMP, CONTROL_ICMP)], ids=["udp", "icmp"]
)
@pytest.mark.parametrize("saw", [None, Seen("silent"), Seen("failed-EPERM")])
def test_silence_means_nothing_where_the_control_is_silent(
    way: WayOut, control: str, saw: Seen | None
) -> None:
    """Not tried, and why; an answer is an answer all the same."""
    controls = {name: seen for name, seen in CONTROLS.items() if name != control}
    if saw:
        controls[control] = saw
    result, detail = judge(way, Seen("silent"), controls=controls)
    assert result is WayEnd.NOT_TRIED
    assert "was not heard" in detail
    assert judge(way, Seen("answered"), controls=controls)[0] is WayEnd.OPEN
    assert judge(TCP, Seen("silent"), controls=controls)[0] is WayEnd.CLOSED


def test_a_tftp_error_is_no_way_out_and_a_file_is() -> None:
    """RFC 1350, 5: opcode 5 is ERROR, 3 is DATA. QEMU's user network says ERROR 2 itself,
    also on a sealed link, when it serves no files."""
    tftp = replace(UDP, address="10.0.2.2", port=69)
    error = b"\0\x05\0\x02Access violation\0"
    assert judge(tftp, Seen("answered", error)) == (
        WayEnd.CLOSED, "the user network says: Access violation",
    )  # fmt: skip
    assert judge(tftp, Seen("answered", b"\0\x03\0\x01text"))[0] is WayEnd.OPEN
    assert judge(UDP, Seen("answered", error))[0] is WayEnd.OPEN


MALFORMED = b"HTTP/1.1 400 Bad Request\r\nServer: x\r\n\r\nBad\n"
UNREACHED = b"HTTP/1.1 503 Service Unavailable\r\n\r\nforerun: The archive cannot be reached.\n"
REDIRECT = b"HTTP/1.1 502 Bad Gateway\r\n\r\nforerun: refused: The archive redirects elsewhere.\n"


@pytest.mark.parametrize(
    ("got", "result"),
    [
        (REFUSAL, WayEnd.REFUSED),
        (MALFORMED, WayEnd.REFUSED),
        (REDIRECT, WayEnd.REFUSED),
        # An archive was asked, whatever it said:
        (PASSED_ON, WayEnd.OPEN),
        (UNREACHED, WayEnd.OPEN),
        (b"HTTP/1.1 200 OK\r\n\r\nforerun: refused: says the page\n", WayEnd.OPEN),
        (b"HTTP/1.1 200 Connection established\r\n\r\n", WayEnd.OPEN),
        (b"HTTP/1.1 301 Moved\r\nLocation: http://x.example/\r\n\r\n", WayEnd.OPEN),
        # A refusal, and then something else after all:
        (REFUSAL + b"HTTP/1.1 200 OK\r\n\r\nx", WayEnd.OPEN),
    ],
)
def test_only_the_gateways_own_refusal_is_one(got: bytes, result: WayEnd) -> None:
    """RFC 9110, 15: the status says who answered; a proxy that failed has tried."""
    found, detail = judge(HTTP, Seen("answered", got))
    assert found is result
    assert detail


def test_a_gateway_that_does_not_refuse_may_be_asking_outside() -> None:
    """No answer at all is no refusal; a connection that could not be had is no try."""
    for state in ("waiting", "silent"):
        found, detail = judge(HTTP, Seen(state))
        assert found is WayEnd.OPEN
        assert str(GATEWAY_S) in detail
    for state in ("ended", "failed-ECONNREFUSED"):
        assert judge(HTTP, Seen(state))[0] is WayEnd.NOT_TRIED


def test_a_request_behind_an_allowed_one_is_refused_or_never_answered() -> None:
    """The first answer is the allowed one's. A second answer must be a refusal."""
    behind = replace(HTTP, behind=True)
    assert judge(behind, Seen("answered", PASSED_ON + REFUSAL))[0] is WayEnd.REFUSED
    assert judge(behind, Seen("answered", MALFORMED))[0] is WayEnd.REFUSED
    assert judge(behind, Seen("answered", PASSED_ON))[0] is WayEnd.CLOSED
    for second in (b"HTTP/1.1 200 OK\r\n\r\nx", b"HTTP/1.1 302 Found\r\n\r\n"):
        assert judge(behind, Seen("answered", PASSED_ON + second))[0] is WayEnd.OPEN


@given(st.sampled_from(WAYS), st.binary(max_size=60), st.binary(max_size=60))
def test_the_canarys_word_is_never_overlooked(way: WayOut, before: bytes, after: bytes) -> None:
    """Wherever it stands in an answer, and however that looks."""
    got = before + FakeCanary().word.encode() + after
    assert judge(way, Seen("answered", got))[0] is WayEnd.OPEN


@given(
    st.sampled_from(WAYS),
    st.sampled_from(["connected", "answered", "silent", "waiting", "ended", "failed-EIO"]),
    st.one_of(st.binary(max_size=300), st.sampled_from([REFUSAL, PASSED_ON, MALFORMED])),
)
def test_every_end_is_one_of_the_four_and_says_why(way: WayOut, state: str, got: bytes) -> None:
    """Whatever a clone says: never an exception; what is said is fit for a terminal."""
    result, detail = judge(way, Seen(state, got))
    assert result in WayEnd
    assert detail and detail.isprintable() and len(detail) < 400


def test_a_way_that_is_not_there_is_told_as_not_tried() -> None:
    """With the reason; the program is not bothered with it."""
    ways = list_ways(FakeCanary(), gateway_port=3128, clone_ports=())
    (number,) = [n for n, way in enumerate(ways) if way.why_not]
    told = {**CONTROLS, **{
        str(n): Seen("answered", REFUSAL) if way.protocol == "http" else Seen("silent")
        for n, way in enumerate(ways) if n != number
    }}  # fmt: skip
    tried = try_ways(make_guest(told), ways, FakeCanary())
    assert (tried[number].result, tried[number].detail) == (
        WayEnd.NOT_TRIED, "no other clone is there",
    )  # fmt: skip
    check_sealed(tried)


def test_a_single_way_can_be_tried_alone() -> None:
    """As a test does that may let nothing else out."""
    canary = FakeCanary({0})
    ways = (make_way_to_canary(canary, 0),)
    tried = try_ways(make_guest({**CONTROLS, "0": Seen("connected")}), ways, canary)
    with pytest.raises(SealBroken) as caught:
        check_sealed(tried)
    assert caught.value.found.startswith(ways[0].label())


def test_a_label_names_what_lies_there() -> None:
    """Protocol and port, where there is one; whether the gateway was asked."""
    assert WayTried("the lab host", "10.0.2.2", "tcp", 3128).label() == (
        "the lab host (10.0.2.2, tcp 3128)"
    )
    assert WayTried("far", "203.0.113.1", "icmp", 0).label() == "far (203.0.113.1, icmp)"
    assert WayTried("a CONNECT", "203.0.113.1", "http", 25).label() == (
        "a CONNECT (203.0.113.1, http 25, through the gateway)"
    )


def test_the_fake_canary_keeps_the_contract() -> None:
    """What these tests rely on looks as the real one does."""
    check_canary(FakeCanary())
