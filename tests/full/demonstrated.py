"""The demonstration, played for a test as a visitor plays it."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]


def play(folder: Path, *words: str) -> dict[str, Any]:
    """Run `demo/run` with these words, its output into a log in `folder`; the report that it
    leaves. Skips where nobody is root."""
    if os.geteuid() != 0:
        pytest.skip("the demonstration needs root")
    log = folder / "log"
    with log.open("wb") as stream:
        done = subprocess.run(
            [str(ROOT / "demo" / "run"), *words],
            stdin=subprocess.DEVNULL,
            stdout=stream,
            stderr=subprocess.STDOUT,
            check=False,
        )
    said = log.read_text(encoding="utf-8", errors="replace")
    assert done.returncode == 0, said[-4000:]
    assert "Traceback" not in said
    document = json.loads((ROOT / "demo" / "out" / "report.json").read_text(encoding="utf-8"))
    assert isinstance(document, dict)
    return document
