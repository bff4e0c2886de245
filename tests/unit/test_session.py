"""One step's terminal session: what is taken for a question, and what is typed at it."""

from __future__ import annotations

import pytest

from forerun.errors import CloneUnreachable
from forerun.events import Event, PromptSeen, StepOutput
from forerun.model.observation import StepEnd
from forerun.model.profile import PromptRule, UnknownPrompt
from forerun.model.terminal_text import clean_terminal_text
from forerun.ports.guest import Waiting
from forerun.stages.session import (
    REPEATS_UNKNOWN,
    TAIL_LINES,
    AskPerson,
    PromptPolicy,
    SessionEnd,
    StepSession,
)
from forerun.testing import FakeClock, FakeGuest, FakeTurn

QUIET_S = 4.0
RESTART = PromptRule("restart", r"Restart services\? \[y/n\] ?$", "y", "They must run anew.")
SITE_RESTART = PromptRule("own-restart", r"Restart services\? \[y/n\] ?$", "n", "Not here.")


class Keep:
    """A sink that keeps what it is told."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def emit(self, event: Event) -> None:
        self.events.append(event)

    def close(self) -> None:
        pass


class Scene:
    """A step on a fake clone, and everything one may look at afterwards."""

    def __init__(
        self,
        *turns: FakeTurn,
        site: tuple[PromptRule, ...] = (),
        profile: tuple[PromptRule, ...] = (),
        unknown: UnknownPrompt = UnknownPrompt.STOP,
        ask: AskPerson | None = None,
    ) -> None:
        self.clock = FakeClock()
        self.guest = FakeGuest(self.clock, sessions={"go": turns})
        self.sink = Keep()
        self.transcript = b""
        self.looks = 0
        self.session = StepSession(
            self.guest,
            name="go",
            policy=PromptPolicy(site, profile, unknown, QUIET_S, ask),
            clock=self.clock,
            sink=self.sink,
            origin_s=0.0,
            transcript=self._write,
            between=self._look,
        )

    def _write(self, text: bytes) -> None:
        self.transcript += text

    def _look(self) -> None:
        self.looks += 1

    def run(self, *, allowed_s: float = 600.0, exits: tuple[int, ...] = (0,)) -> SessionEnd:
        return self.session.run("do it", {"LC_ALL": "C.UTF-8"}, allowed_s=allowed_s, exits=exits)

    @property
    def typed(self) -> list[str]:
        return self.guest.typed("go")


def test_the_script_is_started_as_given() -> None:
    """Script and environment reach the clone unchanged."""
    scene = Scene(FakeTurn("done\n", exit_code=0))
    end = scene.run()
    assert scene.guest.started == [("go", "do it", {"LC_ALL": "C.UTF-8"})]
    assert (end.end, end.exit_code, end.message, end.last_lines) == (
        StepEnd.DONE,
        0,
        "",
        ("done",),
    )
    assert scene.transcript == b"done\n"


def test_the_profiles_rule_answers_with_enter() -> None:
    """A declared prompt is answered by its rule, and recorded with rule, owner and reason."""
    scene = Scene(
        FakeTurn("Restart services? [y/n] ", waits="debconf"),
        FakeTurn("ok\n", exit_code=0),
        profile=(RESTART,),
    )
    assert scene.run().end is StepEnd.DONE
    assert scene.typed == ["y\n"]
    (met,) = scene.session.prompts
    assert (met.step, met.rule, met.answered_by, met.declared) == ("go", "restart", "profile", True)
    assert (met.answer, met.why, met.process) == ("y", "They must run anew.", "debconf")
    assert met.text == "Restart services? [y/n]"


def test_the_sites_rule_comes_before_the_profiles() -> None:
    """Where both declare a question, the server's own file decides."""
    scene = Scene(
        FakeTurn("Restart services? [y/n] ", waits="debconf"),
        FakeTurn(exit_code=0),
        site=(SITE_RESTART,),
        profile=(RESTART,),
    )
    scene.run()
    assert scene.typed == ["n\n"]
    assert [(met.rule, met.answered_by) for met in scene.session.prompts] == [
        ("own-restart", "site")
    ]


