"""Sanitising a tree as it streams in, against plain tar of the same tree.

    python -m tests.bench.sanitise_tree [--megabytes 1000] [--pairs 3]

The tree (below /var/tmp, removed afterwards; all of it is made up), by bytes:

- 35 %  binary blobs of 200 to 900 KB: withheld as "not text";
- 20 %  packaged files, unchanged, of 1 to 60 KB: their MD5 is in the package record;
- 33 %  text data of 0.3 to 1.0 MB: word lists, number tables, and one in ten a log with an
        address and a time in each line;
- 12 %  configuration of 0.5 to 12 KB: one in three holds a secret, one in three an address
        or a name of the server, one in ten a key pair's public half or a mail address.

Timed, in turn: `tar` into a file and `tar | take, finish` with the sanitised tar into a
file, the latter in a process of its own whose peak memory is told. Each twice: with the
tree in the page cache and the file left there, as tar is at its fastest; and (as root) with
the cache dropped before and the file synchronised after, as a server that is surveyed once
a day reads, and as a copy that is kept is written. Started at idle priority the figures are
only indicative.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import accumulate
from pathlib import Path
from tempfile import TemporaryDirectory

from forerun.model.raw import ServerNames
from forerun.ports.production import CopyScope
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey_copy import CopyWriter, FileTaker

MB = 1_000_000
NAMES = ServerNames(node="atlas7.corp.example", resolver="search corp.example\n")


class TreeMaker:
    """Writes the mix; the same for the same size."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._random = random.Random(20260101)
        letters = "etaoinshrdlucmfwypvbgkjqxz"
        self._words = ["".join(self._random.choices(letters, k=self._random.randint(3, 10)))
                       for _ in range(20_000)]  # fmt: skip
        # Words as in a language: the n-th is n times as rare as the first (Zipf).
        self._weights = list(accumulate(1 / n for n in range(1, 20_001)))
        self.sums: dict[str, str] = {}
        self.counts = {"blobs": 0, "packaged": 0, "data": 0, "configuration": 0}

    def fill(self, size: int) -> None:
        """Make a tree of about that many bytes."""
        makers = (("blobs", 0.35, self._blob), ("packaged", 0.20, self._packaged),
                  ("data", 0.33, self._data), ("configuration", 0.12, self._config))  # fmt: skip
        for name, share, make in makers:
            written = 0
            while written < size * share:
                content = make()
                number = self.counts[name]
                folder = self._root / "etc" / name / f"d{number // 100}"
                folder.mkdir(parents=True, exist_ok=True)
                path = folder / f"f{number}"
                path.write_bytes(content)
                if name == "packaged":
                    shown = "/" + str(path.relative_to(self._root))
                    self.sums[shown] = hashlib.md5(content, usedforsecurity=False).hexdigest()
                self.counts[name] += 1
                written += len(content)

    def _blob(self) -> bytes:
        return b"\x7fELF\0" + self._random.randbytes(self._random.randint(200_000, 900_000))

    def _text(self, lines: int) -> str:
        pick = self._random.choices
        return "".join(
            " ".join(pick(self._words, cum_weights=self._weights, k=9)) + "\n" for _ in range(lines)
        )

    def _packaged(self) -> bytes:
        return self._text(self._random.randint(15, 900)).encode()

    def _data(self) -> bytes:
        draw, lines = self._random.random, self._random.randint(5_000, 15_000)
        kind = self._random.randint(0, 9)
        if kind == 0:
            rows = (
                f"Jan 12 10:{int(draw() * 60):02d}:{int(draw() * 60):02d} app[{int(draw() * 9999)}]"
                f": 10.{int(draw() * 9)}.{int(draw() * 9)}.{int(draw() * 250)} took"
                f" {int(draw() * 999)} ms\n"
                for _ in range(lines)
            )
        elif kind < 5:
            rows = (f"{row},{draw():.3f},{draw() * 90:.1f},{int(draw() * 99)},ok\n"
                    for row in range(lines))  # fmt: skip
        else:
            return self._text(lines)[:1_000_000].encode()
        return "".join(rows).encode()[:1_000_000]

    def _config(self) -> bytes:
        draw, pick = self._random.random, self._random.choice
        lines = self._random.randint(15, 450)
        words = iter(self._random.choices(self._words, cum_weights=self._weights, k=3 * lines))
        rows = [f"# {pick(self._words)}", f"[{pick(self._words)}]"]
        rows += [f"{a}_{b} = {c}{int(draw() * 9)}" for a, b, c in zip(words, words, words)]  # noqa: B905
        if draw() < 1 / 3:
            rows.insert(3, f"db_password = {self._random.randbytes(8).hex()}X!")
        if draw() < 1 / 3:
            rows.insert(5, pick([
                f"listen = 10.1.{int(draw() * 9)}.{int(draw() * 250)}:80", "host = atlas7",
                "url = https://www.corp.example/x",
            ]))  # fmt: skip
        if draw() < 1 / 10:
            rows.append(f"contact = {pick(self._words)}@corp.example")
        return "\n".join(rows).encode() + b"\n"


