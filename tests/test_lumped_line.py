"""What is and what is no shot on a lumped line, by first-order answers: draws, quick tools, thin hoses, two tools at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.detector import ShotDetector
from analysis.held_down import held_down
from analysis.record import ShotRecord
from analysis.settled import Trace, settled_shots

Floats = NDArray[np.float64]

RATE_HZ = 250.0


def line(
    flows: Sequence[tuple[float, float, float]],
    *,
    tau_s: float,
    length_s: float = 90.0,
    tank_pa_per_s: float = 0.0,
    noise_pa: float = 400.0,
) -> tuple[Floats, Floats]:
    """Pressure at the end of a hose that answers in `tau_s` to air drawn from a time on, for so long, so strongly [s, s, Pa].

    Each second of a draw of 1 kPa takes `tank_pa_per_s` from the tank for good.
    """
    fine = 8
    t = np.arange(int(length_s * RATE_HZ) * fine) / (RATE_HZ * fine)
    flow = np.zeros(t.size)
    for from_s, for_s, pa in flows:
        flow[(t >= from_s) & (t < from_s + for_s)] += pa
    share = 1.0 - np.exp(-1.0 / (RATE_HZ * fine * tau_s))
    sag = lfilter([share], [1.0, share - 1.0], flow)
    sunk = np.cumsum(flow) / (RATE_HZ * fine) * tank_pa_per_s / 1e3
    p = (800e3 - sag - sunk)[::fine]
    p = p + np.random.default_rng(1).normal(0.0, noise_pa, p.size)
    return t[::fine], np.round(p / (0.75 * noise_pa)) * 0.75 * noise_pa


def found(t: Floats, p: Floats, block: int = 4096) -> ShotRecord:
    detector = ShotDetector()
    for a in range(0, t.size, block):
        detector.feed(t[a : a + block], p[a : a + block])
    return detector.finish()


def draws(seconds: float, pa: float = 9e3) -> list[tuple[float, float, float]]:
    return [(5.0 + 8.0 * i, seconds * (1.0 + 0.04 * i), pa) for i in range(10)]


@pytest.mark.parametrize("seconds", [0.35, 1.0, 3.0])
def test_puffs_of_a_blow_gun_behind_a_regulator_are_draws(seconds: float) -> None:
    record = found(*line(draws(seconds), tau_s=0.03))
    assert not record.shots
    assert [e.kind for e in record.events] == ["air draw"] * 10
    for event, (from_s, for_s, _) in zip(record.events, draws(seconds), strict=True):
        assert event.time_s == pytest.approx(from_s, abs=0.05)
        assert event.until_s == pytest.approx(from_s + for_s, abs=0.1)


@pytest.mark.parametrize("seconds", [0.5, 1.5])
def test_draws_that_empty_a_small_tank_are_draws_and_no_regulator(seconds: float) -> None:
    record = found(*line(draws(seconds), tau_s=0.06, tank_pa_per_s=400.0))
    assert not record.shots
    assert {e.kind for e in record.events} == {"air draw"}
    assert len(record.events) == 10


def test_a_long_fall_that_a_good_sensor_marks_twice_is_one_draw() -> None:
    record = found(*line(draws(2.0, 15e3), tau_s=0.3, tank_pa_per_s=100.0, noise_pa=60.0))
    assert not record.shots
    assert [e.kind for e in record.events] == ["air draw"] * 10


def test_blocks_make_no_difference_to_draws() -> None:
    t, p = line([*draws(0.5), *((9.0 + 8.0 * i, 0.02, 100e3) for i in range(9))], tau_s=0.05)
    whole, pieces = found(t, p, t.size), found(t, p, 37)
    assert len(whole.shots) == 9
    assert whole.shots == pieces.shots
    assert whole.events == pieces.events


@pytest.mark.parametrize("every_s", [0.25, 0.35, 0.5])
def test_quick_deep_shots_on_a_thin_hose_are_no_draws(every_s: float) -> None:
    shots = [(5.0 + 9.0 * i + every_s * j, 0.06, 600e3) for i in range(9) for j in range(4)]
    record = found(*line(shots, tau_s=0.8))
    assert len(record.shots) == len(shots)
    assert not record.events


@pytest.mark.parametrize("every_s", [0.11, 0.125, 0.14])
def test_a_stapler_that_fires_itself_is_no_ripple(every_s: float) -> None:
    shots = [(5.0 + 9.0 * i + every_s * j, 0.02, 30e3) for i in range(9) for j in range(10)]
    record = found(*line(shots, tau_s=0.03, tank_pa_per_s=300.0))
    assert len(record.shots) == len(shots)


@pytest.mark.parametrize("share", [0.08, 0.15])
def test_small_and_large_tool_in_one_session_are_both_seen(share: float) -> None:
    shots = [(5.0 + 3.0 * i, 0.02, 200e3 * (share if i % 3 == 1 else 1.0)) for i in range(27)]
    record = found(*line(shots, tau_s=0.04))
    assert [s.time_s for s in record.shots] == pytest.approx([at for at, _, _ in shots], abs=0.01)


def test_a_shot_on_a_tank_before_its_pump_starts_stays_a_shot() -> None:
    t = np.arange(0.0, 20.0, 1.0 / RATE_HZ)
    shot = np.where(t > 2.0, 6e3 * (1.0 - np.exp(-np.maximum(t - 2.0, 0.0) / 0.05)), 0.0)
    back = np.where(t > 2.2, 2.5e3 * (1.0 - np.exp(-np.maximum(t - 2.2, 0.0) / 0.15)), 0.0)
    pumped = np.maximum(t - 17.0, 0.0) * 6e3
    p = 710e3 - shot + back - 400.0 * t + pumped
    i = t >= 2.0
    assert held_down(t[i], p[i], 709.2e3, 6e3, 200.0) is None


def test_too_few_readings_say_nothing() -> None:
    assert held_down(np.array([0.0]), np.array([1e5]), 1e5, 1e3, 30.0) is None
    assert held_down(np.array([0.0, 0.02]), np.array([1e5, 99e3]), 1e5, 1e3, 30.0) is None


@pytest.mark.parametrize("every_s", [0.36, 0.4])
def test_the_next_shot_of_a_burst_is_no_part_of_the_mean_dip(every_s: float) -> None:
    shots = [(4.0 + 4.2 * i + every_s * j, 0.02, 135e3) for i in range(20) for j in range(2)]
    t, p = line(shots, tau_s=0.12, noise_pa=800.0)
    settled = settled_shots(Trace(t_s=t, p_pa=p))
    assert settled.used >= 10
    assert abs(settled.dip_bias) < 0.03


def test_dips_that_noise_changes_a_little_leave_recoveries_as_they_were_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    t, p = line([(4.0 + 4.0 * i, 0.02, 135e3) for i in range(20)], tau_s=0.05, noise_pa=800.0)
    settled = []
    for bias in (0.0, -0.02):
        monkeypatch.setattr("analysis.settled.dip_bias", lambda *_, bias=bias: (bias, 0.0))
        settled.append(settled_shots(Trace(t_s=t, p_pa=p)))
    assert settled[1].time_s == pytest.approx(settled[0].time_s, nan_ok=True)
    assert settled[1].dip_pa == pytest.approx(settled[0].dip_pa * np.exp(0.02))