def test_a_raw_answer_is_typed_without_enter() -> None:
    """`raw` is for programs that take a single key."""
    rule = PromptRule("more", r"--More--$", "q", "Enough.", raw=True)
    scene = Scene(FakeTurn("--More--", waits="less"), FakeTurn(exit_code=0), profile=(rule,))
    scene.run()
    assert scene.typed == ["q"]


def test_policy_default_types_a_bare_enter() -> None:
    """An undeclared question gets Enter, is recorded as undeclared and as the policy's."""
    scene = Scene(
        FakeTurn("Keep it? [Y] ", waits="thing"),
        FakeTurn(exit_code=0),
        unknown=UnknownPrompt.DEFAULT,
        profile=(RESTART,),
    )
    assert scene.run().end is StepEnd.DONE
    assert scene.typed == ["\n"]
    (met,) = scene.session.prompts
    assert (met.declared, met.rule, met.answer, met.answered_by) == (False, "", "", "policy")
    shown = [event for event in scene.sink.events if isinstance(event, PromptSeen)]
    assert [(event.text, event.declared, event.answer) for event in shown] == [
        ("Keep it? [Y]", False, "Enter")
    ]


def test_policy_stop_ends_the_session() -> None:
    """Nothing is typed; the message names the process and the question."""
    scene = Scene(FakeTurn("Overwrite the disk? ", waits="thing"), profile=(RESTART,))
    end = scene.run()
    assert end.end is StepEnd.STOPPED
    assert "thing" in end.message
    assert "Overwrite the disk?" in end.message
    assert (scene.typed, scene.guest.ended) == ([], ["go"])
    assert [met.answered_by for met in scene.session.prompts] == ["nobody"]


def test_policy_ask_types_what_the_person_says() -> None:
    """The person sees the question and the process; the answer is recorded as theirs."""
    asked: list[tuple[str, str]] = []

    def ask(question: str, process: str) -> str | None:
        asked.append((question, process))
        return "maybe"

    scene = Scene(
        FakeTurn("Why? ", waits="thing"),
        FakeTurn(exit_code=0),
        unknown=UnknownPrompt.ASK,
        ask=ask,
    )
    assert scene.run().end is StepEnd.DONE
    assert asked == [("Why?", "thing")]
    assert scene.typed == ["maybe\n"]
    assert [(m.answer, m.answered_by) for m in scene.session.prompts] == [("maybe", "person")]


@pytest.mark.parametrize("ask", [None, lambda _question, _process: None], ids=["nobody", "refuses"])
def test_policy_ask_without_an_answer_stops(ask: AskPerson | None) -> None:
    """No person there, or one who ends the run, stops it like `stop`."""
    scene = Scene(FakeTurn("Why? ", waits="thing"), unknown=UnknownPrompt.ASK, ask=ask)
    assert scene.run().end is StepEnd.STOPPED
    assert scene.typed == []


def test_an_undeclared_question_waits_for_quiet_and_a_declared_one_does_not() -> None:
    """An unknown question may still be growing: it gets the profile's quiet time first."""
    known = Scene(
        FakeTurn("Restart services? [y/n] ", waits="a"), FakeTurn(exit_code=0), profile=(RESTART,)
    )
    known.run()
    unknown = Scene(
        FakeTurn("Keep? ", waits="a"), FakeTurn(exit_code=0), unknown=UnknownPrompt.DEFAULT
    )
    unknown.run()
    assert known.session.prompts[0].waited_s < QUIET_S <= unknown.session.prompts[0].waited_s


def test_silence_is_no_question() -> None:
    """Fifteen quiet seconds without a process that waits are just a slow step: nothing is
    typed, nothing is recorded, and the silence is told."""
    scene = Scene(
        FakeTurn("Restart services? [y/n] "),
        FakeTurn("on it goes\n", after_s=15.0),
        FakeTurn(exit_code=0),
        profile=(RESTART,),
        unknown=UnknownPrompt.DEFAULT,
    )
    end = scene.run()
    assert end.end is StepEnd.DONE
    assert (scene.typed, scene.session.prompts) == ([], [])
    assert 14.0 <= end.quiet_longest_s <= 16.0


