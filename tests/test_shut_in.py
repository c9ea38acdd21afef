"""A leak-down is read only from a line left alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import farend
from analysis.leakdown import leak_at
from analysis.shots import find_shots
from analysis.shut_in import judge
from analysis.thermometer import stuck
from tests.nights import simulate_night

SAMPLES = Path(farend.__file__).parent / "sample_data"


@pytest.mark.parametrize(
    ("name", "reason"),
    [("pump_up", "the pump ran"), ("deck_no_receiver", "it shows work, 72 shots"), ("deck_two_channels", "it shows work")],
)
def test_work_and_pump_cycles_are_no_leak_down(capsys: pytest.CaptureFixture[str], name: str, reason: str) -> None:
    assert farend.main(["leakdown", str(SAMPLES / f"{name}.csv"), "--volume", "100 L", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdict"] == "cannot tell"
    assert reason in answer["why"]
    assert answer["leak_l_per_s"]["value"] is None


def test_recoveries_of_a_line_give_no_leak_to_the_pump(capsys: pytest.CaptureFixture[str]) -> None:
    assert farend.main(["cycles", str(SAMPLES / "deck_no_receiver.csv"), "--volume", "100 L", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["leak_l_per_s"]["value"] is None
    assert any("shots" in warning for warning in answer["warnings"])


def test_a_night_is_planned_by_the_leak_that_must_show(capsys: pytest.CaptureFixture[str]) -> None:
    def record_s(*words: str) -> float:
        assert farend.main(["leakdown", "--plan", "--volume", "30 L", *words, "--json"]) == 0
        return float(json.loads(capsys.readouterr().out)["record_s"])

    assert record_s("--leak", "0.001 L/s") > record_s("--leak", "0.01 L/s") > 0.0
    assert farend.main(["leakdown", "--plan"]) == 1
    assert "--volume" in capsys.readouterr().err
    assert farend.main(["leakdown"]) == 2


def test_work_is_not_taken_for_a_pump_and_a_pump_is_read_overnight(capsys: pytest.CaptureFixture[str]) -> None:
    assert farend.main(["cycles", str(SAMPLES / "deck_no_receiver.csv"), "--volume", "100 L", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert not answer["never_unloads"]
    assert answer["cycles"] == []
    assert farend.main(["leakdown", str(SAMPLES / "pump_up.csv"), "--volume", "100 L"]) == 0
    assert "The pump was left on" in capsys.readouterr().out


def test_several_sessions_tell_a_trend(capsys: pytest.CaptureFixture[str]) -> None:
    pump_up = str(SAMPLES / "pump_up.csv")
    assert farend.main(["cycles", pump_up, pump_up, "--volume", "100 L", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["sessions"]) == 2
    assert answer["leak"]["verdict"] in ("steady", "cannot tell")
    assert farend.main(["cycles", pump_up, pump_up, "--volume", "100 L"]) == 0
    assert "delivery" in capsys.readouterr().out


def test_share_of_delivery_cost_and_altitude_are_heeded(capsys: pytest.CaptureFixture[str]) -> None:
    night = [str(SAMPLES / "overnight.csv"), "--volume", "42.7 L"]

    def ask(*words: str) -> dict[str, Any]:
        assert farend.main(["leakdown", *night, *words, "--json"]) == 0
        answer: dict[str, Any] = json.loads(capsys.readouterr().out)
        return answer

    plain = ask("--delivery", "60 L/min")
    assert plain["delivery_share"]["value"] == pytest.approx(plain["leak_l_per_s"]["value"], rel=1e-6)
    assert ask("--energy", "0.212")["cost_per_year"]["value"] == pytest.approx(2.0 * plain["cost_per_year"]["value"], rel=0.01)
    high = ask("--altitude", "2000 m")
    assert high["conductance_l_per_s_bar"]["value"] > 1.005 * plain["conductance_l_per_s_bar"]["value"]
    assert farend.main(["leakdown", *night, "--delivery", "60 L/min"]) == 0
    assert "of what is delivered" in capsys.readouterr().out


@pytest.mark.parametrize("moves", [False, True])
def test_a_thermometer_that_stands_still_is_not_believed(moves: bool) -> None:
    # A leak that a warming shop hides: with a dead thermometer the line would pass for tight.
    night = simulate_night(21, conductance=6e-13, volume_m3=0.04, channel="room", drift_k_per_h=1.3, swing_k=1.0)
    assert night.temp_k is not None
    temp_k = night.temp_k if moves else np.full(night.t_s.size, 293.15)
    leak = judge(night.t_s, night.p_pa, lambda: find_shots(night.t_s, night.p_pa), volume_m3=0.04, temp_k=temp_k).leak
    assert leak.temperature == ("measured" if moves else "none")
    assert any("stands still for hours" in w for w in leak.warnings) is not moves
    assert leak.leak_m3_per_s.low is not None
    assert leak.leak_m3_per_s.high is not None
    assert leak.leak_m3_per_s.low < leak_at(6e-13, leak.reference_pa) < leak.leak_m3_per_s.high


def test_a_coarse_thermometer_may_stand_for_longer_than_a_fine_one() -> None:
    t = np.arange(0.0, 40_000.0, 10.0)
    drift = 290.0 + t / 40_000.0
    assert not stuck(t, np.round(drift)).any()
    held = np.where(t > 20_000.0, 290.5, np.round(drift * 16.0) / 16.0)
    assert stuck(t, held)[t > 20_000.0].all()
    assert not stuck(t, held)[t < 18_000.0].any()
