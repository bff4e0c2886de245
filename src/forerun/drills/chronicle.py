"""What a drill's record tells, kept on disk with every change."""

from __future__ import annotations

import threading
from dataclasses import replace

from forerun.drills.draw import list_drawn
from forerun.drills.folder import DrillFolder
from forerun.model.drill import DrillEvent, DrillRecord, DrillState, Inject, InjectCourse
from forerun.ports.clock import Clock, format_instant


class Chronicle:
    """The record of one drill that is going on."""

    def __init__(self, folder: DrillFolder, clock: Clock) -> None:
        self.folder = folder
        self.record = folder.load()
        self._clock = clock
        # What looks at the clone may wait for it; what is only noted must not wait for that.
        self._lock = threading.RLock()

    def now(self) -> str:
        """The instant, RFC 3339."""
        return format_instant(self._clock.now())

    def now_s(self) -> float:
        """Seconds since the trainee's clock began; 0 before. By the lab host's monotonic
        clock, which all processes of one boot share (clock_gettime(2)): it goes on while no
        keeper lives, and ends with the boot, as the clone does."""
        if not self.record.began_at:
            return 0.0
        return round(max(0.0, self._clock.monotonic() - self.record.began_s), 1)

    def change(self, **parts: object) -> None:
        """Change the record, on disk first."""
        with self._lock:
            made: DrillRecord = replace(self.record, **parts)  # type: ignore[arg-type]
            self.folder.save(made)
            self.record = made

    def note(self, kind: str, name: str, text: str) -> None:
        """Add to the event line."""
        with self._lock:
            event = DrillEvent(self.now(), self.now_s(), self.record.attempt, kind, name, text)
            self.change(events=(*self.record.events, event))

    def note_shell(self, text: str) -> str:
        """Add a terminal to the event line; returns the name of its recording, which no other
        terminal of this drill has."""
        with self._lock:
            before = sum(event.kind == "shell" for event in self.record.events)
            name = f"terminal-{before + 1:02d}.cast"
            self.note("shell", name, text)
            return name

    def begin(self, laid: dict[str, str]) -> None:
        """The trainee's clock begins. `laid` has of each inject that was there from the start
        why it could not be laid, or ""."""
        with self._lock:
            if self.record.state is not DrillState.READY:
                return
            self.change(
                state=DrillState.RUNNING,
                began_at=self.now(),
                began_s=self._clock.monotonic(),
                injects=self._begin_courses(laid),
            )
            self.note("state", "running", "the clock runs")

    def begin_again(self, laid: dict[str, str], at_s: float, back_s: float) -> None:
        """The clone is back at its hold point: a new attempt, where one had begun."""
        begun = bool(self.record.began_at)
        self.note("reset", "reset", f"back at the hold point in {back_s:.1f} s")
        self.change(
            state=DrillState.RUNNING if begun else DrillState.READY,
            attempt=self.record.attempt + (1 if begun else 0),
            began_at=self.now() if begun else "",
            began_s=self._clock.monotonic() if begun else 0.0,
            resets=(*self.record.resets, (at_s, back_s)),
            injects=self._begin_courses(laid),
            judged=(),
        )

    def _begin_courses(self, laid: dict[str, str]) -> tuple[InjectCourse, ...]:
        return tuple(
            InjectCourse(
                one.name,
                struck_s=0.0 if laid.get(one.name) == "" else -1.0,
                why=laid.get(one.name, ""),
            )
            for one in list_drawn(self.record)
        )

    def find_course(self, inject: Inject) -> InjectCourse:
        """What became of that inject so far."""
        for course in self.record.injects:
            if course.name == inject.name:
                return course
        return InjectCourse(inject.name)

    def put_course(self, course: InjectCourse) -> None:
        """What became of an inject, anew."""
        with self._lock:
            others = [one for one in self.record.injects if one.name != course.name]
            names = [one.name for one in list_drawn(self.record)]
            whole = sorted([*others, course], key=lambda one: names.index(one.name))
            self.change(injects=tuple(whole))
