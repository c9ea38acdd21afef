"""The Leak-down page: what the reader can change follows through to the answer, and wrong choices are answered with words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dashboard import leak_choices
from dashboard.app import render
from dashboard.pages import leakdown
from dashboard.reader import Reader
from dashboard.work import Work
from logger.csv_in import read_csv
from logger.kept import save_imported
from tests.nights import Night, Valve, simulate_night, simulate_pumping

WHOLE, TANK, PUMP = "all open", "tank alone", "pump left on"


def kept(home: Path, name: str, night: Night) -> None:
    columns = [night.t_s, night.p_pa / 1000.0, *([] if night.temp_k is None else [night.temp_k - 273.15])]
    rows = [",".join(f"{x:.4f}" for x in row) for row in zip(*columns, strict=True)]
    head = "time_s,tank (kPa)" + ("" if night.temp_k is None else ",wall (degC)")
    save_imported(home, name, read_csv("\n".join([head, *rows]).encode(), name=name))


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Work:
    home = tmp_path_factory.mktemp("home")
    opened = (Valve(from_s=9000.0, until_s=9060.0, conductance=3e-10),)
    kept(home, WHOLE, simulate_night(301, conductance=8e-12, volume_m3=0.06, hours=4.0, valves=opened))
    kept(home, TANK, simulate_night(302, conductance=1e-12, volume_m3=0.05, hours=4.0))
    tank = simulate_pumping(1, minutes=30.0)
    kept(home, PUMP, Night(t_s=tank.t_s, p_pa=tank.p_pa, temp_k=None, p_amb_pa=0.0 * tank.t_s, volume_m3=0.09, conductance=0.0))
    return Work(home)


def words(work: Work, **query: str) -> str:
    part = render(leakdown, work, {"session": WHOLE, "volume": "60 L", **query}, Reader("bar"))
    return json.dumps(part.to_plotly_json(), default=lambda o: o.to_plotly_json() if hasattr(o, "to_plotly_json") else str(o))


def test_what_the_reader_leaves_out_or_wants_used_is_heeded(work: Work) -> None:
    found = words(work)
    assert "use it all the same" in found
    assert "As farend found it" not in found
    changed = words(work, out="20-60")
    assert "left out by you" in changed
    assert "take it back" in changed
    assert "As farend found it" in changed
    assert work.leak(WHOLE, None, 0.06, use=((8000.0, 12_000.0),)).leak.used[0].until_s > 12_000.0
    assert "is no stretch in minutes" in words(work, out="noon")
    assert "No quiet stretch is left" in words(work, out="0-99999")


def test_cost_follows_tariff_and_share_follows_delivery(work: Work) -> None:
    assert "What it costs" in words(work)
    dear = words(work, tariff="2.0", delivery="10 L/min")
    assert "at 2 per kWh" in dear
    assert "Of what the compressor delivers" in dear
    assert "is no number" in words(work, tariff="cheap")


def test_plan_says_how_long(work: Work) -> None:
    assert "Then record for" in words(work, must_show="0.001 L/s")
    assert "Put in the air" in words(work, volume="")


def test_segments_are_shared_out_on_the_page(work: Work) -> None:
    asked = {"segments": "tank = 50 L, hose = 10 L", "second": TANK, "open1": "tank, hose", "open2": "tank"}
    assert "soap the joints of hose" in words(work, **asked)
    assert "no segment of that name" in words(work, **{**asked, "open2": "shed"})
    assert "is no segment with its volume" in words(work, segments="tank")
    assert "No test has hose open" in words(work, **{**asked, "open1": "tank"})


def test_pump_left_on_is_read_by_its_runs(work: Work) -> None:
    found = words(work, session=PUMP, volume="90 L")
    assert "its runs tell the leak" in found
    assert "Leak by share of time" in found
    assert "starts an hour" in found


def test_stretches_are_written_as_they_are_read() -> None:
    spans = ((60.0, 120.0), (7200.0, 8100.0))
    assert leak_choices.stretches(leak_choices.write(spans)) == (spans, None)
    assert leak_choices.without(spans, 100.0, 200.0) == (spans[1],)
    bad: Any = leak_choices.stretches("5-3")[1]
    assert "no stretch" in bad
