"""Lets a drill's injects happen when their moment has come, and sees when they are mended."""

from __future__ import annotations

import contextlib
from dataclasses import replace

from forerun.drills.chronicle import Chronicle
from forerun.drills.draw import list_drawn
from forerun.drills.injects import KINDS, WATCHED, Ground, find_moment, has_come, make_watch
from forerun.drills.look import History, Look
from forerun.errors import ForerunError
from forerun.model.drill import Inject, InjectCourse, Moment
from forerun.stages.faults import Cause

_OF_ARCHIVE = ("archive-slow", "archive-gone")


class Injector:
    """The injects of one drill on one clone."""

    def __init__(self, chronicle: Chronicle, ground: Ground) -> None:
        self._chronicle = chronicle
        self._ground = ground
        self._watch: tuple[Inject, Cause] | None = None

    def restore_trouble(self) -> None:
        """What an earlier keeper had made wrong with the archive, which went with it."""
        for inject in list_drawn(self._chronicle.record):
            course = self._chronicle.find_course(inject)
            if inject.kind in _OF_ARCHIVE and course.mended_s < 0 <= course.struck_s:
                KINDS[inject.kind].lay(self._ground)

    def forget(self) -> None:
        """The clone goes back to its hold point: nothing waits to happen."""
        self._watch = None
        self._ground.trouble.kind = ""

    def go_on(self, look: Look, seen: History) -> None:
        """What this look calls for."""
        for inject in list_drawn(self._chronicle.record):
            course = self._chronicle.find_course(inject)
            if course.why:
                continue
            if course.struck_s >= 0:
                if course.mended_s < 0:
                    self._see_mended(inject, course, look, seen)
                continue
            moment = find_moment(inject, self._ground.profile)
            if moment in WATCHED:
                self._arm(inject, moment)
            elif self._is_due(inject, moment, seen):
                self._strike(inject)

    def _is_due(self, inject: Inject, moment: Moment | None, seen: History) -> bool:
        if moment is None:
            return self._chronicle.now_s() >= inject.at_s
        return has_come(moment, seen)

    def _arm(self, inject: Inject, moment: Moment) -> None:
        """One at a time: dpkg tells its work to one watcher."""
        if self._watch is None:
            cause = make_watch(moment, self._ground)
            if not cause.lay():
                self._watch = (inject, cause)

    def poll(self) -> None:
        """At the moment that was waited for dpkg is held still, until the inject is done."""
        if self._watch is None:
            return
        inject, cause = self._watch
        if not cause.poll():
            return
        self._watch = None
        try:
            self._strike(inject)
        finally:
            with contextlib.suppress(ForerunError):
                cause.let_go()
                cause.forget()

    def _strike(self, inject: Inject) -> None:
        chronicle = self._chronicle
        why = KINDS[inject.kind].lay(self._ground)
        if why:
            chronicle.put_course(replace(chronicle.find_course(inject), why=why))
            chronicle.note("inject", inject.name, f"it could not happen: {why}")
            return
        chronicle.put_course(InjectCourse(inject.name, struck_s=chronicle.now_s()))
        chronicle.note("inject", inject.name, inject.title)

    def _see_mended(self, inject: Inject, course: InjectCourse, look: Look, seen: History) -> None:
        chronicle = self._chronicle
        over = inject.limit_s and chronicle.now_s() - course.struck_s > inject.limit_s
        if over and inject.kind in _OF_ARCHIVE:
            self._ground.trouble.kind = ""
        told = KINDS[inject.kind].judge(self._ground, look, seen)
        if told.gone:
            at_s = chronicle.now_s()
            chronicle.put_course(replace(course, mended_s=at_s, detection=told.text))
            chronicle.note("mended", inject.name, told.text)
        elif told.text != course.detection:
            chronicle.put_course(replace(course, detection=told.text))