def test_waiting_for_an_answer_is_not_the_steps_silence() -> None:
    """`quiet_longest_s` is for choosing time limits: a person's pause is not in it."""
    scene = Scene(
        FakeTurn("Keep? ", waits="a"), FakeTurn("yes\n", exit_code=0), unknown=UnknownPrompt.DEFAULT
    )
    assert scene.run().quiet_longest_s < QUIET_S


def test_the_same_undeclared_question_is_answered_three_times_at_most() -> None:
    """A bare Enter that brings the same text back is no answer."""
    again = [FakeTurn("Password: ", waits="thing") for _ in range(10)]
    scene = Scene(*again, unknown=UnknownPrompt.DEFAULT)
    end = scene.run()
    assert end.end is StepEnd.STOPPED
    assert "same question" in end.message
    assert scene.typed == ["\n"] * REPEATS_UNKNOWN
    assert [met.answered_by for met in scene.session.prompts] == ["policy"] * 3 + ["nobody"]


def test_a_declared_question_has_its_own_cap() -> None:
    """`most` says how often a rule may meet the same text."""
    rule = PromptRule("again", r"Again\? $|Again\?$", "y", "", most=5)
    scene = Scene(*[FakeTurn("Again? ", waits="thing") for _ in range(10)], profile=(rule,))
    end = scene.run()
    assert end.end is StepEnd.STOPPED
    assert scene.typed == ["y\n"] * 5
    assert scene.session.prompts[-1].declared


def test_one_rule_may_meet_many_different_questions() -> None:
    """The cap is for the same text: forty conffiles are forty questions."""
    rule = PromptRule("conffile", r"Replace \S+\?$", "n", "")
    turns = [FakeTurn(f"Replace /etc/f{n}? ", waits="dpkg") for n in range(40)]
    scene = Scene(*turns, FakeTurn(exit_code=0), profile=(rule,))
    assert scene.run().end is StepEnd.DONE
    assert len(scene.typed) == 40


def test_an_answered_question_is_not_answered_again() -> None:
    """What is above the last answer is no longer a question, though it stays on screen."""
    scene = Scene(
        FakeTurn("Restart services? [y/n] ", waits="a"),
        FakeTurn("y\nworking", after_s=2.0),
        FakeTurn("\nother: ", after_s=10.0, waits="b"),
        profile=(RESTART,),
    )
    end = scene.run()
    assert end.end is StepEnd.STOPPED
    assert scene.typed == ["y\n"]
    assert [met.rule for met in scene.session.prompts] == ["restart", ""]


def test_a_process_caught_reading_once_asks_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no rule knows the text, a wait must be seen at two looks in a row: a look may
    fall between two things that a working process does."""
    scene = Scene(FakeTurn("Setting up a (2) ...\n"), FakeTurn(after_s=60.0, exit_code=0))
    looks = iter([Waiting(9, "frontend"), None, Waiting(9, "frontend"), None])
    monkeypatch.setattr(scene.guest, "find_waiting", lambda _name: next(looks, None))
    assert scene.run().end is StepEnd.DONE
    assert scene.session.prompts == []
    assert next(looks, None) is None, "all of them were seen"


def test_a_step_that_does_not_end_in_time_is_ended() -> None:
    """The step overran: its processes are ended, the limit is named, and what ran at that
    moment stands below the last lines."""
    scene = Scene(FakeTurn("slow\n"), FakeTurn(after_s=1e6, exit_code=0))
    end = scene.run(allowed_s=60)
    assert (end.end, end.message) == (StepEnd.OVERRAN, "not finished in the 60 s allowed")
    assert end.last_lines == ("slow", "still running, the newest first:", "1 S 00:01 go")
    assert scene.guest.ended == ["go"]
    assert 60 < scene.clock.at_s < 62


def test_a_wrong_exit_code_fails_the_step() -> None:
    """The message says what was found and what was wanted."""
    end = Scene(FakeTurn("E: no\n", exit_code=100)).run(exits=(0, 3))
    assert (end.end, end.exit_code) == (StepEnd.FAILED, 100)
    assert end.message == "exit code 100, wanted 0 or 3"


def test_another_good_exit_code_is_good() -> None:
    """`exits` lists every code that means well."""
    assert Scene(FakeTurn(exit_code=3)).run(exits=(0, 3)).end is StepEnd.DONE


def test_a_full_disk_is_named() -> None:
    """ENOSPC's text (errno(3)) is the cause, whatever the exit code says."""
    scene = Scene(
        FakeTurn("dpkg: error: write failed: No space left on device\n" + "x\n" * 60, exit_code=2)
    )
    assert "disk is full" in scene.run().message


