"""The keeper's process, from the making of the clone to the drill's end."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from types import FrameType
from typing import Any

from forerun.drills.build import DrillBuild, Order
from forerun.drills.folder import PROGRESS_NAME, DrillFolder, DrillOrder
from forerun.drills.keeper import Keeper, connect, holding
from forerun.drills.talk import Answer, answer, listen
from forerun.errors import ForerunError, UsageError
from forerun.model.drill import DrillState
from forerun.pipeline_bench import Bench
from forerun.pipeline_request import RehearsalRequest
from forerun.ports.clock import format_instant
from forerun.progress import TerminalSink


def keep(folder: DrillFolder, bench: Bench) -> None:
    """Build the clone where there is none yet, then keep the drill to its end."""
    with holding(folder):
        if folder.load().state is DrillState.PREPARING:
            build(folder, bench)
        with ExitStack() as stack:
            keeper = Keeper(folder, bench, stack)
            connect(keeper)
            server = stack.enter_context(listen(folder))
            threading.Thread(target=_serve, args=(server, keeper), daemon=True).start()
            _end_on_signal(keeper)
            keeper.run()


def build(folder: DrillFolder, bench: Bench) -> None:
    """Make the clone; how that failed is on the record."""
    order = read_order(folder, folder.load_order(), bench)
    with (folder.path / PROGRESS_NAME).open("a", encoding="utf-8", buffering=1) as stream:
        sink = TerminalSink(stream, colour=False, live=False)
        made = DrillBuild(order, bench, sink, folder)
        try:
            made.run(folder.path)
        except BaseException as problem:
            told = str(problem) if isinstance(problem, ForerunError) else type(problem).__name__
            hint = getattr(problem, "hint", "")
            folder.save(
                replace(
                    folder.load(),
                    state=DrillState.FAILED,
                    verdict=f"{told} {hint}".strip(),
                    finished_at=format_instant(bench.clock.now()),
                )
            )
            raise
        finally:
            sink.close()
    folder.save(replace(folder.load(), state=DrillState.READY, cold_start_s=made.cold_start_s))


def read_order(folder: DrillFolder, stored: DrillOrder, bench: Bench) -> Order:
    """What the drill is made from, from its folder."""
    record, procedure = folder.load(), folder.load_procedure()
    request = RehearsalRequest(
        bench.store.load_survey(record.survey_id),
        procedure.profile,
        procedure.site,
        stored.cpus,
        stored.memory_bytes,
        stored.rate_limit_bits,
        stored.index_age_s,
        template_id=stored.template_id,
    )
    run = bench.store.load_run(record.run_id) if record.run_id else None
    return Order(request, record.drill, run)


def _serve(server: socket.socket, keeper: Keeper) -> None:
    while True:
        try:
            link, _ = server.accept()
        except OSError:
            return  # the keeper ended
        # Whoever asked for the drill's end is answered before this process goes; without the
        # word a thread is as its maker is, a daemon here.
        asked = threading.Thread(target=answer, args=(link, partial(act, keeper)), daemon=False)
        asked.start()


def act(keeper: Keeper, asked: Mapping[str, Any]) -> Answer:
    """Do what a command asks. Raises UsageError for what no keeper knows."""
    do = _DOINGS.get(str(asked.get("do", "")))
    if do is None:
        raise UsageError("That was no question a keeper knows.", found=str(asked.get("do")))
    return do(keeper, asked)


def _do_begin(keeper: Keeper, _asked: Mapping[str, Any]) -> Answer:
    keeper.check_open()
    keeper.begin()
    facts = keeper.ground_facts
    return {
        "now_s": keeper.chronicle.now_s(),
        "uri": keeper.hypervisor.uri,
        "domain": facts.clone.name,
        "password": facts.password,
    }


def _do_shell(keeper: Keeper, asked: Mapping[str, Any]) -> Answer:
    keeper.check_open()
    return {"name": keeper.chronicle.note_shell(str(asked.get("text", "")))}


def _do_check(keeper: Keeper, _asked: Mapping[str, Any]) -> Answer:
    keeper.check()
    return {"now_s": keeper.chronicle.now_s()}


def _do_hint(keeper: Keeper, asked: Mapping[str, Any]) -> Answer:
    objective, text, cost, left = keeper.hint(str(asked.get("objective", "")))
    return {"objective": objective, "text": text, "cost": cost, "left": left}


def _do_note(keeper: Keeper, asked: Mapping[str, Any]) -> Answer:
    keeper.check_open()
    keeper.chronicle.note("note", "note", str(asked.get("text", ""))[:2000])
    return {"now_s": keeper.chronicle.now_s()}


def _do_fetch(keeper: Keeper, asked: Mapping[str, Any]) -> Answer:
    return {"path": str(keeper.fetch(str(asked.get("path", ""))))}


def _do_reset(keeper: Keeper, _asked: Mapping[str, Any]) -> Answer:
    return {"took_s": keeper.reset()}


def _do_back_out(keeper: Keeper, asked: Mapping[str, Any]) -> Answer:
    return {"took_s": keeper.call_back_out(str(asked.get("why", ""))[:2000])}


def _do_finish(keeper: Keeper, _asked: Mapping[str, Any]) -> Answer:
    keeper.finish()
    return {}


_DOINGS: dict[str, Callable[[Keeper, Mapping[str, Any]], Answer]] = {
    "begin": _do_begin,
    "shell": _do_shell,
    "check": _do_check,
    "hint": _do_hint,
    "note": _do_note,
    "fetch": _do_fetch,
    "reset": _do_reset,
    "back-out": _do_back_out,
    "finish": _do_finish,
}


def _end_on_signal(keeper: Keeper) -> None:
    """Asked to end, a keeper leaves the clone as it is: the next one goes on."""

    def end(_number: int, _frame: FrameType | None) -> None:
        keeper.done.set()

    for one in (signal.SIGTERM, signal.SIGINT):
        signal.signal(one, end)
