"""Public fakes of the clone, of time and of the canary; `forerun.testing` gives them out too."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from forerun.errors import CloneUnreachable
from forerun.model.blueprint import AllowedArchive
from forerun.ports.guest import SessionNews, Waiting
from forerun.ports.ssh import ExecResult, Room

FIRST_PID = 1000
USUAL_ROOM = Room(10_000_000_000, 2_000_000_000, 8_000_000_000)


class FakeClock:
    """A clock that moves only when somebody sleeps; its day begins at `start`."""

    def __init__(self, start: datetime = datetime(2026, 1, 31, 22, 0, tzinfo=UTC)) -> None:
        self._start = start
        self.at_s = 0.0

    def now(self) -> datetime:
        """The start and what was slept since."""
        return self._start + timedelta(seconds=self.at_s)

    def monotonic(self) -> float:
        """Seconds slept so far."""
        return self.at_s

    def sleep(self, seconds: float) -> None:
        """Move on without waiting."""
        self.at_s += seconds


@dataclass(frozen=True, slots=True)
class FakeTurn:
    """One turn of a session: `text` appears `after_s` seconds after the turn before it.
    `waits` names the process that then waits for keys; `exit_code` ends the session."""

    text: str = ""
    after_s: float = 0.0
    waits: str = ""
    exit_code: int | None = None


@dataclass(slots=True)
class _Played:
    """A session that runs: what is still to come, and what has been shown."""

    turns: list[FakeTurn]
    due_s: float
    shown: bytes = b""
    waiting: Waiting | None = None
    exit_code: int | None = None
    pid: int = FIRST_PID
    typed: list[str] = field(default_factory=list)

    def advance(self, now_s: float) -> None:
        """Show all that is due by now."""
        while self.turns and self.waiting is None and now_s >= self.due_s:
            turn = self.turns.pop(0)
            self.shown += turn.text.encode("utf-8")
            if turn.waits:
                self.pid += 1
                self.waiting = Waiting(self.pid, turn.waits)
            self.exit_code = turn.exit_code
            if self.turns:
                self.due_s += self.turns[0].after_s

    def take_keys(self, keys: str, now_s: float) -> None:
        """Keys end the wait, and the next turn counts from now."""
        self.typed.append(keys)
        self.waiting = None
        self.due_s = now_s + (self.turns[0].after_s if self.turns else 0.0)


Answer = str | ExecResult | Callable[[str], ExecResult]


class FakeGuest:
    """A clone that exists as a table of files, of answers and of session turns.

    `answers` maps a part of a script to its standard output, its whole result, or a
    function that makes it; the first part found in a script answers, anything else ends
    with exit code 0 and no output. `sessions` maps a session's name to its turns; a
    session without any ends at once, well. While `lost` is true every request raises
    CloneUnreachable."""

    def __init__(
        self,
        clock: FakeClock,
        *,
        files: Mapping[str, bytes] | None = None,
        answers: Mapping[str, Answer] | None = None,
        sessions: Mapping[str, Sequence[FakeTurn]] | None = None,
        room: Room = USUAL_ROOM,
    ) -> None:
        self.clock = clock
        self.files = dict(files or {})
        self.answers = dict(answers or {})
        self.sessions = dict(sessions or {})
        self.disk = room
        self.lost = False
        self.reattached = 0
        self.ran: list[str] = []
        self.started: list[tuple[str, str, dict[str, str]]] = []
        self.ended: list[str] = []
        self.modes: dict[str, int] = {}
        self._played: dict[str, _Played] = {}

    def _ask(self) -> None:
        if self.lost:
            raise CloneUnreachable("The clone did not answer over SSH.", where="fake")

    def connect(self, *, patience_s: float, alive: Callable[[], bool] = lambda: True) -> None:
        """A lost clone is waited for in vain, until the patience ends or it is gone."""
        if self.lost and alive():
            self.clock.sleep(patience_s)
        self._ask()

    def ensure_gateway(self) -> None:
        """A fake's gateway is always there."""

    def hang_up(self) -> None:
        """There is no connection to end."""
        self._ask()

    def sent_bytes(self) -> tuple[int, int]:
        """Nothing travels to a fake."""
        return 0, 0

    def close(self) -> None:
        """There is no connection to end."""

    def run(self, script: str, *, timeout_s: float) -> ExecResult:
        """The table's answer; the script is noted."""
        self._ask()
        self.ran.append(script)
        for part, answer in self.answers.items():
            if part in script:
                if isinstance(answer, str):
                    return ExecResult(0, answer.encode("utf-8"), b"")
                return answer if isinstance(answer, ExecResult) else answer(script)
        return ExecResult(0, b"", b"")

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        """Bytes of a file in the table."""
        self._ask()
        if path not in self.files:
            raise FileNotFoundError(path)
        return self.files[path][offset : offset + limit]

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        """Put a file into the table."""
        self._ask()
        self.files[path] = content
        self.modes[path] = mode

    def room(self, path: str) -> Room:
        """The one file system there is."""
        self._ask()
        return self.disk

    def start_session(self, name: str, script: str, environment: dict[str, str]) -> None:
        """Begin the turns of that session."""
        self._ask()
        self.started.append((name, script, dict(environment)))
        turns = list(self.sessions.get(name, (FakeTurn(exit_code=0),)))
        due_s = self.clock.monotonic() + (turns[0].after_s if turns else 0.0)
        self._played[name] = _Played(turns, due_s)

    def read_session(self, name: str, offset: int) -> SessionNews:
        """What has been shown by now."""
        self._ask()
        played = self._played[name]
        played.advance(self.clock.monotonic())
        return SessionNews(played.shown[offset:], len(played.shown), played.exit_code)

    def find_waiting(self, name: str) -> Waiting | None:
        """The process of the turn that waits."""
        self._ask()
        return self._played[name].waiting

    def list_processes(self, name: str) -> tuple[str, ...]:
        """One process for each session: its script."""
        self._ask()
        return (f"1 S 00:01 {name}",) if self._played[name].exit_code is None else ()

    def type_keys(self, name: str, keys: str) -> None:
        """Give the waiting turn its keys."""
        self._ask()
        self._played[name].take_keys(keys, self.clock.monotonic())

    def typed(self, name: str) -> list[str]:
        """All keys that were typed into a session."""
        return self._played[name].typed

    def end_session(self, name: str) -> None:
        """Note that the session was ended."""
        self._ask()
        self.ended.append(name)


class FakeCanary:
    """A canary that was reached by the ways it is told, and asked or not."""

    def __init__(
        self, reached: Collection[int] = (), *, asked: bool = True, port: int = 40404
    ) -> None:
        self.port = port
        self.nonce = "0123456789abcdef"
        self.word = "fedcba9876543210"
        self._reached = frozenset(reached)
        self._asked = asked

    def entry(self) -> AllowedArchive:
        """The open part."""
        return AllowedArchive("http", "127.0.0.1", self.port, f"/open-{self.nonce}")

    def reached(self) -> frozenset[int]:
        """What it was told."""
        return self._reached

    def was_asked(self) -> bool:
        """What it was told."""
        return self._asked
