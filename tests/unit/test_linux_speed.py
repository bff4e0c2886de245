"""A reading of speed from what the shell text said: recorded, invented, and garbage."""

from __future__ import annotations

import http.server
import os
import subprocess
import threading
from contextlib import suppress
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.distro.linux_speed import parse_speed
from forerun.distro.speed_kit import LINK
from forerun.model.plausible import find_implausible, mend_record
from forerun.model.speed import Speed, SpeedReading, Work

DATA = Path(__file__).parents[1] / "data" / "debian12"
KIT = (DATA / "calibration").read_text(encoding="utf-8")


def read(*lines: str) -> SpeedReading:
    """A reading of ten seconds with these lines in it."""
    text = "\n".join(("began 1000 2026-01-31T22:00:00Z", *lines, "ended 2000 4096"))
    reading = parse_speed(text)
    assert reading is not None
    return reading


def test_a_recorded_reading() -> None:
    """Recorded on a Debian 12 machine with dash: every kind of work five times, where dpkg
    writes, what was written, and the machine's own load."""
    reading = parse_speed(KIT)
    assert reading is not None
    rows = {(one.work, one.unit, one.subject): one.seconds for one in reading.speeds}
    assert set(rows) == {
        (Work.SPAWN, "process", ""),
        (Work.COMPUTE, "round", ""),
        (Work.COMPUTE, "round", "sort"),
        (Work.COMPUTE, "round", "sha256"),
        (Work.READ, "read", "/ (ext4)"),
        (Work.SYNC, "synchronous write", "/ (ext4)"),
        (Work.WRITE, "MB", "/ (ext4)"),
        (Work.UNPACK, "MB", "xz"),
        (Work.UNPACK, "MB", "zstd"),
    }
    assert {len(seconds) for seconds in rows.values()} == {5}
    assert all(0 < one < 1 for seconds in rows.values() for one in seconds)
    assert reading.left_out == ()
    assert reading.taken_at == "2026-11-26T16:43:15Z"
    assert (reading.wall_s, reading.written_bytes) == (10.12, 46_541_888)
    load = reading.load
    assert load is not None
    assert 0 < load.psi_cpu <= 1 and 0 <= load.steal < 0.1 and load.run_queue > 0


def test_a_repetition_is_half_a_hundredth_longer_than_it_shows() -> None:
    """It begins as a hundredth of a second does and is read in whole ones (proc(5): uptime has
    two decimals): 20 show for anything from 0.20 to 0.21 s."""
    (speed,) = read("time spawn 100 0 20 -").speeds
    assert speed == Speed(Work.SPAWN, "process", (0.00205,))


def test_repetitions_of_fewer_units_were_held_up() -> None:
    """The kit goes on to more units where a repetition is over too soon: only those count."""
    (speed,) = read(
        "time compute 4 0 31 -", "time compute 40 0 40 -", "time compute 40 0 20 -"
    ).speeds
    assert list(speed.seconds) == pytest.approx([0.010125, 0.005125])


def test_dds_own_seconds_count() -> None:
    """dd(1) tells them in its last line, without the time of starting it."""
    (sync, write) = read(
        "time sync 64 0 20 0.128", "time write 8 1 3 8e-02", "time write 8 1 3 8.5e-05"
    ).speeds
    assert sync.seconds == (0.002,)
    assert list(write.seconds) == pytest.approx([0.01, 8.5e-05 / 8], rel=1e-4)


def make_states(*, ours: int, steal: int = 0, idle: int = 500) -> list[str]:
    """What the kernel says at both ends of ten seconds in which user work of 700 ticks ran,
    `ours` of it this reading's own."""
    tail = ("loadavg 1.00 1.00 1.00 2/90 1234",)
    return [
        "state before", "own 3", "stat cpu  100 0 50 1000 0 0 0 0 0 0", *tail,
        "state after", f"own {3 + ours}",
        f"stat cpu  800 0 50 {1000 + idle} 0 0 0 {steal} 0 0", *tail,
    ]  # fmt: skip


