"""Fits beside the pages: begun once, stopped when asked, refused in words; and what a fit found, against the file."""

import re
from collections.abc import Iterator

import numpy as np
import pytest

from analysis.estimate import Estimate
from analysis.fit import LineFit, Parameter, fit_line
from analysis.line import Line
from analysis.line_file import parse_line
from dashboard import fit_words, line_fit
from dashboard.fitting import FitState, Fittings
from dashboard.reader import Reader
from dashboard.static_page import text
from tests.browser.home import nailing
from tests.test_sizing import TEXT

PATIENCE_S = 120.0  # a process begins slowly on a busy machine


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(TEXT)


@pytest.fixture
def fittings() -> Iterator[Fittings]:
    made = Fittings()
    yield made
    made.stop_all()


def ended(fittings: Fittings, key: str) -> FitState:
    fittings._jobs[key]._thread.join(PATIENCE_S)
    return fittings.state(key)


def test_a_fit_beside_the_pages_finds_what_the_command_finds(fittings: Fittings, line: Line) -> None:
    t, kpa = nailing(0.4, 60.0, np.random.default_rng(1))
    fittings.start("deck", t, {"tool": 1e3 * kpa}, line, ())
    fittings.start("deck", t, {"tool": 1e3 * kpa}, line, ())  # the same again: nothing new begins
    assert len(fittings._jobs) == 1
    assert fittings.state("deck").kind in {"running", "done"}
    done = ended(fittings, "deck")
    assert done.kind == "done"
    assert done.fit is not None
    assert done.fit.cannot_separate == fit_line(t, {"tool": 1e3 * kpa}, line, ()).cannot_separate


def test_a_fit_is_stopped_when_asked_or_when_another_begins(fittings: Fittings, line: Line) -> None:
    t, kpa = nailing(0.4, 60.0, np.random.default_rng(1))
    assert fittings.state("deck").kind == "none"
    fittings.start("deck", t, {"tool": 1e3 * kpa}, line, ())
    fittings.stop("deck")
    assert fittings.state("deck").kind == "stopped"
    fittings.start("deck", t, {"tool": 1e3 * kpa}, line, ())  # a stopped one begins again
    fittings.start("shed", t, {"tool": 1e3 * kpa}, line, ())
    assert ended(fittings, "deck").kind == "stopped"
    assert ended(fittings, "shed").kind == "done"


def test_what_a_fit_refuses_is_said(fittings: Fittings, line: Line) -> None:
    fittings.start("short", np.arange(10.0), {"tool": np.full(10, 6e5)}, line, ())
    refused = ended(fittings, "short")
    assert refused.kind == "refused"
    assert "a fit needs at least 200" in refused.why
    assert "a fit needs at least 200" in text(line_fit.shown(refused, line, Reader("bar")))


def test_a_fit_is_shown_findings_first_and_in_the_words_of_the_trade(line: Line) -> None:
    fit = LineFit(
        parameters=(
            Parameter(name="hose.bore", value=Estimate(value=7.2, low=7.0, high=7.4), nominal=8.0, unit="mm"),
            Parameter(name="tool.air_per_shot", value=Estimate(value=None), nominal=1.6, unit="l"),
        ),
        volume_downstream_m3=Estimate(value=3e-3, low=2.9e-3, high=3.1e-3),
        line_drop_pa=Estimate(value=4e4),
        flow_m3_per_s=4.65e-3,
        inlet_pa=6.2e5,
        residual_pa=700.0,
        cannot_separate=(("tool.air_per_shot",),),
        warnings=(),
        line=line,
        nominal_volume_m3=3e-3,
        nominal_drop_pa=4e4,
    )
    said = text(line_fit.shown(FitState(kind="done", took_s=6.0, fit=fit), line, Reader("bar")))
    words = ("passes air like", "Bore of hose7.20 mm", "7.00 to 7.40 mm8.00 mm\u221210 %", "Cannot be told apart")
    order = [said.index(x) for x in words]
    assert order == sorted(order)
    assert said.endswith("Took 6.00 s.")
    assert "Air per shot of tool" in said[order[-1] :]
    assert fit_words.parameter_name("coupler.conductance", line) == "conductance of coupler"


def test_a_fit_that_tells_nothing_says_so(line: Line) -> None:
    fit = LineFit(
        parameters=(Parameter(name="hose.bore", value=Estimate(value=None), nominal=8.0, unit="mm"),),
        volume_downstream_m3=Estimate(value=None),
        line_drop_pa=Estimate(value=None),
        flow_m3_per_s=4.65e-3,
        inlet_pa=6.2e5,
        residual_pa=float("nan"),
        cannot_separate=(("hose.bore",),),
        warnings=("Open a test nozzle.",),
        line=line,
        nominal_volume_m3=3e-3,
        nominal_drop_pa=4e4,
    )
    said = text(line_fit.shown(FitState(kind="done", fit=fit), line, Reader("psi")))
    assert "cannot tell what the parts of the line are like" in said
    assert "Open a test nozzle." in said
    assert "not known" not in said  # no table of nothing


def test_findings_are_in_the_readers_units(line: Line) -> None:
    fit = LineFit(
        parameters=(Parameter(name="receiver.volume", value=Estimate(value=10.0, low=9.5, high=10.5), nominal=20.0, unit="l"),),
        volume_downstream_m3=Estimate(value=None),
        line_drop_pa=Estimate(value=4e4, low=3.8e4, high=4.2e4),
        flow_m3_per_s=4.65e-3,
        inlet_pa=6.2e5,
        residual_pa=700.0,
        cannot_separate=(),
        warnings=(),
        line=line,
        nominal_volume_m3=3e-3,
        nominal_drop_pa=3e4,
        leak_m3_per_s=Estimate(value=1e-4, low=0.9e-4, high=1.1e-4),
    )
    said = " ".join(fit_words.fit(fit, Reader("psi")))
    assert "acts like 2.64 gal of its nominal 5.28 gal: drain the water" in said
    assert "loses about 0.209 scfm of free air" in said
    assert "loses 5.8 psi (95 % between 5.5 psi and 6.1 psi) on the way to the tool; its file makes it 4.4 psi" in said
    assert not re.search(r"\b(bar|kPa|L)\b", said)
    assert "0.40 bar (95 % between 0.38 bar and 0.42 bar)" in " ".join(fit_words.fit(fit, Reader("bar")))
