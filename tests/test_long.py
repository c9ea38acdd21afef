"""A session that is too long to hold: overview, stretches, search in the background, means; the same answers as from memory."""

from __future__ import annotations

import contextlib
import json
import shutil
import threading
from base64 import b64decode
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from dash import no_update
from hypothesis import example, given
from hypothesis import strategies as st

import dashboard.work
import dashboard.zoom
import logger.long
import logger.readings
import logger.session
from dashboard.job_card import progress, stopped
from dashboard.pages import compare, leakdown, line, setting, shots
from dashboard.reader import Reader
from dashboard.report import Wanted, report_html
from dashboard.underway import Job, StillWorkingError
from dashboard.work import Work
from dashboard.zoom import POINTS, curve
from farend import main
from logger.channel import Channel
from logger.export import export_recording
from logger.home import cache_folder
from logger.kept import find_session
from logger.long import LongRecording, look_through, open_light
from logger.open import Recording, open_what
from logger.overview import overview_of, piece_of
from logger.readings import Stretches
from logger.session import append_mark, change_session, save_session
from tests.browser.home import LINES

NAME, RATE_HZ, SPIKE_S = "long", 500.0, 123.456
GAP_S = (200.0, 230.0)
TOOL = Channel(name="tool", unit="kPa")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An invented session of 200 000 readings in row groups of 30 000, with shots, one spike and a gap; long, as `Work` sees it."""
    monkeypatch.setattr(logger.readings, "ROW_GROUP", 30_000)
    monkeypatch.setattr(logger.session, "ROW_GROUP", 30_000)
    monkeypatch.setattr(logger.long, "LONG", 100_000)
    monkeypatch.setattr(dashboard.zoom, "EXACT_MOST", 20_000)
    rng = np.random.default_rng(3)
    t = np.arange(215_000) / RATE_HZ
    kpa = 640.0 + rng.normal(0.0, 0.3, t.size)
    for at in np.arange(5.0, 420.0, 7.3):
        since = np.clip(t - at, 0.0, None)
        kpa -= 50.0 * (1.0 - np.exp(-since / 0.01)) * np.exp(-since / 0.2)
    kpa[np.searchsorted(t, SPIKE_S)] = 790.0
    kept = (t < GAP_S[0]) | (t >= GAP_S[1])
    absolute = Channel(name="tank", unit="kPa", absolute=True)
    baro = Channel(name="baro", unit="kPa", absolute=True)
    raw = {"time_s": t[kept], "tool": kpa[kept], "tank": 800.0 - t[kept] / 100.0, "baro": 99.0 + t[kept] / 1000.0}
    save_session(tmp_path, NAME, started=datetime(2026, 5, 4, tzinfo=UTC), channels=[TOOL, absolute, baro], raw=raw)
    return tmp_path


@contextlib.contextmanager
def held(monkeypatch: pytest.MonkeyPatch, where: Any, name: str, done: float | None) -> Iterator[threading.Event]:
    """Have what a job calls wait until the end of the block, having told how much is done; gives an event that it was called."""
    called, free, usual = threading.Event(), threading.Event(), getattr(where, name)

    def hold(*args: Any, **more: Any) -> Any:
        for job in (x for x in (*args, *more.values()) if isinstance(x, Job)):
            job.done = done
        called.set()
        free.wait(60.0)
        return usual(*args, **more)

    with monkeypatch.context() as patch:
        patch.setattr(where, name, hold)
        try:
            yield called
        finally:
            free.set()


def long_of(home: Path, channel: str | None = None) -> LongRecording:
    """The session read by stretches."""
    return LongRecording(find_session(home, NAME), channel, home)


def both(home: Path, channel: str | None = None) -> tuple[LongRecording, Recording]:
    """The session read by stretches, and held."""
    return long_of(home, channel), open_what(NAME, channel=channel, home=home)


def test_the_overview_holds_the_extremes_of_all_readings_and_every_spike(home: Path) -> None:
    long, whole = both(home)
    t, p = curve(long, None)
    assert t.size <= POINTS + 3
    assert long.overview.readings == whole.t_s.size
    assert (np.nanmin(p), np.nanmax(p)) == (whole.p_pa.min(), whole.p_pa.max())
    assert t[np.nanargmax(p)] == pytest.approx(SPIKE_S)
    assert (t[0], t[-1]) == whole.span_s == long.span_s
    # Each slice of time shows its own extremes, not only the whole.
    for from_s in np.arange(0.0, 400.0, 40.0):
        there, all_there = (t >= from_s) & (t < from_s + 40.0), (whole.t_s >= from_s) & (whole.t_s < from_s + 40.0)
        assert np.nanmin(p[there]) == pytest.approx(whole.p_pa[all_there].min())


def test_a_sketch_from_the_index_alone_holds_the_extremes_until_the_overview_is_made(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logger.long, "SOON", 0)
    monkeypatch.setattr(Stretches, "read", None)  # nothing is read for it
    long = long_of(home)
    assert not long.surveyed
    sketch = long.seen
    whole = open_what(NAME, home=home)
    assert (sketch.t_s[0], sketch.t_s[-1]) == whole.span_s == long.span_s
    assert np.all(np.diff(sketch.t_s) > 0.0)
    for first in range(0, whole.t_s.size, 30_000):
        t, p = whole.t_s[first : first + 30_000], whole.p_pa[first : first + 30_000]
        drawn = sketch.p_pa[(sketch.t_s >= t[0]) & (sketch.t_s <= t[-1])]
        assert (drawn.min(), drawn.max()) == pytest.approx((p.min(), p.max()))
    assert curve(long, None)[0].size <= POINTS + 3
    monkeypatch.undo()
    made = long_of(home)
    assert made.overview is made.seen is made.with_marks([]).seen


def test_a_sketch_heeds_barometer_and_valid_range_and_leaves_out_what_holds_nothing(home: Path) -> None:
    long, whole = both(home, "tank")
    np.testing.assert_allclose([long.sketch.p_pa.min(), long.sketch.p_pa.max()], [whole.p_pa.min(), whole.p_pa.max()], atol=100.0)
    change_session(home / "sessions" / NAME, channels=[Channel(name="tool", unit="kPa", valid=(0.0, 780.0))])
    assert both(home)[0].sketch.p_pa.max() == 780e3
    t = np.arange(90_000) / RATE_HZ
    late = np.where(t < 100.0, np.nan, 640.0)
    raw = {"time_s": t, "tool": late, "hose": np.full(t.size, np.nan)}
    save_session(home, "late", started=datetime(2026, 5, 5, tzinfo=UTC), channels=[TOOL, Channel(name="hose", unit="kPa")], raw=raw)
    assert LongRecording(find_session(home, "late"), "tool", home).span_s[0] == 60.0  # the row group in which it begins
    with pytest.raises(ValueError, match="channel hose has no readings"):
        LongRecording(find_session(home, "late"), "hose", home)
    change_session(home / "sessions" / "late", channels=[Channel(name="tool", unit="kPa", valid=(700.0, 800.0))])
    with pytest.raises(ValueError, match="channel tool has no readings"):
        LongRecording(find_session(home, "late"), "tool", home)


def test_a_page_and_the_zoom_of_its_figure_open_one_and_the_same(home: Path) -> None:
    work = Work(home)
    assert work.opened(NAME).seen is work.opened(NAME, "tool").seen
    assert work.recording(NAME) is work.recording(NAME, "TOOL")


def test_the_page_opens_with_a_sketch_and_is_drawn_again_once_the_overview_is_made(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work = Work(home)
    monkeypatch.setattr(logger.long, "SOON", 0)
    with held(monkeypatch, dashboard.work, "look_for_shots", 0.0):
        page = shots.layout(work, {"session": NAME}, Reader("bar"))
        asked = page["job-of"].data
        assert asked["sketch"]
        assert progress(work, asked)[4] is no_update
        opened = work.opened(NAME)
        assert isinstance(opened, LongRecording)
        assert opened.overview.readings
        assert progress(work, asked)[4] == "made"
        drawn = shots.redrawn(work, {"session": NAME, "from": "100", "to": "150"}, Reader("bar"))
        x, y = (np.frombuffer(b64decode(drawn["data"][0][axis]["bdata"])) for axis in "xy")
        np.testing.assert_array_equal(x, curve(opened, (100.0, 150.0))[0])
        assert y.max() == pytest.approx(7.9)  # the spike, where it is
        assert not shots.layout(work, {"session": NAME}, Reader("bar"))["job-of"].data["sketch"]


@pytest.mark.parametrize(
    ("from_s", "until_s"), [(10.0, 12.0), (59.9, 60.3), (0.0, 430.0), (199.0, 231.0), (205.0, 206.0), (123.456, 123.456)]
)
def test_a_window_holds_every_reading_also_across_row_groups(home: Path, from_s: float, until_s: float) -> None:
    long, whole = both(home)
    inside = (whole.t_s >= from_s) & (whole.t_s <= until_s)
    for recording in (long, whole):
        t, p = recording.between(from_s, until_s)
        seen = (t >= from_s) & (t <= until_s)
        np.testing.assert_array_equal(t[seen], whole.t_s[inside])
        np.testing.assert_array_equal(p[seen], whole.p_pa[inside])


def test_a_narrow_zoom_is_the_same_as_from_memory(home: Path) -> None:
    long, whole = both(home)
    for shown in ((50.0, 51.0), (123.0, 124.0), (195.0, 203.0)):
        np.testing.assert_array_equal(curve(long, shown), curve(whole, shown))


def test_a_gap_stays_a_gap_in_the_overview_and_in_a_window(home: Path) -> None:
    for recording in both(home):
        for shown in (None, (150.0, 260.0), (198.0, 232.0)):
            t, p = curve(recording, shown)
            assert [float(at) for at in t[np.isnan(p)]] == [pytest.approx(np.mean(GAP_S), abs=0.01)]
            after = int(np.flatnonzero(np.isnan(p))[0])
            assert t[after - 1] < GAP_S[0]
            assert t[after + 1] >= GAP_S[1]


def test_an_absolute_pressure_is_taken_from_the_barometer_as_in_memory(home: Path) -> None:
    long, whole = both(home, "tank")
    np.testing.assert_allclose(np.concatenate([p for _, p in long.blocks()]), whole.p_pa)
    assert long.channels == whole.channels == ("tank", "tool")
    with pytest.raises(ValueError, match="no pressure channel 'hose'"):
        both(home, "hose")


def test_the_overview_is_kept_on_disk_and_made_again_when_it_is_deleted_spoilt_or_outdated(home: Path) -> None:
    first = both(home)[0].overview
    (file,) = (cache_folder(home) / "overviews").glob("*.npz")
    np.testing.assert_array_equal(both(home)[0].overview.p_pa, first.p_pa)
    file.write_bytes(b"spoilt")
    np.testing.assert_array_equal(both(home)[0].overview.p_pa, first.p_pa)
    shutil.rmtree(cache_folder(home))
    np.testing.assert_array_equal(both(home)[0].overview.p_pa, first.p_pa)
    change_session(home / "sessions" / NAME, channels=[Channel(name="tool", unit="kPa", gain=2.0)])
    np.testing.assert_allclose(both(home)[0].overview.p_pa, 2.0 * first.p_pa)


def test_an_overview_behind_the_pages_pauses_often_until_somebody_waits_for_it(home: Path) -> None:
    first, paused = long_of(home), []
    first.survey(lambda: paused.append(""))
    assert len(paused) == 7  # row groups
    first.survey(lambda: paused.append("again"))
    assert "again" not in paused
    shutil.rmtree(cache_folder(home))
    second, asked = long_of(home), []

    def ask() -> None:
        asked.append(threading.Thread(target=lambda: second.overview))
        asked[-1].start()
        assert second._hurry.wait(60.0)

    second.survey(ask)
    (thread,) = asked
    thread.join()
    assert second.surveyed


@example(cuts=[2], gaps={1})
@given(cuts=st.lists(st.integers(1, 9_999), max_size=6), gaps=st.sets(st.integers(1, 9_999), max_size=4))
def test_an_overview_is_the_same_however_the_recording_is_cut_into_pieces(cuts: list[int], gaps: set[int]) -> None:
    t = np.arange(10_000) / 100.0
    for at in gaps:
        t[at:] += 5.0
    p = np.sin(t) * np.arange(10_000.0)
    edges = sorted({0, *cuts, t.size})
    joined = overview_of(piece_of(t[a:z], p[a:z]) for a, z in pairwise(edges))
    assert joined.readings == t.size
    assert (joined.t_s[0], joined.t_s[-1]) == (t[0], t[-1])
    assert (joined.p_pa.min(), joined.p_pa.max()) == (p.min(), p.max())
    assert np.all(np.diff(joined.t_s) > 0.0)
    np.testing.assert_array_equal(joined.p_pa, p[np.searchsorted(t, joined.t_s)])
    np.testing.assert_array_equal(joined.gaps_s, [(t[at - 1], t[at]) for at in sorted(gaps)] or np.empty((0, 2)))


def test_a_long_session_is_looked_through_as_soon_as_it_is_finished(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = find_session(home, NAME)
    with monkeypatch.context() as more:
        more.setattr(logger.long, "LONG", session.count)
        look_through(session, home)
    assert not cache_folder(home).exists()  # it is not long
    look_through(session, home)
    assert len(list((cache_folder(home) / "overviews").glob("*.npz"))) == 2  # tool and tank; a barometer has no page
    monkeypatch.setattr(logger.long, "overview_of", None)  # not made again
    assert both(home)[0].overview.readings == session.count


def test_what_lies_outside_the_valid_range_is_left_out_and_said(home: Path) -> None:
    change_session(home / "sessions" / NAME, channels=[Channel(name="tool", unit="kPa", valid=(0.0, 780.0))])
    for _ in range(2):  # made, and read from disk
        long, whole = both(home)
        assert long.warnings == whole.warnings
        assert "1 readings of tool lie outside its valid range" in long.warnings[0]
        assert long.overview.p_pa.max() < 700e3


def test_shots_found_by_stretches_are_those_found_in_memory_also_when_corrected(home: Path) -> None:
    work = Work(home)
    assert isinstance(work.opened(NAME), LongRecording)
    found = work.shots(NAME)[0]
    assert len(found.shots) > 40
    assert found == open_what(NAME, home=home).shots()
    out = found.shots[10].time_s
    work.correct(NAME, None, "not a shot", out)
    append_mark(home / "sessions" / NAME, {"time_s": found.shots[20].time_s + 3.0, "kind": "shot", "channel": "tool"})
    assert work.shots(NAME)[0] == open_what(NAME, home=home).shots() == long_of(home).shots()
    assert [s.time_s for s in work.shots(NAME)[0].taken_out] == [out]


def test_the_page_shows_the_trace_while_shots_are_looked_for_and_fills_in(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work, query = Work(home), {"session": NAME}
    with held(monkeypatch, dashboard.work, "look_for_shots", 0.4) as looking:
        search = work.searching(NAME)
        assert search is not None
        assert looking.wait(60.0)
        meanwhile = str(shots.layout(work, query, Reader("bar")))
        assert "Worked out 40 %" in meanwhile
        assert "job-tick" in meanwhile
        assert "shot-table" not in meanwhile
        asked = {"job": search.name, "session": NAME, "channel": "tool", "sketch": False}
        assert progress(work, asked) == ("Worked out 40 %", "0.400", "actions job-running", no_update, no_update)
        assert not shots.redrawn(work, {"session": NAME, "from": "50", "to": "51"}, Reader("bar"))["data"][1]["x"]
    work.shots(NAME)
    assert progress(work, asked)[3] == "ended"
    assert progress(Work(home), asked)[3] == "ended"  # the server was started again meanwhile
    page = str(shots.layout(work, query, Reader("bar")))
    assert "shot-table" in page
    assert "job-tick" not in page


def test_a_search_is_stopped_from_the_page_and_started_again(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work, query = Work(home), {"session": NAME}
    with held(monkeypatch, dashboard.work, "look_for_shots", 0.4) as looking:
        assert "Looking for the shots" in str(shots.layout(work, query, Reader("bar")))
        assert looking.wait(60.0)
        search = work.searching(NAME)
        assert search is not None
        asked = {"job": search.name, "session": NAME, "channel": "tool", "sketch": False}
        assert stopped(work, asked) == ("Stopped.", "actions job-stopped")
    assert search.ends_within(60.0)
    shots.redrawn(work, {"session": NAME, "from": "50", "to": "51"}, Reader("bar"))
    assert progress(work, asked) == ("Stopped.", "0.400", "actions job-stopped", no_update, no_update)
    assert work.searching(NAME, again=False) is search
    shots.layout(work, query, Reader("bar"))
    assert work.shots(NAME)[0].shots


def test_a_leak_down_shows_the_trace_while_it_is_worked_out(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work, query = Work(home), {"session": NAME, "channel": "tank"}
    monkeypatch.setattr(dashboard.work, "PATIENCE_S", 0.0)
    with held(monkeypatch, Work, "leak", None) as asked:
        meanwhile = str(leakdown.layout(work, query, Reader("bar")))
        assert asked.wait(60.0)
        assert "Looking through the readings" in meanwhile
        assert f"Pressure of {NAME} against time" in meanwhile
    monkeypatch.setattr(dashboard.work, "PATIENCE_S", 60.0)
    assert "Fall at the start" in str(leakdown.layout(work, query, Reader("bar")))


def test_a_leak_down_waits_for_shots_only_where_something_moves(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work = Work(home)
    with held(monkeypatch, dashboard.work, "look_for_shots", 0.25) as looking:
        monkeypatch.setattr(dashboard.work, "PATIENCE_S", 60.0)
        assert "Fall at the start" in str(leakdown.layout(work, {"session": NAME, "channel": "tank"}, Reader("bar")))
        assert not looking.is_set()
        monkeypatch.setattr(dashboard.work, "PATIENCE_S", 0.0)
        with pytest.raises(StillWorkingError) as under_way:
            work.leak_behind(NAME, "tool", None)
        assert looking.wait(60.0)
        assert "Worked out 25 %" in str(leakdown.layout(work, {"session": NAME, "channel": "tool"}, Reader("bar")))
    assert under_way.value.job.ends_within(60.0)
    assert "it shows work" in str(leakdown.layout(work, {"session": NAME, "channel": "tool"}, Reader("bar")))


def test_a_setting_and_a_line_wait_for_shots_with_the_progress_shown(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work = Work(home)
    work.save_line("boathouse", (LINES / "boathouse.toml").read_text(encoding="utf-8"))
    with held(monkeypatch, dashboard.work, "look_for_shots", 0.25) as looking:
        assert work.searching(NAME) is not None
        assert looking.wait(60.0)
        assert "Worked out 25 %" in str(setting.layout(work, {"session": NAME}, Reader("bar")))
        assert "Worked out 25 %" in str(line.layout(work, {"session": NAME}, Reader("bar")))
    work.shots(NAME)
    assert "Worked out" not in str(setting.layout(work, {"session": NAME}, Reader("bar")))
    assert f"{NAME} beside the model" in str(line.layout(work, {"session": NAME}, Reader("bar")))


def test_means_keep_the_sum_the_gap_and_the_barometer(home: Path) -> None:
    long, whole = both(home, "tank")
    means = long.averaged()
    assert means.t_s.size < whole.t_s.size / 8
    assert means.p_amb_series_pa is not None
    assert np.all(np.diff(means.t_s) > 0.0)
    assert not np.any((means.t_s > GAP_S[0]) & (means.t_s < GAP_S[1]))
    np.testing.assert_allclose(means.p_pa, np.interp(means.t_s, whole.t_s, whole.p_pa), atol=1.0)
    np.testing.assert_allclose(means.p_amb_series_pa, 99e3 + means.t_s, atol=1e-3)
    assert long.surveyed  # in passing
    assert long.overview.p_pa.max() == pytest.approx(whole.p_pa.max())


def test_a_leak_down_from_means_gives_what_all_readings_give(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from_means = Work(home).leak(NAME, "tank", 0.05).leak.leak_m3_per_s
    monkeypatch.setattr(logger.long, "LONG", 1_000_000)
    from_all = Work(home).leak(NAME, "tank", 0.05).leak.leak_m3_per_s
    assert from_means.value is not None
    assert from_means.value == pytest.approx(from_all.value, rel=0.01)


def test_a_page_that_needs_each_reading_gets_the_stretch_in_which_most_happens_and_says_so(home: Path) -> None:
    long, whole = both(home)
    t = np.arange(0.0, 600.0, 0.01)
    quiet = np.where((t > 400.0) & (t < 430.0) & (np.mod(t, 3.0) < 0.3), 600.0, 640.0) + np.random.default_rng(1).normal(0.0, 0.3, t.size)
    save_session(home, "quiet", started=datetime(2026, 5, 5, tzinfo=UTC), channels=[TOOL], raw={"time_s": t, "tool": quiet})
    work = LongRecording(find_session(home, "quiet"), None, home)
    stretch = work.stretch(35_000)
    assert stretch.t_s[0] <= 400.0
    assert stretch.t_s[-1] >= 430.0
    assert stretch.t_s.size <= 35_000
    assert "only 30 000 of 60 000 readings are looked at, from 5 to 10 min" in stretch.warnings[0]
    assert work.with_marks([{"time_s": 10.0, "kind": "nozzle"}]).stretch(35_000).t_s[0] == 0.0
    save_session(
        home, "still", started=datetime(2026, 5, 6, tzinfo=UTC), channels=[TOOL], raw={"time_s": t, "tool": np.full(t.size, 640.0)}
    )
    assert LongRecording(find_session(home, "still"), None, home).stretch(60_000).t_s.size == 60_000
    part = long.stretch(50_000)
    assert part.channels == whole.channels
    same = np.searchsorted(whole.t_s, part.t_s)
    for name, p_pa in part.pressures.items():
        np.testing.assert_allclose(p_pa, whole.pressures[name][same])


def test_no_page_holds_more_of_a_long_session_than_a_stretch(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append_mark(home / "sessions" / NAME, {"time_s": 60.0, "kind": "judged", "depth": "proud"})
    append_mark(home / "sessions" / NAME, {"time_s": 300.0, "kind": "judged", "depth": "deep"})
    with monkeypatch.context() as short:
        short.setattr(logger.long, "LONG", 1_000_000)
        expected = Work(home).setting(NAME, None, None, None)
    work = Work(home)
    assert work.recording(NAME).t_s.size <= 100_000
    assert work.setting(NAME, None, None, None) == expected  # from the shots that were judged, wherever they are
    shutil.copytree(home / "sessions" / NAME, home / "sessions" / "other")
    change_session(home / "sessions" / "other", notes="the same again")
    monkeypatch.setattr(dashboard.work, "PATIENCE_S", 0.0)
    query = {"before": NAME, "after": "other"}
    with held(monkeypatch, LongRecording, "stretch", None) as asked:
        assert "Looking through the readings" in str(compare.layout(work, query, Reader("bar")))
        assert asked.wait(60.0)
    monkeypatch.setattr(dashboard.work, "PATIENCE_S", 60.0)
    assert f"“{NAME}”: only" in str(compare.layout(work, query, Reader("bar")))


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_long_session_is_exported_piece_by_piece_as_from_memory(home: Path, form: str) -> None:
    pieces, memory = (home / f"{name}.{form}" for name in ("pieces", "memory"))
    long, whole = both(home, "tank")
    assert export_recording(long, pieces, "psi") == export_recording(whole, memory, "psi")
    read = pd.read_csv if form == "csv" else pd.read_parquet
    pd.testing.assert_frame_equal(read(pieces), read(memory))


def test_a_report_waits_for_what_a_page_shows_later(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboard.work, "PATIENCE_S", 0.0)
    made = datetime(2026, 6, 4, tzinfo=UTC)
    shutil.copytree(home / "sessions" / NAME, home / "sessions" / "other")
    for page, query, answer in (
        (leakdown, {"session": NAME, "channel": "tank"}, "Fall at the start"),
        (shots, {"session": NAME}, "Every shot"),
        (compare, {"before": NAME, "after": "other"}, "only 90 000 of 200 000 readings"),
    ):
        report = report_html(Work(home), [Wanted(page=page, query=query)], Reader("bar"), made=made)
        assert answer in report
        assert "Working it out" not in report


def test_commands_hold_no_more_of_a_long_session_than_a_stretch(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = open_what(NAME, home=home)
    shutil.copytree(home / "sessions" / NAME, home / "sessions" / "other")
    marks = home / "marks.jsonl"
    marks.write_text('{"time_s": 50.0, "kind": "note", "text": "here"}\n{"time_s": "then"}\n', encoding="utf-8")
    monkeypatch.setenv("FAREND_HOME", str(home))
    monkeypatch.setattr(logger.session, "read_columns", None)  # which reads all
    assert main(["export", NAME, "-o", str(home / "out.parquet")]) == 0
    np.testing.assert_array_equal(pd.read_parquet(home / "out.parquet").time_s, whole.t_s)
    assert main(["shots", NAME, "--volume", "24 L", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["shots"]) > 40
    assert main(["leakdown", NAME, "--channel", "tank", "--volume", "50 L", "--json"]) == 0
    means = Work(home).leak(NAME, "tank", 0.05).leak.leak_m3_per_s.value
    assert means is not None
    assert json.loads(capsys.readouterr().out)["leak_l_per_s"]["value"] == pytest.approx(1e3 * means)
    assert main(["setting", NAME]) == 0
    assert "Judge" in capsys.readouterr().out
    assert main(["compare", NAME, str(home / "sessions" / "other")]) == 0
    assert "long: only 90 000 of 200 000 readings are looked at" in capsys.readouterr().err
    opened = open_light(NAME, marks=marks)
    assert [m["text"] for m in opened.marks] == ["here"]
    assert any("marks.jsonl" in warning for warning in opened.warnings)
    assert open_light(NAME).channels == whole.channels
