"""Loggers that write a reading only when it has changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.detector import ShotDetector
from analysis.on_change import changed_step
from analysis.shots import find_shots
from tests.shot_scores import Scene, Scored, record, score

Floats = NDArray[np.float64]
QUIET = Scene(name="a quiet sensor of ten bits", rate_hz=100.0, noise_pa=0.0, step_pa=1172.0, jitter=0.1, single=8, bursts=4)


def written(made: Scored, by_pa: float, beat_s: float = np.inf) -> Scored:
    """Keep the rows that differ by so much from the last one written, and one after so long in any case."""
    kept = [0]
    for i in range(1, made.t_s.size):
        if abs(made.p_pa[i] - made.p_pa[kept[-1]]) > by_pa - 1e-6 or made.t_s[i] - made.t_s[kept[-1]] > beat_s:
            kept.append(i)
    return replace(made, t_s=made.t_s[kept], p_pa=made.p_pa[kept])


@pytest.mark.parametrize("beat_s", [1.0, np.inf])
@pytest.mark.parametrize(("noise_steps", "steps", "rate_hz"), [(0.0, 1.0, 50.0), (0.2, 1.0, 200.0), (0.5, 2.0, 100.0), (1.0, 1.0, 500.0)])
def test_shots_are_as_though_every_reading_were_written(noise_steps: float, steps: float, rate_hz: float, beat_s: float) -> None:
    made = record(replace(QUIET, noise_pa=noise_steps * QUIET.step_pa, rate_hz=rate_hz), 2)
    rows = written(made, steps * QUIET.step_pa, beat_s)
    assert rows.t_s.size < 0.8 * made.t_s.size
    found, whole = find_shots(rows.t_s, rows.p_pa), find_shots(made.t_s, made.p_pa)
    assert score(found, made).f1 == 1.0
    shots = list(zip(found.shots, whole.shots, strict=True))
    assert max(abs(a.time_s - b.time_s) for a, b in shots) < max(0.004, 0.5 / rate_hz)
    assert np.median([abs(a.dip_pa / b.dip_pa - 1.0) for a, b in shots]) < 0.02
    assert any("only when it has changed" in w for w in found.warnings)


@pytest.mark.parametrize("beat_s", [1.0, np.inf])
def test_a_logger_that_was_off_is_a_gap_where_it_else_writes_in_any_case_and_unknowable_where_not(beat_s: float) -> None:
    made = record(QUIET, 3)
    off_s = float(made.times_s[8]) - 2.0
    later = replace(made, t_s=np.where(made.t_s < off_s, made.t_s, made.t_s + 50.0))
    times_s = np.where(made.times_s < off_s, made.times_s, made.times_s + 50.0)
    rows = replace(written(later, QUIET.step_pa, beat_s), times_s=times_s)
    found = find_shots(rows.t_s, rows.p_pa)
    assert score(found, rows).f1 == 1.0
    gaps = [e.until_s - e.time_s for e in found.events if e.kind == "gap"]
    if np.isfinite(beat_s):
        assert gaps == pytest.approx([50.5], abs=0.6)
        assert any("Once it wrote nothing for longer than the 1" in w and "it was off" in w for w in found.warnings)
    else:
        assert not gaps
        assert any("cannot be told apart (longest: 5" in w for w in found.warnings)


@pytest.mark.parametrize("beat_s", [1.0, 10.0, np.inf])
def test_a_line_at_rest_for_ten_minutes_before_the_work_hides_no_shot(beat_s: float) -> None:
    made = record(QUIET, 4)
    idle = np.arange(0.0, 600.0, 0.01)
    made = replace(made, t_s=np.concatenate([idle, 600.0 + made.t_s]), p_pa=np.concatenate([np.full(idle.size, made.p_pa[0]), made.p_pa]))
    rows = written(replace(made, times_s=600.0 + made.times_s), QUIET.step_pa, beat_s)
    assert score(find_shots(rows.t_s, rows.p_pa), rows).f1 == 1.0


@pytest.mark.parametrize("noise_pa", [0.0, 300.0, 1200.0, 20_000.0])
@pytest.mark.parametrize("lost", [0.0, 0.2])
def test_a_logger_that_writes_all_it_reads_is_told_as_such(noise_pa: float, lost: float) -> None:
    made = record(replace(QUIET, noise_pa=noise_pa, rate_hz=200.0), 5)
    kept = np.random.default_rng(6).random(made.t_s.size) >= lost
    t, p = made.t_s[kept], made.p_pa[kept]
    assert all(changed_step(t[a : a + 256], p[a : a + 256]) == 0.0 for a in range(0, t.size - 256, 64))


@pytest.mark.parametrize("size", [1, 7, 300])
def test_rows_may_come_in_blocks_of_any_size(size: int) -> None:
    made = record(replace(QUIET, noise_pa=0.3 * QUIET.step_pa), 7)
    rows = written(made, QUIET.step_pa, 10.0)
    stream = ShotDetector()
    for a in range(0, rows.t_s.size, size):
        stream.feed(rows.t_s[a : a + size], rows.p_pa[a : a + size])
    assert stream.finish() == find_shots(rows.t_s, rows.p_pa)


def test_an_hour_of_silence_is_not_filled() -> None:
    made = record(QUIET, 8)
    late = made.t_s > made.times_s[6] - 1.0
    made = replace(made, t_s=made.t_s + 3600.0 * late, times_s=made.times_s + 3600.0 * (made.times_s > made.times_s[6] - 1.0))
    rows = written(made, QUIET.step_pa)
    found = find_shots(rows.t_s, rows.p_pa)
    assert score(found, rows).f1 == 1.0
    assert [e.kind for e in found.events if e.until_s - e.time_s > 3000.0] == ["gap"]
    assert any("more than 120 s are told as gaps" in w for w in found.warnings)
