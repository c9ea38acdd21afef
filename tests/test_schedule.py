"""When a tool fires: steady work, bursts, and as a recorded session did."""

import pytest

from analysis.line_file import parse_line
from analysis.schedule import LEAD_S, LONGEST_S, air_asked, bursts, like
from tests.test_model import LINE


def test_one_shot_steady_work_and_bursts() -> None:
    assert bursts(1, 0.5).tolist() == [LEAD_S]
    assert bursts(3, 0.5).tolist() == [LEAD_S, LEAD_S + 0.5, LEAD_S + 1.0]
    assert bursts(2, 0.5, repeats=3, pause_s=4.0).tolist() == [1.0, 1.5, 5.5, 6.0, 10.0, 10.5]
    assert bursts(1, 0.0, repeats=2, pause_s=3.0).tolist() == [1.0, 4.0]


def test_like_a_session_keeps_its_gaps() -> None:
    assert like([103.0, 100.0, 100.5]).tolist() == [1.0, 1.5, 4.0]
    assert like([0.0, LONGEST_S + 1.0]).tolist() == [1.0]
    with pytest.raises(ValueError, match="no shot in that recording"):
        like([])


@pytest.mark.parametrize(
    ("shots", "every_s", "repeats", "pause_s", "message"),
    [
        (0, 1.0, 1, 0.0, "no work; give 1 or more"),
        (2, 0.0, 1, 0.0, r"every = 0 s: no tool fires that fast"),
        (2, float("nan"), 1, 0.0, r"every = nan s"),
        (2, 1.0, 2, 0.0, r"pause = 0 s"),
        (20_001, 0.1, 1, 0.0, "more than one simulation takes"),
        (100, 60.0, 1, 0.0, "lasts 99 min; a simulation takes up to 60 min"),
    ],
)
def test_impossible_schedule_is_refused(shots: int, every_s: float, repeats: int, pause_s: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        bursts(shots, every_s, repeats=repeats, pause_s=pause_s)


def test_air_that_a_schedule_asks_for() -> None:
    line = parse_line(LINE)
    assert air_asked(line, bursts(11, 0.5)) == pytest.approx(1.6e-3 / 0.5)
    assert air_asked(line, bursts(1, 0.5)) == 0.0