def read_chunks(stream: object) -> Iterator[bytes]:
    while chunk := stream.read1(1 << 18):  # type: ignore[attr-defined]
        yield chunk


def sanitise(tree: Path, sums: Path, out: Path) -> dict[str, float]:
    """The measured part, in a process of its own: tar's output to a sanitised tar."""
    shipped = {p: frozenset({s}) for p, s in json.loads(sums.read_text()).items()}
    began = time.perf_counter()
    sanitiser = Sanitiser(Vault(), NAMES, shipped=shipped)
    with out.open("wb") as copy_to, subprocess.Popen(
        ["tar", "--create", "--format=gnu", "--file=-", f"--directory={tree}", "etc"],
        stdout=subprocess.PIPE,
    ) as sender:  # fmt: skip
        copy = CopyWriter(copy_to)
        taker = FileTaker(CopyScope(("/etc",)), sanitiser, copy)
        taker.take_all(read_chunks(sender.stdout))
        taken = time.perf_counter()
        sanitiser.close()
        entries, replacements = taker.write_rest()
        copy.close()
    done = time.perf_counter()
    return {
        "seconds": done - began,
        "take_s": taken - began,
        "finish_s": done - taken,
        "cpu_s": time.process_time(),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / MB,
        "entries": len(entries),
        "replacements": len(replacements),
        "withheld": len(taker.withheld),
        "full": sum("memory" in row.reason for row in taker.withheld),
        "held_mb": sanitiser.held_bytes / MB,
    }


def time_tar(tree: Path, out: Path, *, cold: bool) -> float:
    """Wall seconds of `tar` of the tree into a file."""
    script = 'tar --create --format=gnu --file=- --directory="$1" etc > "$2"'
    script += ' && sync "$2"' if cold else ""
    began = time.perf_counter()
    subprocess.run(["sh", "-c", script, "sh", tree, out], check=True)
    return time.perf_counter() - began


def time_sanitised(tree: Path, sums: Path, out: Path, *, cold: bool) -> dict[str, float]:
    """What `sanitise` tells, from a process of its own."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.bench.sanitise_tree", "--inner", tree, sums, out],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    told: dict[str, float] = json.loads(ran.stdout)
    if cold:
        began = time.perf_counter()
        subprocess.run(["sync", out], check=True)
        told["seconds"] += time.perf_counter() - began
    return told


def drop_cache() -> None:
    """Write everything back and forget what files hold; as root only."""
    subprocess.run(["sync"], check=True)
    Path("/proc/sys/vm/drop_caches").write_text("3\n", encoding="ascii")


def main() -> None:
    """Make the tree, time the pairs, print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--megabytes", type=int, default=1000)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--inner", nargs=3, type=Path)
    given = parser.parse_args()
    if given.inner:
        print(json.dumps(sanitise(*given.inner)))
        return
    with TemporaryDirectory(dir="/var/tmp", prefix="sanitise-bench-") as folder:
        run_pairs(Path(folder), given.megabytes, given.pairs)


def run_pairs(folder: Path, megabytes: int, pairs: int) -> None:
    """Time everything in turn, and print medians."""
    tree, sums, out = folder / "tree", folder / "sums.json", folder / "out.tar"
    maker = TreeMaker(tree)
    maker.fill(megabytes * MB)
    sums.write_text(json.dumps(maker.sums))
    print(f"{megabytes} MB, files: {maker.counts}")
    peak = 0.0
    for cold in (False, True) if os.geteuid() == 0 else (False,):
        name = "cache dropped, file synchronised" if cold else "all in the page cache"
        ratios: list[float] = []
        time_tar(tree, out, cold=False)
        for _ in range(pairs):
            if cold:
                drop_cache()
            plain = time_tar(tree, out, cold=cold)
            out.unlink()
            if cold:
                drop_cache()
            told = time_sanitised(tree, sums, out, cold=cold)
            out.unlink()
            ratios.append(told["seconds"] / plain)
            peak = max(peak, told["peak_mb"])
            print(f"  tar {plain:.2f} s; sanitised", {k: round(v, 2) for k, v in told.items()})
        print(f"{name}: median ratio {statistics.median(ratios):.2f}, {min(ratios):.2f} to "
              f"{max(ratios):.2f} (n = {len(ratios)})")  # fmt: skip
    print(f"peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
