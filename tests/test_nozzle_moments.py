"""The moments of a test nozzle: found near marks set by hand, whatever rings or fills nearby."""

from typing import Any

import numpy as np
import pytest

from analysis.line_episodes import nozzle_episodes, onset, readings, shot_episodes, zero_difference
from analysis.line_file import parse_line
from tests.test_fit import NOMINAL

RATE_HZ = 500.0


def _openings(recovery_s: float, gap_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Invented pressure: 4 s of nozzle from 3 s on, ringing as it shuts, a slow recovery, and after a gap 1 s of it."""
    t = np.arange(0.0, 3.0 + 4.0 + gap_s + 6.0, 1.0 / RATE_HZ)
    p = np.full(t.size, 6.4e5)
    for at, lasts in ((3.0, 4.0), (7.0 + gap_s, 1.0)):
        on, after = (t >= at) & (t < at + lasts), t >= at + lasts
        p[on] -= 4e4 * (1.0 - np.exp(-(t[on] - at) / 0.1))
        since = t[after] - at - lasts
        # The hose between nozzle and receiver rings faster and higher than a nozzle that opens on it pulls down.
        p[after] += 2.5e4 * np.exp(-since / 0.15) * np.sin(2.0 * np.pi * since / 0.1) - 1e4 * np.exp(-since / recovery_s)
    rng = np.random.default_rng(5)
    return t, p + rng.normal(0.0, 500.0, t.size)


@pytest.mark.parametrize("off_s", [-1.5, -0.8, 0.0, 0.9, 1.5])
def test_ringing_after_one_opening_is_not_taken_for_the_next(off_s: float) -> None:
    t, p = _openings(0.3, 1.6)
    found = onset(t, p, 8.6 + off_s, 1.0)
    assert found == pytest.approx(8.6, abs=0.02)


def test_the_first_opening_is_found_from_a_mark_that_is_off() -> None:
    t, p = _openings(0.3, 1.6)
    for off_s in (-1.5, 0.0, 1.5):
        assert onset(t, p, 3.0 + off_s, 4.0) == pytest.approx(3.0, abs=0.02)


def test_a_line_that_still_fills_gives_no_zero_and_no_episode() -> None:
    t, p = _openings(4.0, 3.5)
    channels = {"tool": p, "supply": np.full(t.size, 6.4e5 + 1500.0)}
    nozzle = {"kind": "nozzle", "conductance_l_per_s_bar": 0.6}
    marks: list[dict[str, Any]] = [{"time_s": 3.0, "duration_s": 4.0, **nozzle}, {"time_s": 10.5, "duration_s": 1.0, **nozzle}]
    got = readings(t, channels)
    assert zero_difference(got, parse_line(NOMINAL), marks, marks) == pytest.approx(1500.0, abs=150.0)
    (episode,) = nozzle_episodes(got, marks, [])
    assert episode.at_s == pytest.approx(3.0, abs=0.02)
    # The only one left is used whole: its end and what comes after tell what a second one would have told.
    assert episode.since_s[-1] > 5.0


def test_what_was_said_to_be_no_shot_is_not_fitted() -> None:
    t = np.arange(0.0, 14.0, 1.0 / RATE_HZ)
    p = np.full(t.size, 6.4e5) + np.random.default_rng(6).normal(0.0, 500.0, t.size)
    for at in (3.0, 7.0, 11.0):
        since = t[t >= at] - at
        p[t >= at] -= 6e4 * (np.exp(-since / 0.15) - np.exp(-since / 0.01))
    got = readings(t, {"tool": p})
    assert [e.at_s for e in shot_episodes(got, [])] == pytest.approx([3.0, 7.0, 11.0], abs=0.03)
    marks = [{"time_s": 7.0, "kind": "not a shot", "channel": "tool"}, {"time_s": 11.0, "kind": "not a shot", "channel": "supply"}]
    assert [e.at_s for e in shot_episodes(got, marks)] == pytest.approx([3.0, 11.0], abs=0.03)
