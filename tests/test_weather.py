"""Weather measured at the intake: read from a file without a line's pressure, and heeded by the water balance."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.weather import read_weather
from tests.browser.home import LINES
from tests.commands import ask, refuse

LINE = str(LINES / "boathouse.toml")


@pytest.fixture
def hygrometer(tmp_path: Path) -> Path:
    path = tmp_path / "shed.csv"
    rows = [f"{60 * i},{18 + i % 3}.5,{80 + i % 5}" for i in range(60)]
    path.write_text("time_s,shed (degC),shed (%RH)\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_a_hygrometers_file_tells_the_weather(hygrometer: Path) -> None:
    weather = read_weather(str(hygrometer))
    assert weather.temperature_k == pytest.approx(292.65)
    assert weather.humidity == pytest.approx(0.82)
    assert weather.p_amb_pa is None


def test_the_command_heeds_it_and_what_is_stated_wins(hygrometer: Path, capsys: pytest.CaptureFixture[str]) -> None:
    measured = ask(capsys, "water", "--line", LINE, "--weather", str(hygrometer))
    stated = ask(capsys, "water", "--line", LINE, "--temperature", "19.5 degC", "--humidity", "82 %")
    assert measured["drawn_in_l_per_day"]["value"] == pytest.approx(stated["drawn_in_l_per_day"]["value"], rel=1e-6)
    assert measured["drawn_in_l_per_day"]["high"] < stated["drawn_in_l_per_day"]["high"]
    dry = ask(capsys, "water", "--line", LINE, "--weather", str(hygrometer), "--humidity", "30 %")
    assert dry["drawn_in_l_per_day"]["value"] < 0.5 * measured["drawn_in_l_per_day"]["value"]


def test_what_tells_no_weather_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAREND_HOME", str(tmp_path))
    said = refuse(capsys, "water", "--line", LINE, "--weather", str(LINES / "overnight.csv"))
    assert "no channel that measures a humidity" in said
    assert "There is no session" in refuse(capsys, "water", "--line", LINE, "--weather", "nowhere")


def test_water_is_told_per_hour_per_day_and_per_1000_shots(capsys: pytest.CaptureFixture[str]) -> None:
    told = ask(capsys, "water", "--line", LINE, "--shots-per-day", "2000", "--hours", "4 h")
    a_day = sum(part["value"] for part in told["condensed_l_per_day"].values())
    assert told["condensed_ml_per_hour"]["value"] == pytest.approx(1e3 * a_day / 4.0)
    assert told["condensed_ml_per_1000_shots"]["value"] == pytest.approx(1e3 * a_day / 2.0)
