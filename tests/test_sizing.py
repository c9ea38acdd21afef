"""Receiver sizing: the receiver found does what is asked and a smaller one does not; impossible jobs are refused in words."""

import pytest

from analysis.burst import Burst
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.sizing import handbook_lowest, handbook_volume, size_receiver
from analysis.variants import with_receiver
from dashboard import wording
from dashboard.reader import Reader

TEXT = """
[compressor]
tank = "80 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "200 L/min"

[[part]]
kind = "regulator"
set = "6.5 bar"

[[part]]
kind = "hose"
length = "60 m"
bore = "8 mm"

[[part]]
kind = "coupler"
conductance = "1.9 L/s/bar"

[[part]]
kind = "tool"
air_per_shot = "1.6 L"
window = ["5.5 bar", "7 bar"]
"""


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(TEXT)


def test_receiver_found_is_the_smallest_that_does(line: Line) -> None:
    sizing = size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5)
    assert sizing.receiver_m3 > 0.0
    assert 5.8e5 <= sizing.lowest_pa < 5.83e5
    times = [0.1 + 0.25 * i for i in range(8)]
    for factor, does in ((1.0, True), (0.9, False)):
        run = simulate(with_receiver(line, factor * sizing.receiver_m3), times, duration_s=2.0, start_pa=7e5)
        assert (min(s.before_pa for s in run.shots) >= 5.8e5) is does
    assert sizing.common_m3 >= sizing.receiver_m3
    assert sizing.minimum_pa < sizing.lowest_pa
    assert sizing.fill_s > 0.0
    assert [c.volume_m3 for c in sizing.candidates] == sorted(c.volume_m3 for c in sizing.candidates)
    assert any("relief valve" in c for c in sizing.cautions)


def test_handbook_is_the_formula(line: Line) -> None:
    sizing = size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5)
    per_shot = 1.6e-3 * (0.5 * (6.5e5 + 5.8e5) + 101_325.0) / (6.25e5 + 101_325.0)
    assert sizing.handbook_m3 == pytest.approx(8 * per_shot * 1e5 / (6.5e5 - 5.8e5), rel=1e-6)


def test_interval_holds_the_size_and_says_what_it_comes_from(line: Line) -> None:
    sizing = size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5)
    low, high = sizing.interval_m3.low, sizing.interval_m3.high
    assert low is not None
    assert high is not None
    assert low < sizing.receiver_m3 < high
    assert sizing.rests_on[0][0] == "air per shot (±10 %)"
    assert all(low <= v <= high for _, *ends in sizing.rests_on for v in ends)
    assert any("conductance of regulator (assumed" in name for name, _, _ in sizing.rests_on)
    guessed = size_receiver(line.with_part(3, assumed=("air_per_shot",)), shots=8, every_s=0.25, floor_pa=5.8e5)
    assert guessed.interval_m3.high is None or guessed.interval_m3.high > 1.5 * high


def test_more_air_per_shot_needs_a_larger_receiver_as_the_interval_says(line: Line) -> None:
    sizing = size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5)
    thirsty = size_receiver(line.with_part(3, air_per_shot_m3=1.1 * 1.6e-3), shots=8, every_s=0.25, floor_pa=5.8e5)
    assert thirsty.receiver_m3 == pytest.approx(sizing.rests_on[0][2], rel=0.03)


def test_refilling_takes_part_of_the_time_of_the_first_filling(line: Line) -> None:
    sizing = size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5)
    assert 0.0 < sizing.refill_s < sizing.fill_s


def test_alternatives_say_what_receiver_they_leave(line: Line) -> None:
    sizing = size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5)
    left = {(a.change.kind, a.change.where): a.receiver_m3 for a in sizing.alternatives}
    assert left["bore", ""] < sizing.receiver_m3  # a wider hose feeds it better
    assert left["regulator", "behind receiver"] < sizing.receiver_m3  # more air in the same volume
    assert not left["place", "ahead of hose"] < sizing.receiver_m3  # at the compressor it helps less, or not at all


def test_handbook_curve_meets_the_floor_at_the_handbook_volume(line: Line) -> None:
    burst = Burst(shots=8, every_s=0.25, floor_pa=5.8e5)
    volume = handbook_volume(line, burst, 6.5e5)
    assert float(handbook_lowest(line, burst, 6.5e5, volume)) == pytest.approx(5.8e5, rel=1e-9)


def test_single_shot_needs_no_receiver(line: Line) -> None:
    sizing = size_receiver(line, shots=1, every_s=1.0, floor_pa=6e5)
    assert sizing.receiver_m3 == 0.0
    assert "alone" in sizing.why


def test_floor_above_the_setting_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match="not below what the line holds at rest"):
        size_receiver(line, shots=5, every_s=0.5, floor_pa=6.6e5)


def test_job_that_no_receiver_carries_is_refused_with_the_reason(line: Line) -> None:
    with pytest.raises(ValueError, match=r"No receiver up to 500 L .* the compressor gives 200"):
        size_receiver(line, shots=300, every_s=0.1, floor_pa=6.3e5)


@pytest.mark.parametrize(("shots", "every_s", "floor_pa"), [(0, 1.0, 5e5), (3, 0.0, 5e5), (3, float("nan"), 5e5), (3, 1.0, -1.0)])
def test_nonsense_is_refused(line: Line, shots: int, every_s: float, floor_pa: float) -> None:
    with pytest.raises(ValueError, match=r"not possible|above ambient"):
        size_receiver(line, shots=shots, every_s=every_s, floor_pa=floor_pa)


def test_a_burst_of_hours_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match=r"last 33 min; a burst lasts up to 10 min.*must deliver"):
        size_receiver(line, shots=2000, every_s=1.0, floor_pa=5e5)


def test_receiver_goes_before_the_whip_hose_or_replaces_the_old_one(line: Line) -> None:
    assert [p.kind for p in with_receiver(line, 0.01).parts] == ["regulator", "hose", "receiver", "coupler", "tool"]
    again = with_receiver(with_receiver(line, 0.01), 0.02)
    assert [p.volume_m3 for p in again.parts if p.kind == "receiver"] == [0.02]
    assert with_receiver(again, 0.0).parts == line.parts


def test_a_line_that_needs_no_receiver_still_says_how_deep_a_shot_dips(line: Line) -> None:
    sizing = size_receiver(line, shots=4, every_s=0.6, floor_pa=5.5e5)
    assert sizing.receiver_m3 == 0.0
    said = wording.sizing(sizing, Reader("bar"))
    assert f"Within a shot it falls to {Reader('bar').pressure(sizing.minimum_pa)}; 24.0 L would keep it at" in said[1]
    assert said[2].startswith("A small receiver can make shots start lower")
    near = with_receiver(line, 0.024).with_part(2, volume_m3=0.024)
    assert "Without one" in " ".join(wording.sizing(size_receiver(near, shots=8, every_s=0.25, floor_pa=5.8e5), Reader("bar")))
