"""The sensors that are known: which channel of a device they sit on, how they are calibrated, and since when (sensors.toml).

::

    [deck-transducer]
    channel = "a0"          # as the device calls it
    board = "85736323"      # optional: serial number of the USB device that it sits on
    name = "tool"           # as sessions call it
    unit = "counts"         # what the device sends
    to = "psi"              # what the calibration gives: gain * raw + offset
    gain = 0.1834
    offset = -18.76
    pressure = "gauge"
    valid = [61.4, 961.6]   # raw values beyond mean a broken wire or an over-range
    calibrated = 2026-06-03T07:12:00Z

    [[deck-transducer.history]]
    when = 2026-06-03T07:12:00Z
    how = "two points"
    points = [[102.9, 0.0], [648.2, 100.0]]
    scatter = [0.4, 0.6]    # standard deviation of the raw values at each point
    gain = 0.1834
    offset = -18.76
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import tomlkit

from logger.channel import Channel
from logger.durable import write_text
from logger.home import sensors_file

OLD_DAYS: Final = 365  # common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A sensor and its calibration.

    Attributes
    ----------
    key : str
        Its name in sensors.toml.
    channel : str
        What the device calls the channel on which it sits.
    made : Channel
        The channel of a session that its readings become.
    calibrated : datetime or None
        When, UTC; None if it only has the maker's nominal scaling.
    board : str
        Serial number of the USB device on which it sits; "" for any.
    """

    key: str
    channel: str
    made: Channel
    calibrated: datetime | None = None
    board: str = ""

    def age_days(self, now: datetime) -> float | None:
        """Days since it was calibrated; None if it never was."""
        return None if self.calibrated is None else (now - self.calibrated).total_seconds() / 86400.0


def read_sensors(home: Path | str | None = None) -> dict[str, Sensor]:
    """Read the sensors that are known, by name; none if there is no file.

    Raises
    ------
    ValueError
        If the file cannot be understood; the message says where.
    """
    path = sensors_file(home)
    if not path.exists():
        return {}
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
        return {key: _sensor(key, table) for key, table in tables.items()}
    except (ValueError, UnicodeDecodeError) as problem:
        msg = f"{path}: {problem}"
        raise ValueError(msg) from None


def _sensor(key: str, table: Any) -> Sensor:
    if not isinstance(table, dict):
        msg = f"{key} = {table!r}; needed is a table, [{key}]."
        raise ValueError(msg)
    rest = {k: v for k, v in table.items() if k not in {"channel", "name", "board", "calibrated", "history"}}
    channel = table.get("channel", key)
    name = table.get("name", channel)
    board = table.get("board", "")
    when = table.get("calibrated")
    if not (isinstance(channel, str) and isinstance(name, str) and isinstance(board, str)) or not (
        when is None or isinstance(when, datetime)
    ):
        msg = f"[{key}]: channel, name and board are words, calibrated is a date and time."
        raise ValueError(msg)
    made = replace(Channel.from_toml(name, rest), sensor=key)
    calibrated = None if when is None else (when if when.tzinfo else when.replace(tzinfo=UTC))
    return Sensor(key=key, channel=channel, made=made, calibrated=calibrated, board=board)


def save_calibration(
    home: Path | str | None,
    sensor: Sensor,
    *,
    how: str,
    points: Sequence[tuple[float, float]],
    scatter: Sequence[float],
    when: datetime,
) -> Sensor:
    """Keep a new calibration of a sensor; what was before stays in its history.

    Parameters
    ----------
    home : path
        Where farend keeps things.
    sensor : Sensor
        The sensor as it is now.
    how : str
        "zero" or "two points".
    points : sequence of (raw, reading)
        What it was calibrated at.
    scatter : sequence of float
        Standard deviation of the raw values at each.
    when : datetime
        Now.
    """
    path = sensors_file(home)
    document = tomlkit.parse(path.read_text(encoding="utf-8")) if path.exists() else tomlkit.document()
    table: Any = document.get(sensor.key)
    if table is None:
        table = tomlkit.table()
        document.add(sensor.key, table)
    made = sensor.made
    stamp = when.astimezone(UTC).replace(microsecond=0)
    values = {"channel": sensor.channel, "name": made.name, **made.as_toml(), "gain": made.gain, "offset": made.offset}
    values.pop("sensor", None)
    if sensor.board:
        values["board"] = sensor.board
    for key, value in {**values, "calibrated": stamp}.items():
        table[key] = value
    history = table.get("history")
    if history is None:
        history = tomlkit.aot()
        table["history"] = history
    entry = tomlkit.table()
    entry.update(
        {
            "when": stamp,
            "how": how,
            "points": [list(p) for p in points],
            "scatter": list(scatter),
            "gain": made.gain,
            "offset": made.offset,
        }
    )
    history.append(entry)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, tomlkit.dumps(document))
    return read_sensors(home)[sensor.key]


def as_calibrated(name: str, unit: str, sensors: dict[str, Sensor], now: datetime, *, board: str | None = None) -> tuple[Channel, str]:
    """Return the channel for what a device sends under this name, and a warning or "".

    A sensor is taken if it sits on a channel of this name (of this board, where one is said) and sends this unit; if several do,
    none is guessed.
    """
    fitting = [s for s in sensors.values() if s.channel == name and s.made.unit == unit and s.board in {"", board}]
    fitting = [s for s in fitting if s.board] or fitting
    if len(fitting) > 1:
        names = ", ".join(s.key for s in fitting)
        return Channel(name=name, unit=unit), f"Several sensors are said to sit on {name} ({names}); it is kept without calibration."
    if not fitting:
        return Channel(name=name, unit=unit), ""
    (sensor,) = fitting
    age = sensor.age_days(now)
    if age is not None and age > OLD_DAYS:
        return sensor.made, f"The calibration of {sensor.key} is {age:.0f} days old; check its zero with `farend calibrate`."
    return sensor.made, ""
