"""One step's terminal session: its output, its prompts, its end.

A prompt is found by a process that reads its terminal, never by silence: some steps are
quiet for 15 s and more. What to type comes from the declared rules; what no rule knows
is recorded and answered by policy.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from forerun.events import PromptSeen, Sink, StepOutput
from forerun.model.observation import PromptMet, StepEnd
from forerun.model.profile import PromptRule, UnknownPrompt
from forerun.model.terminal_text import clean_terminal_text
from forerun.ports.clock import Clock
from forerun.ports.guest import Guest, Waiting
from forerun.profiles import match_prompt

POLL_S = 0.7
LOOK_AFTER_S = 1.2  # a wait is looked for once the terminal has been quiet this long
LOOK_AGAIN_S = 3.0  # each look reads files of every process of the step
REPEATS_UNKNOWN = 3  # a bare Enter that brings the same text back is no answer
TAIL_LINES = 25
# A step may talk without end: of its text the last part is kept, and a question is looked
# for in less. A whole upgrade of 250 packages says 400 kB.
MOST_TEXT = 16 << 20
MOST_QUESTION = 1 << 18

# What stands before a question without belonging to it: script(1)'s first line, and the
# package manager's progress.
_PROGRESS = re.compile(
    r"(?:Script started on |Get:|Hit:|Fetched |Preparing to unpack |Unpacking |Setting up "
    r"|Selecting |Removing |Processing triggers |Installing new version |\(Reading database )"
)

AskPerson = Callable[[str, str], str | None]


@dataclass(frozen=True, slots=True)
class PromptPolicy:
    """What to answer: the site's rules come first, then the profile's, then `unknown`.

    `ask` puts a question to a person and returns what to type, or None to stop.
    """

    site_rules: tuple[PromptRule, ...]
    profile_rules: tuple[PromptRule, ...]
    unknown: UnknownPrompt
    quiet_s: float
    ask: AskPerson | None = None


@dataclass(frozen=True, slots=True)
class SessionEnd:
    """How the session ended."""

    end: StepEnd
    exit_code: int
    message: str
    last_lines: tuple[str, ...]
    quiet_longest_s: float
    text: str


@dataclass(frozen=True, slots=True)
class _Answer:
    keys: str
    rule: str
    answered_by: str
    why: str
    declared: bool


@dataclass(slots=True)
class _Watch:
    """What has been seen so far."""

    offset: int = 0
    text: str = ""
    since_answer: str = ""
    last_news_s: float = 0.0
    quiet_longest_s: float = 0.0
    waiting: Waiting | None = None
    waiting_since_s: float = 0.0
    looked_s: float = 0.0
    met: dict[tuple[str, str], int] = field(default_factory=dict)


class StepSession:
    """Runs one step's script in a detached session and sees it through."""

    def __init__(
        self,
        guest: Guest,
        *,
        name: str,
        policy: PromptPolicy,
        clock: Clock,
        sink: Sink,
        origin_s: float,
        transcript: Callable[[bytes], None],
        between: Callable[[], None] = lambda: None,
    ) -> None:
        self._guest = guest
        self._name = name
        self._policy = policy
        self._clock = clock
        self._sink = sink
        self._origin = origin_s
        self._transcript = transcript
        self._between = between
        self._watch = _Watch()
        self.prompts: list[PromptMet] = []

    def run(
        self, script: str, environment: dict[str, str], *, allowed_s: float, exits: Sequence[int]
    ) -> SessionEnd:
        """Start the script and follow it to its end, its time limit or a stop."""
        self._guest.start_session(self._name, script, environment)
        began = self._watch.last_news_s = self._clock.monotonic()
        while True:
            news = self._guest.read_session(self._name, self._watch.offset)
            self._take(news.text)
            self._watch.offset = news.offset
            if news.exit_code is not None:
                return self._finish(news.exit_code, exits)
            stop = self._look_for_prompt()
            if stop:
                self._guest.end_session(self._name)
                return self._end(StepEnd.STOPPED, -1, stop)
            if self._clock.monotonic() - began > allowed_s:
                running = self._guest.list_processes(self._name)
                self._guest.end_session(self._name)
                message = f"not finished in the {allowed_s:.0f} s allowed"
                return self._end(StepEnd.OVERRAN, -1, message, running)
            self._between()
            self._clock.sleep(POLL_S)

    def _take(self, new: bytes) -> None:
        now = self._clock.monotonic()
        quiet = now - self._watch.last_news_s
        if not new:
            return
        if self._watch.waiting is None:  # waiting for an answer is not the step's silence
            self._watch.quiet_longest_s = max(self._watch.quiet_longest_s, quiet)
        self._watch.waiting = None
        self._watch.last_news_s = now
        self._transcript(new)
        text = new.decode("utf-8", "replace")
        self._watch.text = (self._watch.text + text)[-MOST_TEXT:]
        self._watch.since_answer = (self._watch.since_answer + text)[-MOST_QUESTION:]
        lines = [line for line in clean_terminal_text(text).splitlines() if line.strip()]
        if lines:
            self._sink.emit(StepOutput(now - self._origin, self._name, lines[-1][:300]))

    def _look_for_prompt(self) -> str:
        """Answer a prompt if there is one; a non-empty text says why to stop."""
        now = self._clock.monotonic()
        quiet = now - self._watch.last_news_s
        if quiet < LOOK_AFTER_S:
            return ""
        text = clean_terminal_text(self._watch.since_answer)
        rule, owner = self._find_rule(text)
        if rule is None:  # most silences are work
            patient = now - self._watch.looked_s < LOOK_AGAIN_S and self._watch.waiting is None
            if quiet < self._policy.quiet_s or patient:
                return ""
        self._watch.looked_s = now
        waiting = self._guest.find_waiting(self._name)
        if waiting is None:
            self._watch.waiting = None
            return ""
        if self._watch.waiting != waiting:
            self._watch.waiting = waiting
            self._watch.waiting_since_s = self._watch.last_news_s
            if rule is None:  # a process that works may be caught reading once, not twice
                return ""
        return self._meet(rule, owner, text, waiting)

    def _find_rule(self, text: str) -> tuple[PromptRule | None, str]:
        rule = match_prompt(self._policy.site_rules, text)
        if rule is not None:
            return rule, "site"
        return match_prompt(self._policy.profile_rules, text), "profile"

    def _meet(self, rule: PromptRule | None, owner: str, text: str, waiting: Waiting) -> str:
        question = _take_question(text)
        key = (rule.name if rule else "", question)
        count = self._watch.met[key] = self._watch.met.get(key, 0) + 1
        cap = rule.most if rule else REPEATS_UNKNOWN
        if count > cap:
            self._record(question, waiting, _Answer("", key[0], "nobody", "", rule is not None))
            return f"the same question came back {cap} times in spite of the answer"
        if rule is not None:
            keys = rule.answer if rule.raw else rule.answer + "\n"
            answer = _Answer(keys, rule.name, owner, rule.why, True)
        else:
            decided = self._decide_unknown(question, waiting)
            if decided is None:
                self._record(question, waiting, _Answer("", "", "nobody", "", False))
                return f"a question nobody declared ({waiting.process}): {question[-160:]!r}"
            answer = decided
        self._guest.type_keys(self._name, answer.keys)
        self._record(question, waiting, answer)
        self._watch.since_answer = ""
        self._watch.waiting = None
        self._watch.last_news_s = self._clock.monotonic()
        return ""

    def _decide_unknown(self, question: str, waiting: Waiting) -> _Answer | None:
        if self._policy.unknown is UnknownPrompt.DEFAULT:
            return _Answer("\n", "", "policy", "policy `default`: a bare Enter", False)
        if self._policy.unknown is UnknownPrompt.ASK and self._policy.ask is not None:
            typed = self._policy.ask(question, waiting.process)
            if typed is not None:
                return _Answer(typed + "\n", "", "person", "", False)
        return None

    def _record(self, question: str, waiting: Waiting, answer: _Answer) -> None:
        now = self._clock.monotonic()
        met = PromptMet(
            step=self._name,
            at_s=round(self._watch.waiting_since_s - self._origin, 2),
            text=question,
            process=waiting.process,
            declared=answer.declared,
            rule=answer.rule,
            answer=answer.keys.rstrip("\n"),
            answered_by=answer.answered_by,
            waited_s=round(now - self._watch.waiting_since_s, 2),
            why=answer.why,
        )
        self.prompts.append(met)
        shown = met.answer or ("" if answer.answered_by == "nobody" else "Enter")
        self._sink.emit(PromptSeen(now - self._origin, self._name, question, met.declared, shown))

    def _finish(self, code: int, exits: Sequence[int]) -> SessionEnd:
        if code in exits:
            return self._end(StepEnd.DONE, code, "")
        wanted = " or ".join(str(exit_code) for exit_code in exits)
        return self._end(StepEnd.FAILED, code, self._explain(f"exit code {code}, wanted {wanted}"))

    def _explain(self, message: str) -> str:
        """Name a cause that everybody knows when the text says it."""
        if "No space left on device" in self._watch.text:
            return f"{message}; the disk is full (No space left on device)"
        return message

    def _end(
        self, end: StepEnd, code: int, message: str, running: Sequence[str] = ()
    ) -> SessionEnd:
        text = clean_terminal_text(self._watch.text)
        lines = [line for line in text.splitlines() if line.strip()]
        return SessionEnd(
            end,
            code,
            message,
            tuple(line[:300] for line in (*lines[-TAIL_LINES:], *_say_running(running))),
            round(self._watch.quiet_longest_s, 2),
            text,
        )


def _say_running(processes: Sequence[str]) -> tuple[str, ...]:
    """What a person would look at first when a step hangs."""
    return ("still running, the newest first:", *processes[:TAIL_LINES]) if processes else ()


def _take_question(text: str) -> str:
    """The question at the end of what is on the terminal, without the progress
    before it: at most 30 lines and 2000 characters."""
    lines = [line.rstrip() for line in text.splitlines() if line.strip()]
    progress = [number for number, line in enumerate(lines) if _PROGRESS.match(line)]
    if progress and progress[-1] + 1 < len(lines):
        lines = lines[progress[-1] + 1 :]
    return "\n".join(lines[-30:])[-2000:]
