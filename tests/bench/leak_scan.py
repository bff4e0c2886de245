"""How fast the leak scan reads: MB of data a second, for several kinds of data.

    python -m tests.bench.leak_scan [--megabytes 256] [--originals 2000]

Text, random bytes and packed text lie in files below /var/tmp, removed afterwards; the
last one is a sparse file of 10 GB with 64 MB of text in it. All of it is made up."""

from __future__ import annotations

import argparse
import gzip
import os
import random
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from forerun.stages.leakscan import LeakScanner

MB = 1_000_000


@dataclass(frozen=True)
class Made:
    """An original."""

    value: bytes = field(repr=False)
    rule: str = "made"

    def reveal(self) -> bytes:
        return self.value


class Many:
    """As many originals as a large server has."""

    def __init__(self, count: int) -> None:
        draw = random.Random(7)
        self._all = [Made(draw.randbytes(9).hex().encode()[: 12 + n % 7]) for n in range(count)]

    def originals(self) -> list[Made]:
        return self._all


def make_text(size: int) -> bytes:
    draw = random.Random(11)
    words = [bytes(draw.choices(b"abcdefghijklmnopqrstuvwxyz", k=draw.randint(2, 11)))
             for _ in range(20_000)]  # fmt: skip
    part = b" ".join(draw.choices(words, k=150_000))
    return (part * (size // len(part) + 1))[:size]


def main() -> None:
    """Print one row a kind of data."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=256)
    parser.add_argument("--originals", type=int, default=2000)
    arguments = parser.parse_args()
    began = time.monotonic()
    scanner = LeakScanner(Many(arguments.originals))
    print(f"{scanner.patterns} patterns, ready in {time.monotonic() - began:.1f} s")
    size = arguments.megabytes * MB
    with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="forerun-leakbench-") as folder:
        place = Path(folder)
        (place / "text").write_bytes(make_text(size))
        (place / "random").write_bytes(os.urandom(size))
        (place / "packed.gz").write_bytes(gzip.compress(make_text(size // 8), 1))
        with (place / "sparse").open("wb") as out:
            for at in range(8):
                out.seek(at * 1250 * MB)
                out.write(make_text(8 * MB))
            out.truncate(10_000 * MB)
        for name in ("text", "random", "packed.gz", "sparse"):
            path = place / name
            real = path.stat().st_blocks * 512
            began, cpu = time.monotonic(), time.process_time()
            hits = list(scanner.scan_path(path))
            took, spent = time.monotonic() - began, time.process_time() - cpu
            print(f"{name:9} {real / MB:6.0f} MB of data {took:5.1f} s {real / MB / took:6.0f} MB/s"
                  f"  {real / MB / spent:6.0f} MB per CPU second  {len(hits)} hits")  # fmt: skip


if __name__ == "__main__":
    main()
