"""Sanitising a tree as it streams in, against plain tar of the same tree.

    python -m tests.bench.sanitise_tree [--megabytes 1000] [--pairs 3]

The tree (below /var/tmp, removed afterwards; all of it is made up), by bytes:

- 35 %  binary blobs of 200 to 900 KB: withheld as "not text";
- 20 %  packaged files, unchanged, of 1 to 60 KB: their MD5 is in the package record;
- 33 %  text data of 0.3 to 1.0 MB: word lists, number tables, and one in ten a log with an
        address and a time in each line;
- 12 %  configuration of 0.5 to 12 KB: one in three holds a secret, one in three an address
        or a name of the server, one in ten a key pair's public half or a mail address.

Timed, in turn: `tar | cat` into nothing; `tar` into a file; and `tar | take, finish` with
the sanitised tar into a file, in a process of its own whose peak memory is told. All files
are in the page cache. Started at idle priority the figures are only indicative.
"""

from __future__ import annotations

import argparse
import hashlib
import json
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


def time_shell(script: str, *arguments: str) -> tuple[float, float]:
    """(wall, CPU) seconds of a shell script and all it starts."""
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(["sh", "-c", script, "sh", *arguments], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - began, cpu


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
    pack = 'tar --create --format=gnu --file=- --directory="$1" etc'
    time_shell(f"{pack} | cat > /dev/null", str(tree))
    rows: list[tuple[float, float, float, dict[str, float]]] = []
    for _ in range(pairs):
        nothing, cpu = time_shell(f"{pack} | cat > /dev/null", str(tree))
        to_file, _ = time_shell(f'{pack} > "$2"', str(tree), str(out))
        out.unlink()
        ran = subprocess.run(
            [sys.executable, "-m", "tests.bench.sanitise_tree", "--inner",
             str(tree), str(sums), str(out)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        out.unlink()
        rows.append((nothing, to_file, cpu, json.loads(ran.stdout)))
        print(f"  tar|cat {nothing:.2f} s (CPU {cpu:.2f})  tar to file {to_file:.2f} s")
        print("  sanitised", {key: round(value, 2) for key, value in rows[-1][3].items()})
    walls = [(0, "seconds", "tar into nothing"), (1, "seconds", "tar into a file"),
             (2, "cpu_s", "tar into nothing, CPU")]  # fmt: skip
    for at, key, name in walls:
        ratios = [row[3][key] / row[at] for row in rows]  # type: ignore[operator]
        print(f"  against {name}: median ratio {statistics.median(ratios):.2f}, "
              f"{min(ratios):.2f} to {max(ratios):.2f} (n = {len(rows)})")  # fmt: skip
    print(f"  peak memory {max(row[3]['peak_mb'] for row in rows):.0f} MB")


if __name__ == "__main__":
    main()
