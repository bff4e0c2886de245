"""Asks a running gateway for one file, as a clone would."""

from __future__ import annotations

import http.client


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
