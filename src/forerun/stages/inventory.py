"""What a clone has, read before the upgrade and after it, for comparison.

One command, since each process costs an emulated clone about 35 ms: the same readers as of
a survey where there are such. Nothing is written on the clone.
"""

from __future__ import annotations

import json
import re
import secrets
import shlex
from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from forerun.distro.base import ABSENT, escape_odd, escape_value
from forerun.distro.linux_facts import parse_sockets, parse_units
from forerun.errors import ForerunError
from forerun.model.inventory import Inventory, JournalLine, MountSeen
from forerun.ports.guest import Guest
from forerun.stages.fidelity_read import split_answers

MOST_JOURNAL = 2000  # entries read
MOST_LINES = 300  # kinds of entries kept
MOST_SETTINGS = 3000
MOST_TEXT = 300

_READINGS: dict[str, str] = {
    "machine": "if [ -d /sys/firmware/efi ]; then echo uefi; else echo bios; fi; uname -r",
    "units": "systemctl list-units --all --full --plain --no-legend --no-pager; echo '#files'; "
    "systemctl list-unit-files --full --plain --no-legend --no-pager",
    "sockets": "ss -H -l -n -t -u -p",
    "settings": "sysctl -a; :",  # some settings of the kernel cannot be read, and that is no error
    "mounts": "cat /proc/self/mounts",
    "interfaces": 'for d in /sys/class/net/*/device; do [ ! -e "$d" ] || echo "$d"; done',
    "accounts": "cut -d : -f 1,3 /etc/passwd | sed 's/^/user /'; "
    "cut -d : -f 1,3 /etc/group | sed 's/^/group /'",
    # The oldest entries matter most: what fails at boot fails first.
    "journal": f"journalctl -b -p 4 -o json --no-pager"
    f" --output-fields=PRIORITY,SYSLOG_IDENTIFIER,MESSAGE | head -n {MOST_JOURNAL}",
}
_OBSOLETE = {"obsolete": "apt list '~o' 2>/dev/null | grep / || :"}


def read_inventory(guest: Guest, *, moment: str, at_s: float) -> Inventory:
    """What is there now. Best effort by design: what cannot be read is said in `not_read`,
    and a clone that does not answer has an inventory that says so."""
    asked = {**_READINGS, **(_OBSOLETE if moment == "after" else {})}
    mark = f"--{secrets.token_hex(12)}--"
    script = "".join(
        f"printf '%s%s\\n' {mark} {name}; "
        f"LC_ALL=C timeout 60 sh -c {shlex.quote(command)} 2>/dev/null </dev/null; "
        f"printf '%s %s\\n' {mark} $?\n"
        for name, command in asked.items()
    )
    try:
        output = guest.run(script, timeout_s=600).stdout
    except (ForerunError, FileNotFoundError) as problem:
        why = problem.what if isinstance(problem, ForerunError) else str(problem)
        return Inventory(moment, at_s, not_read=tuple((name, why) for name in asked))
    answers = split_answers(output, mark.encode("ascii"))
    return parse_inventory(answers, asked, moment=moment, at_s=at_s)


_T = TypeVar("_T")


class _Answers:
    """The readings' output by name; notes what was not read."""

    def __init__(self, answers: Mapping[str, bytes]) -> None:
        self._answers = answers
        self.not_read: list[tuple[str, str]] = []

    def take(self, name: str, parse: Callable[[str], tuple[_T, ...]]) -> tuple[_T, ...]:
        """A reading's rows; none, and a reason, where it has no answer."""
        got = self._answers.get(name, ABSENT + b"no answer from the clone")
        if got.startswith(ABSENT):
            reason = got[len(ABSENT) :].decode("utf-8", "replace")
            self.not_read.append((name, escape_value(reason)))
            return ()
        return parse(escape_odd(got.decode("utf-8", "backslashreplace")))


