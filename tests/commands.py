"""The command line, called from tests: ask it, let it tell, or let it refuse."""

from __future__ import annotations

import json
from typing import Any

import pytest

import farend


def ask(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """Run a command with --json and return what it printed."""
    assert farend.main([*words, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert isinstance(answer, dict)
    return answer


def refuse(capsys: pytest.CaptureFixture[str], *words: str, code: int = 1) -> str:
    """Run a command that must fail, and return what it said."""
    try:
        got = farend.main(list(words))
    except SystemExit as ended:  # at the words themselves
        got = int(ended.code or 0)
    assert got == code
    said = capsys.readouterr()
    assert not said.out
    assert "Traceback" not in said.err
    return said.err
