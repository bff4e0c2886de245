"""Two drills in which every kind of inject happens, on real guests: each is seen to have
happened and to be mended by the clone's state, and its lesson stands in the debrief."""

from __future__ import annotations

import re
import sys
import time
from pathlib import Path

import pexpect
import pytest

from forerun.drills.folder import DrillFolder
from forerun.model.blueprint import TemplateInfo
from forerun.pipeline_bench import Bench
from tests.practice.archive import PracticeArchive
from tests.practice.player import (
    LOOK,
    PLAN,
    REFETCH,
    REPAIR,
    REST,
    RESUME,
    SWITCH,
    UPDATE,
    UPGRADE,
    Player,
)
from tests.vm.program import Program
from tests.vm.test_drills import Ground

pytestmark = [pytest.mark.full, pytest.mark.timeout(3000)]

_DATA = Path(__file__).parents[1] / "data"
DRILL = _DATA / "drill-long-night.yaml"
OTHER = _DATA / "drill-other-night.yaml"
MEND = (
    # What a person finds one after another: the kept version of a file, the vendor's source, a
    # hold, the key beside its place, a script that fails, a file that fills the disk.
    "[ ! -e /etc/shelf-web.conf.dpkg-old ] || mv /etc/shelf-web.conf.dpkg-old /etc/shelf-web.conf",
    "rm -f /etc/apt/sources.list.d/vendor.list; "
    '[ -z "$(apt-mark showhold)" ] || apt-mark unhold $(apt-mark showhold)',
    "for f in /etc/apt/keyrings/*.kept-away /etc/apt/trusted.gpg.d/*.kept-away; do "
    '[ ! -e "$f" ] || mv "$f" "${f%.kept-away}"; done',
    "rm -f /forerun-fault-filler; grep -l forerun-fault /var/lib/dpkg/info/*.prerm | "
    "xargs -r rm -f",
)

_OWN_BOOT = (
    "cp -a /boot /root/boot && truncate -s 256M /root/boot.img && mkfs.ext4 -q /root/boot.img && "
    "mount -o loop /root/boot.img /boot && cp -a /root/boot/. /boot/"
)


def _mend_over_the_console(player: Player, folder: DrillFolder) -> None:
    """Log in by password and give the settings the interface's new name."""
    password = folder.load_ground().password
    child = player.open("shell", "--console")
    child.expect("Ctrl-\\] leaves", timeout=60)
    limit = 40
    while limit:
        child.send("\r")
        if child.expect(["login: $", pexpect.TIMEOUT], timeout=5) == 0:
            break
        limit -= 1
    child.send("root\r")
    child.expect("Password: ", timeout=60)
    child.send(f"{password}\r")
    child.expect("# $", timeout=60)
    child.send(
        "sed -i 's/^Name=.*/Name=lan9/' /etc/systemd/network/05-sealed-link.network; "
        "systemctl restart systemd-networkd; echo mended-$?-\r"
    )
    child.expect(r"mended-0-", timeout=60)
    child.send("\x1d")
    child.expect(pexpect.EOF, timeout=60)


def _reach(player: Player, folder: DrillFolder) -> None:
    """See to it that the server answers over SSH, by its console where it does not."""
    try:
        with player.shell(limit_s=60):
            return
    except AssertionError:
        _mend_over_the_console(player, folder)


def _upgrade(player: Player, folder: DrillFolder) -> str:
    """Repair, then go on; "lost" when the connection went meanwhile."""
    _reach(player, folder)
    with player.shell() as shell:
        for command in (LOOK, *MEND,
                        REFETCH, REPAIR, UPGRADE, "dpkg --audit | wc -l"):  # fmt: skip
            shell.type(command)
            shown = shell.wait_or_lose()
            if shown is None:
                return "lost"
        return "whole" if re.search(r"^0\s*$", shown or "", re.MULTILINE) else "half way"


@pytest.fixture(scope="module")
def ground(
    program: Program,
    survey_id: str,
    practised: TemplateInfo,
    practice: PracticeArchive,
    bench: Bench,
) -> Ground:
    return Ground(program, survey_id, practised, practice, bench)


def test_each_inject_happens_is_mended_and_teaches(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """All twelve in one night; nothing but their trouble is in the way of passing."""
    folder = ground.start(str(DRILL))
    player = ground.player()
    with player.shell() as shell:
        for command in (REST, "sleep 6", SWITCH, "sleep 25", *MEND, UPDATE, "sleep 8", PLAN):
            shell.do(command, limit_s=600)
        shell.type(UPGRADE)
        shell.wait_or_lose()
    for _ in range(6):
        if _upgrade(player, folder) == "whole":
            break
    with player.shell() as shell:
        shell.child.sendline("systemctl reboot")
        shell.wait_until_lost(limit_s=120)
    _reach(player, folder)
    with player.shell() as shell:
        shell.do(
            "rm -rf /etc/systemd/system/shelf-web.service.d; systemctl daemon-reload; "
            "systemctl restart shelf-web", limit_s=120,
        )  # fmt: skip
        shell.do(RESUME)
        shell.do("sleep 10")
    _finish(player, folder, capsys)


def _finish(player: Player, folder: DrillFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """The end of a night: all that was drawn happened, was mended, and teaches."""
    player.command("finish")
    record = folder.load()
    with capsys.disabled():
        for course in record.injects:
            sys.stdout.write(f"\n{course}")
        sys.stdout.write(f"\n{record.verdict}\n")
    assert record.passed, record.judged
    debrief = (folder.path / "debrief.md").read_text(encoding="utf-8")
    for course in record.injects:
        assert not course.why, course
        assert course.struck_s >= 0 and course.mended_s > course.struck_s, course
        assert course.detection, course
        assert f"lesson of {course.name}" in debrief


def test_the_other_kinds_happen_are_mended_and_teach(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """A key that has ended by the clock, an archive that is away for a while, a script that
    never ends, and a boot partition (here a file, mounted) that is full."""
    folder = ground.start(str(OTHER))
    player = ground.player()
    with player.shell() as shell:
        shell.do(_OWN_BOOT, exits=0)
        for command in (REST, "sleep 6", UPDATE, SWITCH, "sleep 25"):
            shell.do(command, limit_s=600)
        assert "EXPKEYSIG" in shell.do(f"{UPDATE} --error-on=any")  # apt-get(8), gpgv
        assert "2060" in shell.do("date", exits=0)
        shell.do(f"date --utc --set=@{int(time.time())}", exits=0)
        for command in (UPDATE, "sleep 8", PLAN):
            shell.do(command, limit_s=600, exits=0)
        shell.type(UPGRADE)
        with pytest.raises(pexpect.TIMEOUT):
            shell.wait(limit_s=90)
        with player.shell() as second:
            second.do("pkill -TERM -f /var/lib/dpkg/info/", exits=0)
            second.do(MEND[-1])
        shell.wait(limit_s=600)
        # The next upgrade comes to unpacking, and then there is no room for the kernel.
        shell.do(REPAIR, limit_s=600, exits=0)
        assert "I/O error" in shell.do(UPGRADE, limit_s=600)
        shell.do("rm /boot/forerun-fault-filler", exits=0)
        for command in (REPAIR, UPGRADE, "sleep 8"):
            shell.do(command, limit_s=600, exits=0)
        shell.child.sendline("systemctl reboot")
        shell.wait_until_lost()
    with player.shell() as shell:
        shell.do(RESUME, exits=0)
        shell.do("sleep 10")
    _finish(player, folder, capsys)