def test_other_work_is_what_ran_less_what_was_ours() -> None:
    """proc(5): the first line of /proc/stat is in ticks, of which a second has 100. Of 7 s of
    work in 10 s 3 s were the timing's own; its loop had 120 of the 200 ticks it wanted."""
    before, after = make_states(ours=300)[:4], make_states(ours=300)[4:]
    loops = ["time compute 10 0 100 - 60", "time compute 10 0 100 - 60"]
    reading = read(*before, *loops, "time spawn 5 0 100 - 10", *after)
    assert (reading.others, reading.granted) == (0.4, 0.6)
    # As older readings are, and where the kernel says nothing.
    assert read(*(line for line in (*before, *loops, *after) if "own" not in line)).others == -1
    assert read("time compute 10 0 100 -").granted == 1.0


def test_a_loop_that_had_nearly_all_had_all() -> None:
    """Reading clocks and passing ticks off takes a little."""
    assert read("time compute 10 0 100 - 93").granted == 1.0
    assert read("time compute 10 0 100 - 104").granted == 1.0


def test_what_a_hypervisor_stole_is_no_other_work() -> None:
    """Half of the time was stolen (proc(5), steal): the loop had all of what there was."""
    before, after = (
        (rows := make_states(ours=700, steal=700, idle=0))[:4],
        rows[4:],
    )
    reading = read(*before, "time compute 10 0 100 - 50", *after)
    assert (reading.others, reading.granted) == (0.0, 1.0)


def test_the_start_of_programs_is_taken_off_but_never_more_than_half() -> None:
    """Two programs of 35 ms unpack for an emulated machine; where they cost most of the time,
    the rest is not believed to be nothing."""
    spawn = "time spawn 10 0 34 -"  # 0.0345 s each
    unpack = read(spawn, "time xz 1 2 30 -", "time xz 1 2 5 -").speeds[1]
    assert list(unpack.seconds) == pytest.approx([0.305 - 0.069, 0.0275])


def test_what_was_left_out_says_why() -> None:
    """Each with its reason; a reading that was cut short is told as one."""
    reading = read("left zstd there is no program zstd", "left sync less than 1 GiB is free")
    assert reading.left_out == (
        ("zstd", "there is no program zstd"),
        ("sync", "less than 1 GiB is free"),
    )
    cut = parse_speed("began 5 2026-01-31T22:00:00Z\ntime spawn 5 0 20 -")
    assert cut is not None
    assert cut.left_out == (
        ("spawn", "1 of 5 repetitions, then time ran out"),
        ("all", "it was cut short"),
    )
    assert (cut.wall_s, cut.written_bytes, cut.load) == (0.0, -1, None)


def test_an_archives_rate_is_of_its_largest_transfer() -> None:
    """Of its later parts, once the line was going; all that was fetched is counted."""
    link = (DATA / "link-rate").read_text(encoding="utf-8")
    reading = parse_speed(KIT, link)
    assert reading is not None
    (rate,) = [one for one in reading.speeds if one.work is Work.LINK]
    assert (rate.unit, rate.subject) == ("MB", "http://archive.example/debian")
    wanted = [us / 1_048_576 for us in (101_220, 94_310, 110_040)]
    assert list(rate.seconds) == pytest.approx(wanted, rel=1e-5)
    assert reading.fetched_bytes == 65_536 + 524_288 + 4_194_304
    assert reading.left_out == (
        ("link http://archive.example/debian-security", "nothing came in the time allowed"),
    )


@pytest.mark.parametrize("text", ["", "began", "began x y", "time spawn 5 0 20 -", "\0\n\x1b[2J"])
def test_no_beginning_is_no_reading(text: str) -> None:
    """A probe that was not run, or said something else altogether."""
    assert parse_speed(text) is None


