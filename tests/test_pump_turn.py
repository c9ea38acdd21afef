"""Turns of a line's slope among shots, and a pump that is seen to turn only once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis import rests
from analysis.pump_turn import fit_turn
from analysis.shots import find_shots
from tests.shot_scores import PUMP, SCENES, matches, record

Floats = NDArray[np.float64]


def line(turn_s: float, change_pa_per_s: float, shots_s: Floats, *, seed: int) -> tuple[Floats, Floats]:
    """Make means of a line that sinks at 200 Pa/s until it turns, and whose shots come back by half within half a second [s, Pa]."""
    t = rests.BIN_S * np.arange(0.5, 160.0)
    late = np.maximum(t[:, None] - shots_s, 0.0)
    shots = -6e3 * np.sum((1.0 - np.exp(-late / 0.1)) * (0.5 + 0.5 * np.exp(-late / 0.2)), axis=1)
    noise = np.random.default_rng(seed).normal(0.0, 60.0, t.size)
    p: Floats = 620e3 - 200.0 * t + change_pa_per_s * np.maximum(t - turn_s, 0.0) + shots + noise
    return t, p


@pytest.mark.parametrize("every_s", [0.25, 0.4, 0.8])
@pytest.mark.parametrize("turn_s", [7.0, 7.9, 8.8])
def test_a_turn_within_a_burst_is_found_where_the_line_is_hardly_seen(every_s: float, turn_s: float) -> None:
    burst = np.arange(6.4, 9.4, 0.98 * every_s)
    shots = np.concatenate([[2.0, 4.1], burst])
    up, down = (fit_turn(*line(turn_s, change, shots, seed=1), shots.tolist(), up=change > 0.0) for change in (3e3, -3e3))
    assert up is not None
    assert down is not None
    for turn, after in ((up, 2800.0), (down, -3200.0)):
        assert turn.time_s == pytest.approx(turn_s, abs=0.2)
        assert turn.before_pa_per_s == pytest.approx(-200.0, abs=250.0)
        assert turn.after_pa_per_s == pytest.approx(after, abs=250.0)
        assert turn.sure > 20.0


def test_shots_alone_turn_no_line() -> None:
    shots = np.arange(2.0, 12.0, 0.5)
    turns = [fit_turn(*line(8.0, 0.0, shots, seed=seed), shots.tolist(), up=up) for seed in range(4) for up in (True, False)]
    assert all(turn is None or turn.sure < 6.0 for turn in turns)


@pytest.mark.parametrize("up", [True, False])
def test_coarse_readings_without_noise_turn_no_line(up: bool) -> None:
    t = rests.BIN_S * np.arange(120.0)
    turn = fit_turn(t, 6e5 - 1200.0 * np.floor(t / 3.0), [0.0, 3.0, 6.0, 9.0], up=up)
    assert turn is None or turn.sure < 1.0


def test_only_what_follows_the_last_gap_is_looked_at() -> None:
    t, p = line(4.0, 3e3, np.empty(0), seed=2)
    keep = (t < 5.0) | (t > 6.0)
    turn = fit_turn(t[keep], p[keep], (), up=True)
    assert turn is None or turn.sure < 6.0
    assert fit_turn(t[:15], p[:15], (), up=True) is None


@pytest.mark.parametrize("until_s", [1.3, 2.5])
def test_a_stop_shortly_before_the_end_of_the_record(until_s: float) -> None:
    made = record(next(s for s in SCENES if s.name == "on a receiver"), 2)
    stop_s = next(time_s for kind, time_s in made.events if kind == "pump stop")
    kept = made.t_s < stop_s + until_s
    events = [e for e in made.events if e[1] <= stop_s]
    seen = replace(made, t_s=made.t_s[kept], p_pa=made.p_pa[kept], events=tuple(events))
    assert matches(find_shots(seen.t_s, seen.p_pa), seen, PUMP) == (2, 2, 2)


def test_a_pump_that_ran_before_the_record_began_is_seen_to_stop() -> None:
    made = record(next(s for s in SCENES if s.name == "a pump from the start"), 1)
    assert matches(find_shots(made.t_s, made.p_pa), made, PUMP) == (1, 1, 1)
