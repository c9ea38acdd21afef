"""`farend water`, `farend setting` and `farend check` as a user meets them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import farend
from analysis.line_check import check_parts, rating_cautions
from analysis.line_file import parse_line
from tests.commands import ask, refuse

SAMPLES = Path(farend.__file__).parent / "sample_data"
BOATHOUSE = str(SAMPLES / "boathouse.toml")


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAREND_HOME", str(tmp_path / "home"))


def tell(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert farend.main(list(words)) == 0
    return capsys.readouterr().out


# Water


def test_water_keys_and_balance(capsys: pytest.CaptureFixture[str]) -> None:
    a = ask(capsys, "water", "--line", BOATHOUSE, "--shots-per-day", "1500", "--coldest", "5 degC")
    assert set(a) >= {"condensed_l_per_day", "dew_point_at_tool_degc", "drain_every_h", "desiccant_life_h", "warnings"}
    condensed = a["condensed_l_per_day"]
    assert set(condensed) >= {"tank", "hose", "receiver"}
    out = sum(part["value"] for part in condensed.values()) + a["left_in_air_l_per_day"]["value"] + a["held_by_dryer_l_per_day"]["value"]
    assert out == pytest.approx(a["drawn_in_l_per_day"]["value"], rel=1e-6)
    assert a["dew_point_at_tool_degc"]["value"] == pytest.approx(5.0, abs=0.05)
    assert a["water_forms"] == "yes"
    assert a["desiccant_life_h"]["value"] is None


def test_twice_the_shots_twice_the_water(capsys: pytest.CaptureFixture[str]) -> None:
    one, two = (ask(capsys, "water", "--line", BOATHOUSE, "--shots-per-day", n) for n in ("500", "1000"))
    assert two["drawn_in_l_per_day"]["value"] == pytest.approx(2.0 * one["drawn_in_l_per_day"]["value"])
    assert two["drain_every_h"]["value"] == pytest.approx(0.5 * one["drain_every_h"]["value"], rel=0.02)  # the tank warms a little


def test_water_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    said = tell(capsys, "water", "--line", BOATHOUSE, "--air", "3 m3", "--humidity", "90 %", "--show", "psi")
    assert "dew point" in said
    assert "°F" in said
    assert "drain it every day" in said


def test_water_with_a_dryer(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = (
        Path(BOATHOUSE)
        .read_text(encoding="utf-8")
        .replace('[[part]]\nkind = "coupler"', '[[part]]\nkind = "dryer"\n\n[[part]]\nkind = "coupler"')
    )
    file = tmp_path / "dry.toml"
    file.write_text(text, encoding="utf-8")
    a = ask(capsys, "water", "--line", str(file), "--desiccant", "500 g")
    assert a["desiccant_life_h"]["low"] < a["desiccant_life_h"]["value"] < a["desiccant_life_h"]["high"]
    assert a["water_forms"] == "no"
    more = ask(capsys, "water", "--line", str(file), "--desiccant", "1 kg")
    assert more["desiccant_life_h"]["value"] == pytest.approx(2.0 * a["desiccant_life_h"]["value"])


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--humidity", "70"], 2, "has no unit"),
        (["--humidity", "170 %"], 1, "cannot be"),
        (["--air", "3 bar"], 2, "is a pressure"),
        (["--shots-per-day", "0"], 1, "more than nothing"),
        (["--coldest", "90 degC"], 1, "coldest place"),
    ],
)
def test_water_refuses(capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str) -> None:
    assert said in refuse(capsys, "water", "--line", BOATHOUSE, *words, code=code)


# Setting


def judged_session(tmp_path: Path, settings_kpa: list[float], *, marks: bool = True) -> tuple[str, str]:
    """Write a recording with one shot at each setting of a regulator, and a judgement three seconds after it; invented."""
    rate, pause = 200.0, 15.0
    t = np.arange(0.0, pause * len(settings_kpa) + 5.0, 1.0 / rate)
    p = np.interp(t, [0.0], [settings_kpa[0]])
    shots = []
    for i, level in enumerate(settings_kpa):
        start = pause * i
        p = np.where(t >= start, p + (level - p) * np.clip((t - start) / 2.0, 0.0, 1.0), p)
        shots.append(start + 8.0)
    for at in shots:
        after = np.clip(t - at, 0.0, None)
        p = p - 45.0 * (1.0 - np.exp(-after / 0.01)) * np.exp(-after / 0.12) * (after > 0.0)
    p += np.random.default_rng(4).normal(0.0, 0.3, t.size)
    csv = tmp_path / "judged.csv"
    csv.write_text("time_s,tool_kpa\n" + "\n".join(f"{a:.4f},{b:.2f}" for a, b in zip(t, p, strict=True)) + "\n", encoding="utf-8")
    jsonl = tmp_path / "judged.jsonl"
    depth = ["proud" if s < 590.0 else "deep" if s > 670.0 else "flush" for s in settings_kpa]
    lines = [json.dumps({"time_s": at + 3.0, "kind": "judged", "depth": d}) for at, d in zip(shots, depth, strict=True)]
    jsonl.write_text("\n".join(lines if marks else []) + "\n", encoding="utf-8")
    return str(csv), str(jsonl)


SETTINGS = [540.0, 560.0, 580.0, 600.0, 620.0, 640.0, 660.0, 680.0, 700.0, 720.0]


def test_setting_from_marks(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    csv, marks = judged_session(tmp_path, SETTINGS)
    a = ask(capsys, "setting", csv, "--marks", marks, "--limit", "120 psi")
    assert a["verdict"] == "setting"
    assert a["flush_kpa"]["low"] < 630.0 < a["flush_kpa"]["high"]
    assert a["flush_kpa"]["value"] == pytest.approx(630.0, abs=15.0)
    assert [round(j["before_kpa"], -1) for j in a["judged"]] == SETTINGS
    assert a["limit_kpa"] == pytest.approx(827.4, abs=0.1)
    assert "Flush at" in tell(capsys, "setting", csv, "--marks", marks)


def test_setting_heeds_the_tool(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    csv, marks = judged_session(tmp_path, SETTINGS)
    a = ask(capsys, "setting", csv, "--marks", marks, "--line", BOATHOUSE)
    assert a["limit_kpa"] == pytest.approx(700.0)  # top of the invented nailer's window, below its rating
    low = ask(capsys, "setting", csv, "--marks", marks, "--line", BOATHOUSE, "--limit", "5.6 bar")
    assert low["verdict"] == "above the limit"
    assert low["suggested_kpa"] is None


def test_setting_without_judgements(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    csv, marks = judged_session(tmp_path, [600.0, 620.0], marks=False)
    a = ask(capsys, "setting", csv, "--marks", marks)
    assert a["verdict"] == "cannot tell"
    assert "No shot has been judged" in a["why"]
    assert a["flush_kpa"] == {"value": None, "low": None, "high": None}


# Check


def test_check_counts_a_failed_regulator(capsys: pytest.CaptureFixture[str]) -> None:
    a = ask(capsys, "check", "--line", BOATHOUSE)
    verdicts = {p["name"]: p["verdict"] for p in a["parts"]}
    assert verdicts["deck nailer"] == "too low when a regulator fails"
    assert verdicts["deck hose"] == "rated for all"
    text = " ".join(a["cautions"])
    for source in ("1910.242(b)", "1926.302(b)", "1910.169(b)", "UG-125(c)", "local codes", "licensed person"):
        assert source in text
    assert "fails open, deck nailer sees 9.0 bar" in text


def test_check_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    said = tell(capsys, "check", "--line", BOATHOUSE, "--show", "psi")
    assert said.startswith("Boathouse line: Not rated for all they can see: deck nailer (1 of 5 parts).")
    assert "at worst" in said


LINE = """
name = "Test line"
[compressor]
tank = "50 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "200 L/min"
rated = "{tank}"
[[part]]
kind = "hose"
length = "10 m"
bore = "{bore}"
rated = "{hose}"
[[part]]
kind = "tool"
{tool}
"""


@pytest.mark.parametrize(
    ("tank", "hose", "tool", "verdicts"),
    [
        ("11 bar", "20 bar", 'rated = "9 bar"', ["rated for all"] * 3),
        ("8 bar", "20 bar", 'rated = "9 bar"', ["too low", "rated for all", "rated for all"]),
        ("11 bar", "8.9 bar", "", ["rated for all", "too low", "rating not known"]),
        ("11 bar", "20 bar", 'window = ["5 bar", "7 bar"]', ["rated for all", "rated for all", "too low"]),
    ],
)
def test_ratings_without_a_regulator(tank: str, hose: str, tool: str, verdicts: list[str]) -> None:
    line = parse_line(LINE.format(tank=tank, hose=hose, tool=tool, bore="9 mm"))
    assert [c.verdict for c in check_parts(line)] == verdicts


def test_what_only_some_lines_ask_for() -> None:
    plain = parse_line(LINE.format(tank="11 bar", hose="20 bar", tool='rated = "12 bar"', bore="9 mm"))
    wide = parse_line(LINE.format(tank="11 bar", hose="20 bar", tool='rated = "12 bar"', bore="13 mm"))
    assert "1926.302(b)(7)" not in " ".join(rating_cautions(plain))
    assert "1926.302(b)(7)" in " ".join(rating_cautions(wide))
    assert "1926.302(b)(3)" in " ".join(rating_cautions(plain))  # 9 bar is above 100 psi
