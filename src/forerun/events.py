"""Typed progress events and the Protocol of their sinks.

Stages emit events; they never print. A sink may draw them, append them to a file or
drop them, and must not raise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class PhaseStarted:
    """A phase of the whole command began ("survey", "template", "clone", ...)."""

    at_s: float
    phase: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class PhaseFinished:
    """A phase ended after `took_s` seconds."""

    at_s: float
    phase: str
    took_s: float
    detail: str = ""


@dataclass(frozen=True, slots=True)
class StepStarted:
    """A step of the procedure began; `expected_s` from earlier runs, 0 = unknown."""

    at_s: float
    stage: str
    step: str
    title: str
    number: int
    of: int
    expected_s: float = 0.0


@dataclass(frozen=True, slots=True)
class StepOutput:
    """A line appeared on the step's terminal."""

    at_s: float
    step: str
    line: str


@dataclass(frozen=True, slots=True)
class StepFinished:
    """A step ended."""

    at_s: float
    step: str
    end: str
    wall_s: float
    message: str = ""


@dataclass(frozen=True, slots=True)
class PromptSeen:
    """A process waits for an answer, or was given one."""

    at_s: float
    step: str
    text: str
    declared: bool
    answer: str


@dataclass(frozen=True, slots=True)
class Notice:
    """Something a person should read; `level` is "note", "caution" or "fault"."""

    at_s: float
    level: str
    text: str


Event = PhaseStarted | PhaseFinished | StepStarted | StepOutput | StepFinished | PromptSeen | Notice


class Sink(Protocol):
    """Receives events in order."""

    def emit(self, event: Event) -> None:
        """Take one event; never raises."""
        ...

    def close(self) -> None:
        """No more events will come."""
        ...


class Discard:
    """A sink that drops everything."""

    def emit(self, event: Event) -> None:
        """Drop the event."""

    def close(self) -> None:
        """Nothing to close."""


class Fan:
    """Hands every event to several sinks."""

    def __init__(self, *sinks: Sink) -> None:
        self._sinks = sinks

    def emit(self, event: Event) -> None:
        """Hand the event to each sink in turn."""
        for sink in self._sinks:
            sink.emit(event)

    def close(self) -> None:
        """Close each sink."""
        for sink in self._sinks:
            sink.close()
