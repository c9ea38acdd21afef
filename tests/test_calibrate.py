"""Calibration: from a device's counts to pressures that are kept, used by recordings, and corrected later."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from analysis.units import PSI_PA
from logger.calibrate import Sample, calibrate_from_command, listen_to, nominal, recalibrate_session, set_two_points, set_zero
from logger.channel import Channel
from logger.recorder import record
from logger.scaling import check_sensor, two_point
from logger.sensors import Sensor, as_calibrated, read_sensors
from logger.session import change_session, open_session
from logger.virtual import VirtualDevice

NOW = datetime(2026, 6, 3, 7, 0, tzinfo=UTC)


def _sample(mean: float, scatter: float = 0.5, *, rate_hz: float = 250.0, channel: str = "a0", unit: str = "counts") -> Sample:
    raw = np.round(mean + np.random.default_rng(1).normal(0.0, scatter, 500), 0 if scatter else 3)
    return Sample(channel=channel, unit=unit, time_s=np.arange(500) / rate_hz, raw=raw + (mean - raw.mean()))


@pytest.fixture
def samples(monkeypatch: pytest.MonkeyPatch) -> Callable[[list[Sample]], None]:
    """Let the device send these samples, one a question."""

    def give(queue: list[Sample]) -> None:
        monkeypatch.setattr("logger.calibrate.listen_to", lambda *_args, **_options: queue.pop(0))

    return give


def test_one_channel_of_a_device_is_listened_to() -> None:
    t_s = np.arange(400) / 200.0
    counts = {"a0": 512.0 + 0 * t_s, "a1": 300.0 + 0 * t_s}
    with VirtualDevice(t_s, counts, unit="counts", decimals=0, speed=math.inf) as device:
        sample = listen_to(device.port, 5.0, channel="a1")
    assert (sample.channel, sample.unit, sample.mean, sample.scatter) == ("a1", "counts", 300.0, 0.0)
    assert sample.raw.size == 400
    with VirtualDevice(t_s, counts, unit="counts", speed=math.inf) as device, pytest.raises(ValueError, match="sends a0, a1; say which"):
        listen_to(device.port, 5.0)


def test_two_points_are_kept_and_used_by_recordings(tmp_path: Path, samples: Callable[[list[Sample]], None]) -> None:
    samples([_sample(102.0), _sample(648.0)])
    asked: list[object] = []
    found = calibrate_from_command(
        home=tmp_path, port="x", sensor="deck-transducer", name="tool", at=("0 psi", "100 psi"), ask=asked.append, full_count=1023.0
    )
    assert len(asked) == 2
    assert "by two points" in found[0]
    kept = read_sensors(tmp_path)["deck-transducer"]
    line = two_point((102.0, 0.0), (648.0, 100.0))
    assert kept.made.gain == pytest.approx(line.gain)
    assert kept.made.offset == pytest.approx(line.offset)

    t_s = np.arange(200) / 200.0
    with VirtualDevice(t_s, {"a0": 375.0 + 0 * t_s}, unit="counts", decimals=0, speed=math.inf) as device:
        session = record(port=device.port, home=tmp_path, name="deck")
    assert session.raw["tool"].tolist() == [375.0] * 200
    np.testing.assert_allclose(session.readings["tool_pa"], 50.0 * PSI_PA, rtol=1e-6)
    assert session.channels[0].sensor == "deck-transducer"
    corrected = change_session(session.folder, channels=[Channel(name="tool", unit="counts", to="psi", gain=0.2, offset=0.0)])
    np.testing.assert_allclose(corrected.readings["tool_pa"], 75.0 * PSI_PA, rtol=1e-6)


def test_a_zero_shifts_the_line_and_the_history_stays(tmp_path: Path, samples: Callable[[list[Sample]], None]) -> None:
    label = {"kind": "ratiometric", "span": ("0 psi", "150 psi"), "full_count": 1023.0}
    samples([_sample(104.0), _sample(106.0)])
    calibrate_from_command(home=tmp_path, port="x", name="tool", ask=str, **label)  # type: ignore[arg-type]
    calibrate_from_command(home=tmp_path, port="x", ask=str)
    kept = read_sensors(tmp_path)["a0"]
    assert kept.made.valid == pytest.approx((61.38, 961.62))
    assert kept.made.si([106.0])[0] == pytest.approx(0.0, abs=1.0)
    assert kept.made.si([106.0 + 818.4])[0] == pytest.approx(150.0 * PSI_PA, rel=1e-6)
    text = (tmp_path / "sensors.toml").read_text(encoding="utf-8")
    assert text.count("[[a0.history]]") == 2
    assert text.count('how = "zero"') == 2


def test_a_zero_that_moved_too_far_is_doubted() -> None:
    scaling, to = nominal("ratiometric", "0 psi", "150 psi", full_count=1023.0)
    made = Channel(name="tool", unit="counts", to=to, gain=scaling.gain, offset=scaling.offset, valid=scaling.valid)
    sensor = Sensor(key="a0", channel="a0", made=made)
    assert not set_zero(sensor, _sample(104.0))[1]
    assert "Is the line really vented" in set_zero(sensor, _sample(160.0))[1][0]
    with pytest.raises(ValueError, match=r"Is the line really vented.* Nothing was kept"):
        set_zero(sensor, _sample(300.0))


def test_a_broken_wire_is_not_taken_for_a_point() -> None:
    scaling, to = nominal("ratiometric", "0 psi", "150 psi", unit="V")
    made = Channel(name="tool", unit="V", to=to, gain=scaling.gain, offset=scaling.offset, valid=scaling.valid)
    sensor = Sensor(key="a0", channel="a0", made=made)
    broken, sound = _sample(0.02, 0.001, unit="V"), _sample(3.0, 0.001, unit="V")
    with pytest.raises(ValueError, match=r"tool reads 0\.02 V: a broken wire or no supply at the sensor\. Nothing was kept"):
        set_zero(sensor, broken)
    with pytest.raises(ValueError, match="Nothing was kept"):
        set_two_points(sensor, [(broken, 0.0), (sound, 100.0)], "psi")


def test_what_cannot_be_calibrated_is_refused(tmp_path: Path) -> None:
    plain = Sensor(key="a0", channel="a0", made=Channel(name="a0", unit="counts"))
    with pytest.raises(ValueError, match="differ too little for their scatter"):
        set_two_points(plain, [(_sample(500.0, 2.0), 0.0), (_sample(520.0, 2.0), 100.0)], "psi")
    with pytest.raises(ValueError, match="has no scaling yet"):
        set_zero(plain, _sample(100.0))
    absolute = Sensor(key="p", channel="p", made=Channel(name="p", unit="kPa", absolute=True))
    with pytest.raises(ValueError, match="vented it reads the weather"):
        set_zero(absolute, _sample(100.0))
    with pytest.raises(ValueError, match="Give two points"):
        calibrate_from_command(home=tmp_path, port="x", at=("0 psi",), ask=str)
    asked: list[object] = []
    with pytest.raises(ValueError, match="has no unit"):
        calibrate_from_command(home=tmp_path, port="x", at=("0 psi", "100"), ask=asked.append)
    with pytest.raises(ValueError, match="Both points are 50 psi"):
        calibrate_from_command(home=tmp_path, port="x", at=("50 psi", "50 psi"), ask=asked.append)
    with pytest.raises(ValueError, match="goes the range on the sensor's label: --span"):
        calibrate_from_command(home=tmp_path, port="x", kind="loop", ask=asked.append)
    assert not asked  # nobody is sent to the gauge in vain
    assert not (tmp_path / "sensors.toml").exists()


def test_a_gain_far_from_the_label_s_is_doubted() -> None:
    made = Channel(name="tool", unit="counts", to="psi", gain=0.18, offset=-18.0)
    _, warnings = set_two_points(Sensor(key="a0", channel="a0", made=made), [(_sample(102.0), 0.0), (_sample(648.0), 145.0)], "psi")
    assert "The gain is +48% off" in warnings[-1]


def test_a_loop_is_scaled_by_its_label() -> None:
    scaling, to = nominal("loop", "0 bar", "10 bar", unit="mA")
    assert to == "bar"
    assert scaling(12.0) == pytest.approx(5.0)
    across, _ = nominal("loop", "0 bar", "10 bar", unit="counts", full_count=1000.0)  # 5 V of it, 20 mA through 250 ohm
    assert across(600.0) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("kind", "low", "unit", "said"),
    [
        ("strain", "0 bar", "V", "no kind of sensor"),
        ("ratiometric", "0 bar", "mA", "of kind ratiometric does not give mA"),
        ("ratiometric", "0 bar", "counts", "--full-count 1023"),
        ("loop", "0 bar", "counts", "--full-count 1023"),
        ("loop", "0 bar", "psi", "does not give psi"),
        ("ratiometric", "1 bar", "V", "begins at 0, not at 1 bar"),
        ("loop", "10 bar", "mA", "A range from 10 bar to 10 bar is none"),
    ],
)
def test_a_label_that_does_not_go_with_the_readings_is_refused(kind: str, low: str, unit: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        nominal(kind, low, "10 bar", unit=unit)


def test_an_old_calibration_is_said_and_two_of_one_channel_are_not_guessed_between() -> None:
    made = Channel(name="tool", unit="counts", to="psi", gain=0.18)
    old = Sensor(key="old", channel="a0", made=made, calibrated=NOW - timedelta(days=500))
    channel, warning = as_calibrated("a0", "counts", {"old": old}, NOW)
    assert channel == made
    assert "500 days old" in warning
    assert as_calibrated("a0", "V", {"old": old}, NOW) == (Channel(name="a0", unit="V"), "")
    twin = Sensor(key="twin", channel="a0", made=made)
    channel, warning = as_calibrated("a0", "counts", {"old": old, "twin": twin}, NOW)
    assert channel == Channel(name="a0", unit="counts")
    assert "old, twin" in warning


def test_a_sensors_file_that_was_edited_wrongly_is_refused(tmp_path: Path) -> None:
    (tmp_path / "sensors.toml").write_text('[a0]\nunit = "counts"\ngian = 2\n')
    with pytest.raises(ValueError, match="gian = 2 is not understood"):
        read_sensors(tmp_path)


@pytest.mark.parametrize(
    ("raw", "rate_hz", "said"),
    [
        (np.full(100, 512.0), 200.0, "never moves"),
        (512.0 + np.arange(100) % 2, 20.0, "too slow to see shots"),
        (512.0 + np.arange(100) % 2, 80.0, "dips come out shallow"),
        (np.where(np.arange(100) % 10, 512.0, 10.0), 200.0, "10% of the values lie below 61.4: a broken wire"),
        (np.where(np.arange(100) % 5, 512.0, 1023.0), 200.0, "20% of the values lie above 961.6"),
    ],
)
def test_a_sensor_s_troubles_are_said(raw: np.ndarray, rate_hz: float, said: str) -> None:
    check = check_sensor((np.arange(100) / rate_hz).tolist(), raw.tolist(), (61.4, 961.6))
    assert any(said in a for a in check.advice)


def test_a_sound_sensor_gets_no_advice() -> None:
    raw = np.round(512.0 + np.random.default_rng(1).normal(0.0, 1.0, 1000))
    check = check_sensor((np.arange(1000) / 200.0).tolist(), raw.tolist(), (61.4, 961.6))
    assert check.advice == ()
    assert check.resolution == 1.0
    assert check.rate_hz == pytest.approx(200.0)
    assert check.noise == pytest.approx(1.05, abs=0.3)


def test_a_session_is_calibrated_later_and_its_readings_stay(tmp_path: Path, samples: Callable[[list[Sample]], None]) -> None:
    t_s = np.arange(100) / 100.0
    with VirtualDevice(t_s, {"a0": 375.0 + 0 * t_s}, unit="counts", decimals=0, speed=math.inf) as device:
        session = record(port=device.port, home=tmp_path, name="deck")
    with pytest.raises(ValueError, match=r"no sensor of sensors\.toml fits its channels a0"):
        recalibrate_session(tmp_path, session.folder)
    samples([_sample(102.0), _sample(648.0)])
    calibrate_from_command(home=tmp_path, port="x", sensor="deck-transducer", name="tool", at=("0 psi", "100 psi"), ask=str)
    said = recalibrate_session(tmp_path, session.folder)
    assert "before it had none" in said[0]
    again = open_session(session.folder)
    np.testing.assert_allclose(again.readings["a0_pa"], 50.0 * PSI_PA, rtol=1e-6)
    assert again.channels[0].sensor == "deck-transducer"
    assert again.raw["a0"].tolist() == [375.0] * 100
    assert "has the calibration of" in recalibrate_session(tmp_path, session.folder)[0]


def test_a_converter_at_its_end_is_said() -> None:
    t_s = [i / 100.0 for i in range(200)]
    assert any("exactly 1023" in a for a in check_sensor(t_s, [1023.0] * 150 + [1000.0] * 50).advice)
    assert not any("exactly" in a for a in check_sensor(t_s, [500.0, 501.0] * 100).advice)
