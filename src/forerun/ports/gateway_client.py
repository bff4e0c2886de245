"""Asks a running gateway for one file, as a clone would."""

from __future__ import annotations

import http.client
from collections.abc import Callable

_BLOCK = 1 << 16


def ask_gateway(port: int, url: str, *, timeout_s: float) -> tuple[int, str]:
    """(status, reason text) of a GET through the gateway; (0, why) without an answer.

    The whole body is read, so that the gateway can keep it."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout_s)
    try:
        link.request("GET", url)
        answer = link.getresponse()
        body = answer.read()
        text = body[:300].decode("utf-8", "replace").strip() if answer.status >= 400 else ""
        return answer.status, text
    except (OSError, http.client.HTTPException) as problem:
        return 0, str(problem) or type(problem).__name__
    finally:
        link.close()


def stream_from_gateway(
    port: int, url: str, write: Callable[[bytes], object], *, most_bytes: int, timeout_s: float
) -> tuple[int, str]:
    """As `ask_gateway`, but the body goes to `write` block by block.

    (0, why) also where it is longer than `most_bytes` or ends early; `timeout_s` holds
    for each wait, not for the whole."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout_s)
    got = 0
    try:
        link.request("GET", url)
        answer = link.getresponse()
        if answer.status != 200:
            return answer.status, answer.read(300).decode("utf-8", "replace").strip()
        length = answer.length
        while block := answer.read(_BLOCK):
            got += len(block)
            if got > most_bytes:
                return 0, f"longer than the {most_bytes} bytes that were to come"
            write(block)
        if length is not None and got < length:  # read() with a size does not complain
            return 0, f"the connection ended after {got} of {length} bytes"
        return 200, ""
    except (OSError, http.client.HTTPException) as problem:
        return 0, str(problem) or type(problem).__name__
    finally:
        link.close()