def test_the_last_lines_are_kept() -> None:
    """What a person would look at: the last lines that are not blank, of bounded length."""
    text = "".join(f"line {n}\n\n" for n in range(100)) + "y" * 1000 + "\n"
    lines = Scene(FakeTurn(text, exit_code=1)).run().last_lines
    assert len(lines) == TAIL_LINES
    assert lines[-2] == "line 99"
    assert lines[-1] == "y" * 300


def test_a_clone_that_goes_away_is_not_swallowed() -> None:
    """Losing the clone is told to the driver, and what was met stays readable."""
    scene = Scene(
        FakeTurn("Keep? ", waits="a"), FakeTurn("x"), FakeTurn(after_s=1e6, exit_code=0),
        unknown=UnknownPrompt.DEFAULT,
    )  # fmt: skip

    def lose() -> None:
        scene.guest.lost = scene.clock.at_s > 20

    scene.session._between = lose
    with pytest.raises(CloneUnreachable):
        scene.run()
    assert len(scene.session.prompts) == 1


def test_progress_is_shown_clean() -> None:
    """The newest line of each look goes to the sinks, without escape sequences."""
    scene = Scene(FakeTurn("\x1b[1mUnpacking\x1b[0m a\r\n\n"), FakeTurn(exit_code=0, after_s=3))
    scene.run()
    lines = [event.line for event in scene.sink.events if isinstance(event, StepOutput)]
    assert lines == ["Unpacking a"]
    assert scene.looks > 2, "the meters are asked between looks"


def test_the_package_managers_progress_is_not_part_of_the_question() -> None:
    """A record of a prompt holds the question, not the hundred lines before it."""
    text = (
        "Unpacking a (2) over (1) ...\nSetting up a (2) ...\n\nConfiguration file '/etc/a'\nKeep? "
    )
    scene = Scene(FakeTurn(text, waits="dpkg"))
    scene.run()
    assert scene.session.prompts[0].text == "Configuration file '/etc/a'\nKeep?"


def test_the_recorders_first_line_is_not_part_of_the_question() -> None:
    """script(1) writes when it started, also above a question that comes at once."""
    scene = Scene(FakeTurn('Script started on 2026-11-25 17:42:28+00:00 [TERM="xterm"]\nKeep? ',
                           waits="dpkg"))  # fmt: skip
    scene.run()
    assert scene.session.prompts[0].text == "Keep?"


@pytest.mark.parametrize(
    ("raw", "plain"),
    [
        ("a\x1b[31mred\x1b[0m b", "ared b"),
        ("\x1b]0;title\x07text", "text"),
        ("\x1b]8;;http://x.example\x1b\\link\x1b]8;;\x1b\\", "link"),
        ("\x1b(Bx\x1b=\x1b>y\x1b7\x1b8", "xy"),
        ("10%\r50%\r100%\nend", "100%\nend"),
        ("windows\r\nline\r\n", "windows\nline\n"),
        ("kept\r", "kept"),
        ("bell\x07 back\x08 nul\x00 del\x7f c1\x9b", "bell back nul del c1"),
        ("tab\tstays", "tab\tstays"),
        ("\x1b[?25l\x1b[2K\x1b[1;40rx", "x"),
    ],
)
def test_terminal_text_is_cleaned(raw: str, plain: str) -> None:
    """Escape sequences as in ECMA-48 (CSI, OSC) and the VT100's two-character ones go,
    control characters go, a carriage return leaves what is visible."""
    assert clean_terminal_text(raw) == plain
