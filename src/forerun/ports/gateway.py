"""The archive gateway: the clone's only way to package archives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class GatewayReading:
    """Counters since the gateway started, in bytes. `packages` and `indexes` are body
    bytes served; `outside` body bytes fetched from outside; `cached` body bytes served
    without asking outside; `headers` response header bytes sent; `refused` requests
    turned away (off the allow-list or not a plain GET/HEAD)."""

    requests: int = 0
    packages: int = 0
    indexes: int = 0
    outside: int = 0
    cached: int = 0
    headers: int = 0
    refused: int = 0


@dataclass(frozen=True, slots=True)
class UrlMeter:
    """What one URL cost: requests, body bytes served, body bytes fetched outside."""

    url: str
    requests: int
    served_bytes: int
    outside_bytes: int
    refused: int = 0


class Gateway(Protocol):
    """A running gateway; a context manager in its real form."""

    @property
    def port(self) -> int:
        """The loopback port it listens on."""
        ...

    def reading(self) -> GatewayReading:
        """The counters now."""
        ...

    def meters(self) -> tuple[UrlMeter, ...]:
        """One row for each URL asked for."""
        ...