def parse_inventory(
    answers: Mapping[str, bytes], asked: Iterable[str], *, moment: str, at_s: float
) -> Inventory:
    """An inventory from the readings' output, by name."""
    told = _Answers(answers)
    machine = (*told.take("machine", lambda text: tuple(text.split()[:2])), "", "")
    return Inventory(
        moment,
        at_s,
        boot_mode=machine[0],
        kernel=machine[1],
        units=told.take("units", parse_units),
        sockets=told.take("sockets", parse_sockets),
        settings=told.take("settings", parse_settings),
        mounts=told.take("mounts", parse_mounts),
        interfaces=told.take("interfaces", parse_interfaces),
        accounts=told.take("accounts", parse_accounts),
        journal=told.take("journal", parse_journal),
        obsolete=told.take("obsolete", parse_obsolete) if "obsolete" in asked else (),
        not_read=tuple(told.not_read),
    )


def parse_settings(text: str) -> tuple[tuple[str, str], ...]:
    """(key, value) from `KEY = VALUE` of sysctl(8); a value of several lines has several
    lines there, of which the last counts."""
    rows: dict[str, str] = {}
    for line in text.splitlines():
        key, equals, value = line.partition(" = ")
        if not equals:
            key, equals, value = line.partition(" =")
        if equals and re.fullmatch(r"[\w./@:-]+", key):
            rows[key] = " ".join(value.split())[:MOST_TEXT]
    return tuple(sorted(rows.items())[:MOST_SETTINGS])


def parse_mounts(text: str) -> tuple[MountSeen, ...]:
    """File systems of /proc/self/mounts, the last mounted on each target."""
    rows = {}
    for line in text.splitlines():
        cells = line.split()
        if len(cells) >= 4:
            source, target, fstype, options = (_unescape(cell) for cell in cells[:4])
            rows[target] = MountSeen(target, fstype, source, options)
    return tuple(rows[target] for target in sorted(rows))


def _unescape(text: str) -> str:
    """Octal escapes of proc_pid_mounts(5): \\040 is a blank."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def parse_interfaces(text: str) -> tuple[str, ...]:
    """Names from paths /sys/class/net/NAME/device."""
    return tuple(sorted({line.split("/")[4] for line in text.split() if line.count("/") == 5}))


def parse_accounts(text: str) -> tuple[str, ...]:
    """`user NAME UID` and `group NAME GID` from `user NAME:UID`."""
    rows = [line.replace(":", " ") for line in text.splitlines()]
    return tuple(sorted(row for row in rows if re.fullmatch(r"(user|group) \S+ \d{1,10}", row)))


def parse_obsolete(text: str) -> tuple[str, ...]:
    """`NAME VERSION` from apt(8)'s `NAME/ORIGIN VERSION ARCHITECTURE [STATE]`."""
    found = re.findall(r"^([a-z0-9][a-z0-9+.-]+)/\S+ (\S+) ", text, re.MULTILINE)
    return tuple(f"{name} {version}" for name, version in found)


# machine-id(5) and UUIDs (RFC 9562): on a template taken over from production's own disk they
# are production's, and journald names its files by them. None may stay in a run's record.
_IDENTIFIER = re.compile(
    r"\b(?:[0-9a-fA-F]{32,}|[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12})\b"
)


def parse_journal(text: str) -> tuple[JournalLine, ...]:
    """Kinds of entries from journalctl's JSON lines, in their order: those that differ in
    numbers only are one. A message that is no text (an array of bytes) is passed over;
    identifiers of machines are not kept."""
    kinds: dict[tuple[str, int, str], JournalLine] = {}
    for line in text.splitlines():
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if not isinstance(entry, dict):
            continue
        message, priority = entry.get("MESSAGE"), str(entry.get("PRIORITY", ""))
        if not isinstance(message, str) or not re.fullmatch("[0-7]", priority):
            continue
        identifier = escape_value(entry.get("SYSLOG_IDENTIFIER") or "")[:80]
        shown = _IDENTIFIER.sub("#", escape_value(message))[:MOST_TEXT]
        key = (identifier, int(priority), strip_numbers(shown))
        known = kinds.get(key)
        if known is None and len(kinds) >= MOST_LINES:
            continue
        kinds[key] = JournalLine(
            identifier, int(priority), known.text if known else shown,
            known.count + 1 if known else 1,
        )  # fmt: skip
    return tuple(kinds.values())


def strip_numbers(text: str) -> str:
    """A message without what differs from one boot to the next: numbers, addresses in
    hexadecimal, identifiers."""
    bare = re.sub(r"0x[0-9a-fA-F]+|\b[0-9a-f]{8,}\b", "#", text)
    return " ".join(re.sub(r"\d+", "#", bare).split())
