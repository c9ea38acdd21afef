"""Several devices in one recording, and one recording in several sessions: nothing lost, one time base."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from logger.channel import Channel
from logger.clock import DeviceClock, HostClock
from logger.device import DeviceSettings, named_port, uniquely_named
from logger.kept import list_sessions
from logger.open import open_what
from logger.record_command import device_settings
from logger.recorder import record
from logger.sensors import Sensor, as_calibrated, save_calibration
from logger.session import save_session
from logger.virtual import VirtualDevice
from tests.devices import Background, until

Floats = NDArray[np.float64]


def _trace(seconds: float, rate_hz: float, level: float) -> tuple[Floats, Floats]:
    t_s = np.arange(int(seconds * rate_hz)) / rate_hz
    return t_s, np.round(level + 20.0 * np.sin(t_s), 2)


def test_two_devices_of_different_rates_are_one_session(tmp_path: Path) -> None:
    fast, slow = _trace(2.0, 200.0, 600.0), _trace(2.0, 40.0, 90.0)
    with (
        VirtualDevice(fast[0], {"a0": fast[1]}, rate_hz=200.0) as hose,
        VirtualDevice(slow[0], {"a0": slow[1], "a1": slow[1]}, unit="psi", rate_hz=40.0, start_us=2**32 - 500_000) as shop,
    ):
        devices = [DeviceSettings(port=hose.port, name="tool"), DeviceSettings(port=shop.port, name="supply")]
        session = record(devices=devices, home=tmp_path, name="deck")
    assert [(c.name, c.unit) for c in sorted(session.channels, key=lambda c: c.name)] == [
        ("supply_a0", "psi"),
        ("supply_a1", "psi"),
        ("tool", "kPa"),
    ]
    raw = session.raw
    assert (np.diff(raw["time_s"]) > 0).all()
    for name, (t_s, sent) in (("tool", fast), ("supply_a0", slow), ("supply_a1", slow)):
        kept = np.isfinite(raw[name])
        np.testing.assert_array_equal(raw[name][kept], sent)
        times = raw["time_s"][kept]
        np.testing.assert_allclose(times - times[0], t_s, atol=0.02)
    assert session.source == f"{hose.port}, {shop.port}"
    assert len(session.warnings) == 0
    recording = open_what(session.folder)
    assert recording.channel == "tool"
    beside = recording.pressures["supply_a0"]
    inside = np.isfinite(beside)
    assert inside.mean() > 0.9
    expected = 90.0 + 20.0 * np.sin(recording.t_s[inside])
    np.testing.assert_allclose(beside[inside] / 6894.757, expected, atol=1.0)


def test_devices_share_a_time_base_within_2_ms() -> None:
    rng = np.random.default_rng(4)
    times: dict[str, Floats] = {}
    true: dict[str, Floats] = {}
    for name, begins_s, rate_hz, drift in (("a", 0.0, 200.0, 80e-6), ("b", 3.3, 50.0, -120e-6), ("c", 7.0, 100.0, 0.0)):
        clock = DeviceClock(unit_s=1e-6, origin_s=500.0)
        true[name] = begins_s + np.arange(int(90.0 * rate_hz)) / rate_hz
        stamps = np.floor((true[name] * (1.0 + drift) * 1e6 + rng.uniform(0, 2**32)) % 2**32)
        found: list[Floats] = []
        at, host_s = 0, begins_s
        while at < true[name].size:
            host_s += 0.01 + rng.exponential(0.003) + (0.1 if rng.random() < 0.005 else 0.0)
            until_s = int(np.searchsorted(true[name], host_s - 0.0005, side="right"))
            if until_s > at:
                found.append(clock.feed(stamps[at:until_s], 500.0 + host_s))
                at = until_s
        times[name] = np.concatenate(found)
    for name in times:
        error = times[name] - true[name]
        assert np.abs(error).max() < 0.03  # from the first reading on, by its arrival alone
        assert np.abs(error[true[name] > 40.0]).max() < 2e-3


def test_a_restarted_board_stays_on_the_time_base() -> None:
    clock = DeviceClock(unit_s=1e-6, origin_s=100.0)
    steps = np.arange(0.0, 1e6, 1e4)
    first = clock.feed(np.asarray(5e6 + steps), 103.99)
    later = clock.feed(np.asarray(2e5 + steps), 110.99)
    assert first[0] == pytest.approx(3.0, abs=1e-6)
    assert np.nanmin(later) == pytest.approx(10.99, abs=0.02)


def test_a_device_without_a_clock_joins_the_time_base() -> None:
    clock = HostClock(rate_hz=10.0, origin_s=50.0)
    assert clock.feed(5, 52.0) == pytest.approx([1.6, 1.7, 1.8, 1.9, 2.0])


def test_away_for_more_than_a_turn_of_its_counter_costs_no_time() -> None:
    clock = DeviceClock(unit_s=1e-6)
    steps = np.arange(0.0, 1e6, 1e4)
    before = clock.feed(steps, 10.0)
    after = clock.feed(np.asarray(np.mod(7200e6 + steps, 2.0**32)), 7210.0)
    assert before[-1] == pytest.approx(0.99)
    assert after[[0, -1]] == pytest.approx([7200.0, 7200.99], abs=0.1)


def test_a_device_that_says_no_unit_is_left_out_and_the_others_go_on(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(1.0, 100.0, 600.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as good, VirtualDevice(t_s, {"x_counts_": p_kpa}, unit="") as bad:
        session = record(devices=[DeviceSettings(port=good.port), DeviceSettings(port=bad.port)], home=tmp_path)
    assert [c.name for c in session.channels] == ["tool"]
    assert session.count == 100
    assert any("without saying the unit" in w and "left out" in w for w in session.warnings)


def test_of_several_boards_a_sensor_is_known_by_name_or_serial_number() -> None:
    now = datetime(2026, 6, 3, tzinfo=UTC)
    made = Channel(name="tool", unit="counts", to="psi", gain=0.2)
    plain = Sensor(key="one", channel="a0", made=made)
    boarded = Sensor(key="two", channel="a0", made=Channel(name="supply", unit="counts", to="psi", gain=0.3), board="S1")
    known = {"one": plain, "two": boarded}
    assert as_calibrated("a0", "counts", known, now, board="S1")[0].gain == 0.3
    assert as_calibrated("a0", "counts", known, now, board="S2")[0].gain == 0.2
    assert as_calibrated("a0", "counts", {"two": boarded}, now, board=None)[0].gain == 1.0


def test_the_name_of_a_device_finds_its_sensor(tmp_path: Path) -> None:
    made = Channel(name="supply", unit="counts", to="psi", gain=0.25, offset=-1.0)
    sensor = Sensor(key="shop", channel="supply", made=made)
    save_calibration(tmp_path, sensor, how="two points", points=[(4.0, 0.0), (404.0, 100.0)], scatter=[0.1, 0.1], when=datetime.now(UTC))
    t_s = np.arange(50) / 100.0
    with (
        VirtualDevice(t_s, {"a0": 0 * t_s + 104.0}, unit="counts", decimals=0, speed=math.inf) as one,
        VirtualDevice(t_s, {"a0": 0 * t_s + 404.0}, unit="counts", decimals=0, speed=math.inf) as other,
    ):
        session = record(devices=[DeviceSettings(port=one.port), DeviceSettings(port=other.port, name="supply")], home=tmp_path)
    assert {c.name: (c.to, c.gain) for c in session.channels} == {"a0": ("counts", 1.0), "supply": ("psi", 0.25)}
    assert {v for v in session.raw["supply"] if v == v} == {404.0}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("supply=/dev/ttyUSB1", ("supply", "/dev/ttyUSB1")),
        ("/dev/ttyUSB1", ("", "/dev/ttyUSB1")),
        ("spy:///dev/ttyUSB0?file=x", ("", "spy:///dev/ttyUSB0?file=x")),
        ("tool=mqtt://broker/a=b", ("tool", "mqtt://broker/a=b")),
    ],
)
def test_a_port_may_have_a_name(text: str, expected: tuple[str, str]) -> None:
    assert named_port(text) == expected


def test_options_are_given_once_or_once_for_each_port() -> None:
    found = device_settings(["a=P1", "P2"], baud=[9600], columns=["", "t_us,tool"], unit=["", "psi"])
    assert [(d.name, d.port, d.baud, d.columns, d.unit) for d in found] == [
        ("a", "P1", 9600, None, None),
        ("", "P2", 9600, "t_us,tool", "psi"),
    ]
    with pytest.raises(ValueError, match="--baud is given 2 times for 3 ports"):
        device_settings(["P1", "P2", "P3"], baud=[9600, 115200])


def test_channels_of_one_name_are_numbered() -> None:
    twins = [Channel(name="tool", unit="psi"), Channel(name="tool", unit="psi")]
    assert [c.name for c in uniquely_named(twins, ["tool"])] == ["tool_2", "tool_3"]


def test_a_new_session_each_so_often_loses_no_reading(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(10.0, 200.0, 600.0)
    with VirtualDevice(t_s, {"tool": p_kpa}, speed=4.0) as device:
        last = record(port=device.port, home=tmp_path, name="deck", rotate_s=3.0)
    sessions = list_sessions(tmp_path)
    assert [s.name for s in sessions] == ["deck", "deck 2", "deck 3", "deck 4"]
    assert last.name == "deck 4"
    assert all(s.finished and not s.recording for s in sessions)
    np.testing.assert_array_equal(np.concatenate([s.raw["tool"] for s in sessions]), p_kpa)
    np.testing.assert_allclose(np.concatenate([s.raw["time_s"] + 3.0 * i for i, s in enumerate(sessions)]), t_s, atol=1e-9)
    assert max(s.duration_s for s in sessions) < 3.0
    assert sessions[-1].started - sessions[0].started < timedelta(seconds=10.0)


def test_two_devices_turn_to_the_next_session_together(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(3.0, 100.0, 600.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as one, VirtualDevice(t_s, {"supply": p_kpa}) as other:
        record(devices=[DeviceSettings(port=one.port), DeviceSettings(port=other.port)], home=tmp_path, name="deck", rotate_s=1.0)
    sessions = list_sessions(tmp_path)
    for channel in ("tool", "supply"):
        kept = np.concatenate([s.raw[channel] for s in sessions if channel in {c.name for c in s.channels}])
        np.testing.assert_array_equal(kept[np.isfinite(kept)], p_kpa)


def test_one_of_two_devices_may_go_and_come_back(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(60.0, 100.0, 600.0)
    link = tmp_path / "ttyBOARD"
    with VirtualDevice(t_s, {"tool": p_kpa}) as steady:
        with VirtualDevice(t_s, {"supply": p_kpa}) as first:
            link.symlink_to(first.port)
            recorder = Background(tmp_path, devices=[DeviceSettings(port=steady.port), DeviceSettings(port=str(link))])
            until(lambda: first.sent > 30)
            link.unlink()  # as where a plug is pulled: the number of this port may next be that of another test's
        until(lambda: recorder.status.state == "device away")
        assert "ttyBOARD is away" in recorder.status.warning
        with VirtualDevice(t_s, {"supply": p_kpa}) as second:
            link.symlink_to(second.port)
            until(lambda: second.sent > 30)
            session = recorder.end()
    raw = session.raw
    steady_t = raw["time_s"][np.isfinite(raw["tool"])]
    assert np.diff(steady_t).max() < 0.2  # the one that stayed has no gap
    assert np.isfinite(raw["supply"]).sum() >= 55
    assert any("ttyBOARD was away once" in w for w in session.warnings)


def test_readings_of_two_devices_at_the_very_same_times_are_still_those_of_two(tmp_path: Path) -> None:
    t_s = np.arange(0.0, 2.0, 0.005)
    slow = np.full(t_s.size, np.nan)
    slow[::10] = 90.0 + t_s[::10]  # half of the slow device's readings fall on the fast one's times, half between them
    raw = {"time_s": np.concatenate((t_s, t_s[5::10] + 0.0025)), "tool": np.concatenate((np.full(t_s.size, 600.0), np.full(40, np.nan)))}
    raw["supply"] = np.concatenate((slow, 90.0 + t_s[5::10] + 0.0025))
    order = np.argsort(raw["time_s"])
    channels = [Channel(name="tool", unit="kPa"), Channel(name="supply", unit="kPa")]
    started = datetime(2026, 6, 3, tzinfo=UTC)
    session = save_session(tmp_path, "two", started=started, channels=channels, raw={k: v[order] for k, v in raw.items()})
    recording = open_what(session.folder)
    beside = recording.pressures["supply"]
    assert np.isfinite(beside).mean() > 0.95
    np.testing.assert_allclose(beside[:380] / 1e3, 90.0 + recording.t_s[:380], atol=1e-6)
