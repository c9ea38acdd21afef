"""Figures and thinning out: nothing that matters is lost, units are the reader's, gaps stay gaps."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.record import Shot
from dashboard import line_figures, recording_figures, shot_figures
from dashboard.reader import Reader
from dashboard.zoom import thin, window


def shot(time_s: float, minimum_pa: float, *, by_hand: bool = False) -> Shot:
    """A shot as far as a mark shows it."""
    return Shot(
        time_s=time_s,
        before_pa=6.5e5,
        minimum_pa=minimum_pa,
        dip_pa=6.5e5 - minimum_pa,
        recovery_s=0.3,
        censored_s=0.3,
        outcome="recovered",
        by_hand=by_hand,
    )


@given(st.integers(5, 40_000), st.integers(0, 2**31))
def test_thinning_keeps_lowest_highest_and_both_ends(size: int, seed: int) -> None:
    y = np.random.default_rng(seed).normal(size=size)
    t = np.arange(size, dtype=float)
    few_t, few_y = thin(t, y, 500)
    assert few_y.min() == y.min()
    assert few_y.max() == y.max()
    assert (few_t[0], few_t[-1]) == (t[0], t[-1])
    assert few_t.size <= max(size if size <= 500 else 0, 510)
    assert np.all(np.diff(few_t) > 0)


def test_a_spike_of_one_reading_survives_a_million() -> None:
    y = np.full(1_000_000, 6.0e5)
    y[123_457] = 3.0e5
    t, few = thin(np.arange(y.size) / 1000.0, y)
    assert few.size < 2100
    assert t[few.argmin()] == pytest.approx(123.457)


def test_missing_stretches_stay_missing_when_thinned() -> None:
    y = np.ones(100_000)
    y[40_000:60_000] = np.nan
    t, few = thin(np.arange(y.size, dtype=float), y, 1000)
    inside = (t > 40_200) & (t < 59_800)
    assert inside.any()
    assert np.isnan(few[inside]).all()


def test_a_window_brings_room_on_either_side_for_panning() -> None:
    t = np.arange(0.0, 1000.0, 0.01)
    few_t, _ = window(t, np.sin(t), 400.0, 420.0)
    assert few_t[0] == pytest.approx(390.0, abs=0.05)
    assert few_t[-1] == pytest.approx(430.0, abs=0.05)


@pytest.mark.parametrize(("unit", "shown"), [("bar", 6.5), ("psi", 94.27), ("kPa", 650.0)])
def test_a_recording_is_drawn_in_the_readers_unit(unit: str, shown: float) -> None:
    t = np.arange(0.0, 10.0, 0.1)
    fig = recording_figures.recording(t, np.full(t.size, 6.5e5), Reader(unit), shots=[shot(5.0, 6.0e5)])
    assert fig.data[0].y[0] == pytest.approx(shown, rel=1e-3)
    assert fig.layout.yaxis.title.text == f"gauge pressure [{unit}]"
    assert fig.layout.xaxis.title.text == "time [s]"
    assert list(fig.data[1].x) == [5.0]


def test_a_long_recording_is_drawn_in_hours_and_its_shots_with_it() -> None:
    t = np.arange(0.0, 36_000.0, 1.0)
    fig = recording_figures.recording(t, np.full(t.size, 6.5e5), Reader("bar"), shots=[shot(9000.0, 6.0e5)], shown_s=(7200.0, 10_800.0))
    assert fig.layout.xaxis.title.text == "time [h]"
    assert list(fig.data[1].x) == [2.5]
    assert tuple(fig.layout.xaxis.range) == (2.0, 3.0)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 100])
def test_shots_are_laid_over_each_other_however_few(count: int) -> None:
    t = np.linspace(-0.1, 0.5, 50)
    fig = shot_figures.overlay([(t, -1e5 * np.exp(-((t / 0.2) ** 2)))] * count, Reader("bar"), chosen=0 if count else None)
    assert len(fig.data) == count


def test_recovery_is_drawn_as_the_share_that_is_back() -> None:
    fig = shot_figures.recovery({"": ([0.2, 0.4], [0.5, 0.0], [0.3])}, medians_s={"": 0.2})
    steps = dict(zip(fig.data[0].x, fig.data[0].y, strict=True))
    assert steps[0.0] == 0.0
    assert steps[0.2] == 50.0
    assert steps[0.4] == 100.0
    assert (list(fig.data[1].x), list(fig.data[1].y)) == ([0.3], [50.0])  # the one that was cut off sits on the curve


def test_losses_keep_the_order_of_flow_and_say_their_numbers() -> None:
    fig = line_figures.losses([("hose", 0.4e5), ("coupler", 0.1e5)], Reader("bar"))
    assert list(fig.data[0].y) == ["1  hose", "2  coupler"]
    assert list(fig.data[0].text) == ["0.40 bar", "0.100 bar"]


def test_sizing_shows_floor_choice_and_handbook() -> None:
    fig = line_figures.sizing(
        [0.01, 0.02, 0.04],
        [5.0e5, 5.6e5, 5.9e5],
        Reader("bar"),
        floor_pa=5.5e5,
        chosen_m3=(0.02, 0.016, None),
        handbook=([0.02, 0.04], [5.2e5, 5.8e5]),
    )
    texts = " ".join(a.text for a in fig.layout.annotations)
    assert "floor" in texts
    assert "20.0 L" in texts
    assert "handbook" in texts
    assert list(fig.data[1].x) == pytest.approx([20.0, 40.0])
    assert list(fig.data[1].y) == pytest.approx([5.2, 5.8])
    star = fig.data[2]
    assert list(star.error_x.arrayminus) == pytest.approx([4.0])
    assert list(star.error_x.array) == [0.0]  # that end is open


def test_a_thumbnail_is_small_and_survives_a_flat_line() -> None:
    svg = recording_figures.thumbnail(np.arange(0.0, 100.0, 0.001), np.full(100_000, 6.0e5))
    assert svg.startswith("<svg")
    assert "nan" not in svg
    assert len(svg) < 10_000


def test_marks_are_gathered_when_many_are_in_view_and_single_when_few_are() -> None:
    t = np.arange(0.0, 36_000.0, 1.0)
    p = np.full(t.size, 6.5e5)
    shots = [shot(7.0 * i + 3.0, 6.0e5 - i, by_hand=i == 200) for i in range(5000)]
    far = recording_figures.recording(t, p, Reader("kPa"), shots=shots, taken_out=[(1500.0, 5.9e5)]).data[1]
    assert len(far.x) <= recording_figures.GATHERED + 1
    assert sum(int(n) for n in far.text if n) == 5000
    assert far.customdata[-1] == ["out", 1500.0]
    assert min(far.y) == pytest.approx(590.0)
    near = recording_figures.recording(t, p, Reader("kPa"), shots=shots, shown_s=(1200.0, 1600.0)).data[1]
    assert [c[0] for c in near.customdata] == ["shot"] * len(near.x)
    assert {"triangle-up", "star-triangle-up-open"} == set(near.marker.symbol)
    index = [c[1] for c in near.customdata]
    assert index == list(range(index[0], index[-1] + 1))
    assert [x * 3600.0 for x in near.x] == pytest.approx([shots[i].time_s for i in index])


def test_a_packed_trace_is_the_same_to_the_browser() -> None:
    x = np.array([0.0, 1.5, np.nan])
    packed = recording_figures.packed({"x": x[::1], "name": "pressure"})
    assert packed["name"] == "pressure"
    assert packed["x"] == go.Figure(go.Scatter(x=x)).to_plotly_json()["data"][0]["x"]


def test_notes_beyond_what_can_be_named_are_counted() -> None:
    t = np.arange(0.0, 1000.0, 1.0)
    marks = [(5.0 * i, "note") for i in range(100)]
    whole = recording_figures.recording(t, np.full(t.size, 6e5), Reader("bar"), marks=marks)
    assert any(a.text == "40 more events and notes: zoom in" for a in whole.layout.annotations)
    close = recording_figures.recording(t, np.full(t.size, 6e5), Reader("bar"), marks=marks, shown_s=(0.0, 100.0))
    assert not any("more events" in a.text for a in close.layout.annotations)


def test_an_event_of_a_moment_is_seen_as_a_line() -> None:
    fig = recording_figures.recording([0.0, 10.0], [6e5, 6e5], Reader("bar"), events=[(2.0, 4.0, "air draw"), (6.0, 6.0, "connected")])
    assert [shape.line.width for shape in fig.layout.shapes] == [0, 1]


def test_the_browser_draws_with_the_version_that_makes_the_figures() -> None:
    whole = files("plotly") / "package_data" / "plotly.min.js"
    part = Path(recording_figures.__file__).parent / "assets" / "plotly-basic.min.js"
    versions = [re.findall(r"v\d+\.\d+\.\d+", path.read_text(encoding="utf-8")[:200]) for path in (whole, part)]
    assert versions[0] == versions[1] != []
