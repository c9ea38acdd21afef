"""What the line model expects of a change, set beside the measurement."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import farend
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.predict import predict_change

SAMPLES = Path(farend.__file__).parent / "sample_data"
PLAIN, RECEIVER = SAMPLES / "boathouse.toml", SAMPLES / "boathouse_receiver.toml"


def line(file: Path) -> Line:
    return parse_line(file.read_text(encoding="utf-8"))


def ask(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    before, after = str(SAMPLES / "deck_no_receiver.csv"), str(SAMPLES / "deck_receiver.csv")
    assert farend.main(["compare", before, after, *words, "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def test_a_line_that_stays_is_expected_to_do_the_same() -> None:
    same = predict_change(line(PLAIN), line(PLAIN))
    for e in (same.recovery_change, same.dip_change):
        assert e.value == pytest.approx(0.0)
        # What the file does not know is the same on both sides, so only the model's own doubt is left.
        assert e.low == pytest.approx(-0.048, abs=0.002)
    assert same.recovery_before_s == same.recovery_after_s


def test_a_change_backwards_is_the_inverse() -> None:
    there, back = predict_change(line(PLAIN), line(RECEIVER)), predict_change(line(RECEIVER), line(PLAIN))
    for one, other in ((there.recovery_change, back.recovery_change), (there.dip_change, back.dip_change)):
        assert one.value is not None
        assert other.value is not None
        assert one.value < -0.2
        assert (1.0 + one.value) * (1.0 + other.value) == pytest.approx(1.0, rel=1e-6)


def test_a_longer_hose_recovers_later_and_a_higher_setting_alone_hardly_changes_the_dip() -> None:
    before = line(PLAIN)
    longer = replace(before, parts=tuple(replace(p, length_m=1.5 * p.length_m) if p.length_m else p for p in before.parts))
    higher = replace(before, parts=tuple(replace(p, set_pa=1.08 * p.set_pa) if p.set_pa else p for p in before.parts))
    slower = predict_change(before, longer).recovery_change
    assert slower.low is not None
    assert slower.low > 0.0
    assert predict_change(before, higher).dip_change.value == pytest.approx(0.0, abs=0.03)


def test_a_line_that_never_comes_back_has_no_recovery() -> None:
    before = line(PLAIN)
    choked = replace(before, parts=tuple(replace(p, bore_m=1.5e-3) if p.bore_m else p for p in before.parts))
    assert predict_change(before, choked).recovery_change.value is None


def test_compare_sets_the_prediction_beside_the_measurement(capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(capsys)["predicted"] is None
    answer = ask(capsys, "--line-before", str(PLAIN), "--line-after", str(RECEIVER))
    for what in ("recovery", "dip"):
        expected = answer["predicted"][what]["change"]
        assert expected["low"] < answer[what]["change"]["value"] < expected["high"]


def test_a_session_that_names_no_line_must_be_told_one(capsys: pytest.CaptureFixture[str]) -> None:
    csv = str(SAMPLES / "deck_receiver.csv")
    assert farend.main(["compare", csv, csv, "--line-before", str(PLAIN)]) == 1
    assert "names no air line of its own; give it with --line-after" in capsys.readouterr().err