HOSTILE = (
    "time spawn 0 0 20 -",
    "time spawn -5 0 20 -",
    "time spawn 99999999 0 20 -",
    "time dig 5 0 20 -",
    "time write 8 1 3 1e999",
    "time write 8 1 3 nan",
    "time write 8 1 3 -1",
    f"time write 8 1 3 {'9' * 5000}",
    "link file:///etc/shadow 5 5",
    "link http://x 0 0",
    "on ext4 relative",
    "state before",
    f"stat cpu {'9' * 4000} 1 1 1 1 1 1 1",
    "loadavg nan",
    "pressure/io some total=-5",
    "state after",
    f"stat cpu {'9' * 6000}",
    "loadavg inf",
    "ended 99999999999999999999 0",
)


def test_hostile_lines_are_no_figures() -> None:
    """A server's lies become no speed, no infinity and no error."""
    reading = read(*HOSTILE, "time spawn 100 0 20 -")
    assert reading.speeds == (Speed(Work.SPAWN, "process", (0.00205,)),)
    assert reading.load is None


@given(
    st.lists(
        st.sampled_from([*HOSTILE, *KIT.splitlines()])
        | st.text(max_size=80)
        | st.from_regex(r"(time|left|on|link|ended|stat) [ -~]{0,60}", fullmatch=True),
        max_size=40,
    )
)
def test_any_answer_is_a_reading_that_can_be_stored(lines: list[str]) -> None:
    """Whatever is said: positive figures, plain text, and nothing that no record can hold
    once it is mended."""
    reading = parse_speed("\n".join(lines), "\n".join(lines))
    if reading is None:
        return
    for speed in reading.speeds:
        assert speed.seconds
        assert all(one > 0 for one in speed.seconds)
        assert speed.subject.isprintable()
    assert reading.wall_s >= 0 and reading.fetched_bytes >= 0
    assert not list(find_implausible(mend_record(reading, unknown=0)))


@pytest.mark.tools
def test_a_small_archive_is_timed_by_its_largest_package(tmp_path: Path) -> None:
    """An index of a few lines is over too soon; of what the archive offers, the largest file is
    asked for, a part of it only. apt itself reads the lists."""
    archive, root = tmp_path / "archive", tmp_path / "root"
    (archive / "pool").mkdir(parents=True)
    (archive / "pool" / "large_1.deb").write_bytes(bytes(3_000_000))
    (archive / "pool" / "small_1.deb").write_bytes(bytes(500))
    stanza = (
        "Package: {name}\nVersion: 1\nArchitecture: all\nFilename: pool/{name}_1.deb\n"
        "Size: {size}\n"
    )
    rows = (("small", 500), ("large", 3_000_000), ("small2", 400))
    (archive / "Packages").write_text(
        "\n".join(stanza.format(name=name, size=size) for name, size in rows), encoding="utf-8"
    )
    for folder in ("etc/apt", "var/lib/apt/lists/partial", "var/lib/dpkg", "var/cache/apt"):
        (root / folder).mkdir(parents=True)
    (root / "var/lib/dpkg/status").touch()
    settings = root / "apt.conf"
    settings.write_text(
        f'Dir "{root}/"; Dir::State::status "{root}/var/lib/dpkg/status";'
        'APT::Sandbox::User "root";\n',
        encoding="utf-8",
    )
    environment = {**os.environ, "APT_CONFIG": str(settings)}
    asked: list[str] = []

    class Handler(http.server.SimpleHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            with suppress(ConnectionError):
                super().do_GET()

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), partial(Handler, directory=str(archive))
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    site = f"http://127.0.0.1:{server.server_address[1]}"
    (root / "etc/apt/sources.list").write_text(f"deb [trusted=yes] {site} ./\n", encoding="utf-8")
    try:
        subprocess.run(["apt-get", "-qq", "update"], env=environment, check=True, timeout=60)
        asked.clear()
        said = subprocess.run(
            ["sh", "-c", LINK], env=environment, check=True, timeout=60, capture_output=True
        ).stdout.decode("utf-8")
    finally:
        server.shutdown()
        server.server_close()
    reading = parse_speed(KIT, said)
    assert reading is not None
    (speed,) = [one for one in reading.speeds if one.work is Work.LINK]
    assert speed.subject == site
    assert "/pool/large_1.deb" in {path.replace("/./", "/") for path in asked}
    assert not any("small" in path for path in asked)
