"""Made-up packages whose upgrade is work of one kind each, for servers that differ in it.

    files   many small files: dpkg writes and synchronises each of them
    pack    one large file that unpacks well: decompression
    fork    its postinst starts programs, as maintainer scripts do
    count   its postinst computes
    sync    its postinst writes small blocks synchronously, as a database does
    wait    its postinst waits, whatever the machine

`draw_set` picks a server's packages; sizes differ by package and are the same at each call.
"""

from __future__ import annotations

import random

from tests.practice.packages import PracticePackage, list_suites

KINDS = ("files", "pack", "fork", "count", "sync", "wait")
EACH = 6
KB = 1024

_FORK = """#!/bin/sh
set -e
[ -n "$2" ] || exit 0
n=0
while [ $n -lt {amount} ]; do /bin/true; n=$((n + 1)); done
"""
_COUNT = """#!/bin/sh
set -e
[ -n "$2" ] || exit 0
awk 'BEGIN {{ for (i = 0; i < {amount}; i++) s += i % 7 }}'
"""
_SYNC = """#!/bin/sh
set -e
[ -n "$2" ] || exit 0
dd if=/dev/zero of=/var/lib/{name}.data bs=4k count={amount} oflag=dsync status=none
rm /var/lib/{name}.data
"""
_WAIT = """#!/bin/sh
set -e
[ -n "$2" ] || exit 0
sleep {amount}
"""
_SCRIPTS = {
    "fork": (_FORK, 40, 160),
    "count": (_COUNT, 300_000, 1_200_000),
    "sync": (_SYNC, 100, 400),
    "wait": (_WAIT, 1, 3),
}


def list_bench_suites() -> dict[str, tuple[PracticePackage, ...]]:
    """The practice archive's web service and these packages, in both suites."""
    plain = list_suites()
    service = {"shelf-web", "shelf-new", "shelf-old"}
    suites = {
        suite: [package for package in plain[suite] if package.name in service]
        for suite in ("first", "second")
    }
    for kind in KINDS:
        for number in range(EACH):
            name = f"work-{kind}-{number}"
            suites["first"].append(_small(name))
            suites["second"].append(_large(name, kind, random.Random(f"{kind} {number}")))
    # Nobody installs it; an archive has packages of that size, and the line is timed by one.
    large = {"/usr/share/work-large/data": (random.Random("large").randbytes(3000 * KB), 0o644)}
    suites["first"].append(PracticePackage("work-large", "1.0", files=large))
    return {suite: tuple(packages) for suite, packages in suites.items()}


def draw_set(counts: dict[str, int]) -> tuple[str, ...]:
    """The names of that many packages of each kind."""
    return tuple(
        f"work-{kind}-{number}" for kind, count in counts.items() for number in range(count)
    )


def _small(name: str) -> PracticePackage:
    return PracticePackage(name, "1.0", files={f"/usr/share/{name}/about": (b"1.0\n", 0o644)})


def _large(name: str, kind: str, draw: random.Random) -> PracticePackage:
    files = {f"/usr/share/{name}/about": (b"2.0\n", 0o644)}
    if kind == "files":
        for number in range(draw.randint(150, 450)):
            content = draw.randbytes(draw.randint(200, 4 * KB))
            files[f"/usr/share/{name}/{number % 20}/file-{number}"] = (content, 0o644)
    if kind == "pack":
        words = [draw.randbytes(6).hex().encode() for _ in range(2000)]
        size = draw.randint(4000, 12000) * KB
        content = b" ".join(draw.choice(words) for _ in range(size // 13))
        files[f"/usr/share/{name}/text"] = (content, 0o644)
    script = ""
    if kind in _SCRIPTS:
        text, low, high = _SCRIPTS[kind]
        script = text.format(amount=draw.randint(low, high), name=name)
    return PracticePackage(name, "2.0", files=files, postinst=script)
