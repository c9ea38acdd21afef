"""Sensors that publish, through a real broker: retained, repeated and late messages never become readings that are not."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.device import DeviceSettings
from logger.mqtt import MqttSource
from logger.recorder import record
from logger.sources import open_source
from tests.devices import Background, until


class _Broker:
    """Mosquitto on a port of its own; use it as a context."""

    def __init__(self, folder: Path) -> None:
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if program is None:
            if os.environ.get("FAREND_BROKER_TESTS") == "required":
                pytest.fail("mosquitto is not installed, and FAREND_BROKER_TESTS=required.")
            pytest.skip("mosquitto is not installed; the tests of sensors that publish are left out.")
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.number = free.getsockname()[1]
        self._config = folder / "mosquitto.conf"
        self._config.write_text(f"listener {self.number} 127.0.0.1\nallow_anonymous true\n", encoding="ascii")
        self._program = program
        self.url = f"mqtt://127.0.0.1:{self.number}"
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", os.fspath(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._answers)

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.number), 0.2).close()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10.0)


class _Sensor:
    """What publishes."""

    def __init__(self, number: int) -> None:
        from paho.mqtt import client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", number)
        self._client.loop_start()

    def send(self, topic: str, payload: object, *, retain: bool = False) -> None:
        text = payload if isinstance(payload, str) else json.dumps(payload)
        self._client.publish(topic, text, qos=1, retain=retain).wait_for_publish(10.0)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[_Broker]:
    running = _Broker(tmp_path)
    yield running
    running.stop()


@pytest.fixture
def sensor(broker: _Broker) -> Iterator[_Sensor]:
    publisher = _Sensor(broker.number)
    yield publisher
    publisher.close()


def _recording(home: Path, url: str, **options: Any) -> Background:
    recorder = Background(home, devices=[DeviceSettings(port=url, **options)])
    until(lambda: recorder.told > 0)  # what is published before it listens is nobody's
    return recorder


def test_readings_with_time_stamps_are_kept_once_and_in_order(tmp_path: Path, broker: _Broker, sensor: _Sensor) -> None:
    sensor.send("shop/tool", {"t_ms": 5, "tool": 1.0}, retain=True)  # an old reading that the broker keeps
    recorder = _recording(tmp_path, f"{broker.url}/shop/tool", columns="t_ms,tool", unit="psi")
    order = [*range(20), 18, 12, 19, *range(20, 30), 27, 28, 26, *range(30, 40)]
    for i in order:
        sensor.send("shop/tool", {"t_ms": 7_000_000 + 20 * i, "tool": 90.0 + i, "battery": 3.7})
        time.sleep(0.004)
    until(lambda: recorder.status.readings >= 40)
    session = recorder.end()
    np.testing.assert_array_equal(session.raw["tool"], 90.0 + np.arange(40))
    np.testing.assert_allclose(session.raw["time_s"], 0.02 * np.arange(40), atol=0.01)
    assert any("retained message" in w for w in session.warnings)
    assert not any("restarted" in w for w in session.warnings)


def test_plain_texts_and_several_topics_are_understood(tmp_path: Path, broker: _Broker, sensor: _Sensor) -> None:
    devices = [
        DeviceSettings(port=f"{broker.url}/shop/tool", name="tool", columns="p", unit="psi"),
        DeviceSettings(port=f"{broker.url}/shop/tank/+", name="tank", columns="p"),
    ]
    recorder = Background(tmp_path, devices=devices)
    until(lambda: recorder.told > 0)
    for i in range(10):
        sensor.send("shop/tool", f"{90 + i}.5")
        sensor.send("shop/tank/1", f"P={6.1 + i / 100:.2f} bar")
    until(lambda: recorder.status.readings >= 20)
    session = recorder.end()
    assert {c.name: c.unit for c in session.channels} == {"tool": "psi", "tank": "bar"}
    for name, sent in (("tool", 90.5 + np.arange(10)), ("tank", np.round(6.1 + np.arange(10) / 100, 2))):
        kept = session.raw[name]
        np.testing.assert_array_equal(kept[np.isfinite(kept)], sent)


def test_a_broker_that_restarts_is_found_again(tmp_path: Path, broker: _Broker) -> None:
    recorder = _recording(tmp_path, f"{broker.url}/tool", columns="tool", unit="psi")
    for begin in (0, 5):
        publisher = _Sensor(broker.number)
        for i in range(begin, begin + 5):
            publisher.send("tool", f"{i}")
        until(lambda begin=begin: recorder.status.readings == begin + 5)  # type: ignore[misc]
        publisher.close()
        if begin == 0:
            broker.stop()
            until(lambda: recorder.status.state == "device away")
            broker.start()
            until(lambda: recorder.status.state != "device away")
    session = recorder.end()
    assert session.raw["tool"].tolist() == list(range(10))
    assert any("was away once" in w for w in session.warnings)


def test_a_message_delivered_again_is_left_out(broker: _Broker) -> None:
    source = MqttSource(f"{broker.url}/tool")

    def arrive(payload: bytes, **marks: bool) -> None:
        flags = {"retain": False, "dup": False, **marks}
        source._on_message(None, None, SimpleNamespace(topic="tool", payload=payload, **flags))

    arrive(b"1,5")
    arrive(b"1,5", dup=True)
    arrive(b"2,5", dup=True)  # its first delivery was lost
    arrive(b"0,9", retain=True)
    assert source.read() == b"#\n1,5\n2,5\n"
    assert source.bad == {"message delivered twice": 1, "retained message, an old reading": 1}
    source.close()


def test_json_is_picked_apart_by_columns(broker: _Broker) -> None:
    source = MqttSource(f"{broker.url}/x", "t_ms,air.tool_psi,-,wall")
    assert source._lines(b'{"t_ms": 12, "air": {"tool": 93.25}, "wall": 21}') == b"12,93.25,0,21\n"
    assert source._lines(b'{"t_ms": 12, "air": 3, "wall": true}') == b"12,,0,\n"
    assert source._lines(b'{"t_ms": 12, ') == b""
    source.close()
    plain = MqttSource(f"{broker.url}/x")
    assert plain._lines(b'{"tool": 1}') == b""
    assert sum(plain.bad.values()) == 1
    plain.close()


def test_a_broker_that_is_not_there_is_said(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    with pytest.raises(ValueError, match="does not answer"):
        record(port=f"mqtt://127.0.0.1:{number}/tool", home=tmp_path)
    with pytest.raises(ValueError, match="write it as mqtt://BROKER/TOPIC"):
        open_source("mqtt://127.0.0.1")
