"""Modbus RTU transmitters: every type is decoded as another's server encodes it, and no fault of the line becomes a reading."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.device import DeviceSettings
from logger.lines import LineParser
from logger.modbus import ModbusSource, Register, RegisterMap, read_register_map
from logger.recorder import record
from logger.sources import open_source
from tests.devices import Background, Cable, until

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX's")

MAP = """
every = "0.02 s"
timeout = "0.1 s"
baud = 19200
"""


class _Transmitters(threading.Thread):
    """A pymodbus server on a port: the transmitters at the other end of the line."""

    def __init__(self, port: str) -> None:
        super().__init__()
        self.port = port
        self.level = 4000  # of register 0, raised by 1 at each question
        self._loop = asyncio.new_event_loop()
        self._up = threading.Event()

    def run(self) -> None:
        from pymodbus import FramerType
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        async def rise(
            _function: int, start: int, address: int, _count: int, registers: list[int], _set: list[int] | list[bool] | None
        ) -> None:
            if address == 0:
                self.level += 1
                registers[0 - start] = self.level & 0xFFFF

        async def serve() -> None:
            data = [
                SimData(0, values=4000, datatype=DataType.UINT16),
                SimData(1, values=-321, datatype=DataType.INT16),
                SimData(2, values=-70_000, datatype=DataType.INT32),
                SimData(4, values=3_000_000_000, datatype=DataType.UINT32),
                SimData(6, values=6.125, datatype=DataType.FLOAT32),
            ]
            self._server = ModbusSerialServer(
                [SimDevice(1, simdata=data, action=rise), SimDevice(2, simdata=data)],
                framer=FramerType.RTU,
                port=self.port,
                baudrate=19200,
            )
            await self._server.serve_forever(background=True)
            self._up.set()
            await self._server.serving

        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(serve())
        self._loop.close()

    def __enter__(self) -> _Transmitters:
        self.start()
        assert self._up.wait(60.0)
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(10.0)  # type: ignore[no-untyped-call]
        self.join(10.0)


@pytest.fixture
def cable() -> Iterator[Cable]:
    with Cable() as line:
        yield line


def _map(folder: Path, text: str) -> Path:
    path = folder / "map.toml"
    path.write_text(MAP + text, encoding="utf-8")
    return path


TOOL = '[channels.tool]\naddress = 1\nregister = 0\ntype = "uint16"\nscale = 0.1\nunit = "kPa"\n'


def test_every_type_is_decoded_as_the_server_encodes_it(cable: Cable, tmp_path: Path) -> None:
    text = "".join(
        f'[channels.{name}]\naddress = 2\nregister = {register}\ntype = "{kind}"\nscale = {scale}\nunit = "{unit}"\ntable = "{table}"\n'
        for name, register, kind, scale, unit, table in (
            ("a", 1, "int16", 0.1, "degC", "holding"),
            ("b", 2, "int32", 0.001, "kPa", "input"),
            ("c", 4, "uint32", 1e-9, "bar", "holding"),
            ("d", 6, "float32", 1.0, "bar", "holding"),
        )
    )
    text += '[channels.e]\naddress = 2\nregister = 6\ntype = "float32"\nword_order = "low first"\nunit = "bar"\n'
    with _Transmitters(cable.far):
        source = ModbusSource(cable.near, _map(tmp_path, text))
        parser = LineParser()
        parser.feed(source.read())
        rows = parser.feed(source.read()).values
        source.close()
    assert parser.layout is not None
    assert parser.layout.units == ("degC", "kPa", "bar", "bar", "bar")
    assert rows[0, :4].tolist() == pytest.approx([-32.1, -70.0, 3.0, 6.125], rel=1e-8)
    assert rows[0, 4] != pytest.approx(6.125)  # the server puts the high word first


def test_a_transmitter_is_recorded_and_only_what_it_sent(cable: Cable, tmp_path: Path) -> None:
    settings = DeviceSettings(port=cable.near, registers=_map(tmp_path, TOOL))
    with _Transmitters(cable.far) as server:
        session = record(devices=[settings], home=tmp_path, for_s=1.0)
        sent = {round(0.1 * level, 6) for level in range(4001, server.level + 1)}
    kept = session.raw["tool"]
    assert kept.size > 15
    assert set(np.round(kept, 6)) <= sent
    assert (np.diff(kept) > 0).all()
    assert session.channels[0].unit == "kPa"
    assert np.median(np.diff(session.raw["time_s"])) == pytest.approx(0.02, abs=0.015)


def test_damaged_answers_are_counted_and_none_is_believed(cable: Cable, tmp_path: Path) -> None:
    count = 0

    def spoil(data: bytes) -> tuple[bytes, float]:
        nonlocal count
        count += 1
        return (bytes([*data[:3], data[3] ^ 0x40, *data[4:]]) if count % 3 == 0 and len(data) > 4 else data), 0.0

    cable.disturb = spoil
    settings = DeviceSettings(port=cable.near, registers=_map(tmp_path, TOOL))
    with _Transmitters(cable.far) as server:
        session = record(devices=[settings], home=tmp_path, for_s=3.5)
        most = 0.1 * server.level
    assert session.count >= 3
    assert session.raw["tool"].max() <= most + 1e-6
    assert session.raw["tool"].min() >= 400.0
    assert any("answer of transmitter 1 not understood" in w for w in session.warnings)


def test_a_silent_transmitter_does_not_hold_up_the_others(cable: Cable, tmp_path: Path) -> None:
    cable.disturb = lambda data: (b"" if data[:1] == b"\x02" else data, 0.0)  # number 2 is unplugged
    other = TOOL.replace("tool", "supply").replace("address = 1", "address = 2").replace("register = 0", "register = 1")
    settings = DeviceSettings(port=cable.near, registers=_map(tmp_path, TOOL + other))
    with _Transmitters(cable.far):
        recorder = Background(tmp_path, devices=[settings])
        until(lambda: recorder.status.readings > 60)
        session = recorder.end()
    assert np.isfinite(session.raw["tool"]).all()
    assert np.isnan(session.raw["supply"]).all()
    assert any("no answer of transmitter 2" in w for w in session.warnings)


def test_a_slow_answer_is_not_taken_for_the_next_question_s(cable: Cable, tmp_path: Path) -> None:
    late = iter([0.0, 0.0, 0.15, 0.0, 0.3, 0.0, 0.0])
    cable.disturb = lambda data: (data, next(late, 0.0))
    other = TOOL.replace("tool", "wall").replace("register = 0", "register = 1").replace("uint16", "int16")
    settings = DeviceSettings(port=cable.near, registers=_map(tmp_path, TOOL + other))
    with _Transmitters(cable.far):
        recorder = Background(tmp_path, devices=[settings])
        until(lambda: recorder.status.readings > 10)
        session = recorder.end()
    wall = session.raw["wall"]
    assert set(wall[np.isfinite(wall)].round(6)) == {-32.1}
    tool = session.raw["tool"]
    assert (tool[np.isfinite(tool)] > 400.0).all()
    assert any("no answer of transmitter 1" in w for w in session.warnings)


def test_a_line_on_which_nobody_answers_is_said(cable: Cable, tmp_path: Path) -> None:
    settings = DeviceSettings(port=cable.near, registers=_map(tmp_path, TOOL))
    recorder = Background(tmp_path, devices=[settings])
    until(lambda: "no answer of transmitter 1" in recorder.status.problems)
    recorder.stop.set()
    with pytest.raises(ValueError, match="gave no reading: no answer of transmitter 1"):
        recorder.join()


def test_a_map_is_read_as_it_is_meant(tmp_path: Path) -> None:
    assert read_register_map(_map(tmp_path, TOOL)) == RegisterMap(
        registers=(Register(channel="tool", address=1, register=0, kind="uint16", scale=0.1, unit="kPa"),),
        every_s=0.02,
        timeout_s=0.1,
        baud=19200,
    )
    assert read_register_map(_map(tmp_path, 'parity = "even"\nstop_bits = 2\n' + TOOL)).parity == "E"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", r"there is no \[channels\.NAME\]"),
        ("[channels.tool]\nregister = 1\n", "unit"),
        ('[channels.tool]\nregister = 1\nunit = "bar"\n', "address = None; needed is a whole number from 1 to 247"),
        ('[channels.tool]\naddress = 1\nregister = 1\nunit = "bar"\ntype = "int8"\n', "it is one of int16, uint16, int32, uint32, float32"),
        ('[channels.tool]\naddress = 1\nregister = 1\nunit = "bar"\nscle = 0.1\n', "did you mean 'scale'"),
        ('[channels.tool]\naddress = 1\nregister = 1\nunit = "bar"\nscale = 0\n', "a number other than 0"),
        ("[channels]\ntool = 3\n", "is no table"),
    ],
)
def test_a_map_that_makes_no_sense_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        read_register_map(_map(tmp_path, text))


def test_a_map_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(
        ValueError, match=r"none\.toml: No such file or directory\. --registers names a TOML file that says which registers to read\.$"
    ):
        open_source("/dev/null", registers=tmp_path / "none.toml")
