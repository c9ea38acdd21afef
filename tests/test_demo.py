"""The demo, run as a newcomer runs it: in a process of its own, from the wire to the findings."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from logger.kept import list_sessions


def test_the_demo_plays_records_and_tells_its_findings(tmp_path: Path) -> None:
    env = os.environ | {"FAREND_HOME": str(tmp_path), "FAREND_UNITS": "psi"}
    words = [sys.executable, "-W", "error", "-m", "farend", "demo", "--no-serve"]
    done = subprocess.run(words, env=env, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    for finding in (
        "Shots, without a receiver",
        "What the line model expects",
        "Before and after the receiver",
        "Air per shot",
        "Overnight",
        "Mind",
    ):
        assert finding in done.stdout
    assert "It helped." in done.stdout
    assert "It leaks." in done.stdout
    assert "invented" in done.stderr
    sessions = list_sessions(tmp_path / "demo")
    assert [s.notes for s in sessions] == ["Invented."] * 6
