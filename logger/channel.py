"""A channel: one column of raw readings, and how it becomes SI."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.units import UnitError
from analysis.units import unit as find_unit

SUFFIXES: Final = {
    "pressure": "pa",
    "temperature": "k",
    "humidity": "rh",
    "fraction": "fraction",
    "voltage": "v",
    "current": "a",
    "counts": "counts",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """What a column of readings is; its calibration is applied on reading, never to what is kept.

    A raw value becomes ``gain * raw + offset`` in the unit `to`, and then SI.

    Attributes
    ----------
    name : str
        Column in the session's file: "tool", "supply", "wall", ...
    unit : str
        Unit of the raw values as the device or file gave them: "psi", "counts", "V", ... .
    to : str
        Unit after calibration; the raw unit where there is none.
    gain, offset : float
        Calibration, in `to` per raw unit and in `to`.
    absolute : bool
        True if the pressure is absolute.
    valid : tuple of float, or None
        Raw values beyond these mean a broken wire or an over-range; they become NaN, as no reading.
    sensor : str
        Which sensor, as named in sensors.toml; "" if not said.
    place : str
        Where on the air line the sensor sits, if its name does not tell.
    """

    name: str
    unit: str
    to: str = ""
    gain: float = 1.0
    offset: float = 0.0
    absolute: bool = False
    valid: tuple[float, float] | None = None
    sensor: str = ""
    place: str = ""

    def __post_init__(self) -> None:
        if not self.name or self.name in {"time_s", "device_s", "host_s"} or any(c in self.name for c in "\n\r\t,;\"'"):
            msg = f"{self.name!r} cannot be the name of a channel. Use a short word such as tool, supply or receiver."
            raise ValueError(msg)
        find_unit(self.unit)
        if not self.to:
            object.__setattr__(self, "to", self.unit)
        if self.quantity not in SUFFIXES:
            msg = f"Channel {self.name}: {self.to} is a {self.quantity}; needed is a pressure, temperature, voltage, current or counts."
            raise UnitError(msg)
        if not (np.isfinite(self.gain) and np.isfinite(self.offset)) or self.gain == 0.0:
            msg = f"Channel {self.name}: a calibration of gain {self.gain} and offset {self.offset} gives no readings."
            raise ValueError(msg)

    @property
    def quantity(self) -> str:
        """What it measures after calibration: "pressure", "temperature", "counts", ... ."""
        return find_unit(self.to).quantity

    @property
    def is_pressure(self) -> bool:
        """Whether it measures a pressure."""
        return self.quantity == "pressure"

    @property
    def column(self) -> str:
        """Name of its column in SI: "tool_pa", "tank_abs_pa", "wall_k", "a0_counts"."""
        return f"{self.name}_{'abs_' if self.absolute and self.is_pressure else ''}{SUFFIXES[self.quantity]}"

    def si(self, raw: ArrayLike) -> NDArray[np.float64]:
        """Turn raw values into SI; NaN stays NaN."""
        u = find_unit(self.to)
        x = np.asarray(raw, dtype=np.float64)
        si = x * (self.gain * u.factor) + (self.offset * u.factor + u.offset)
        return si if self.valid is None else np.where((x >= self.valid[0]) & (x <= self.valid[1]), si, np.nan)

    def faults(self, raw: ArrayLike) -> int:
        """Count the raw values that mean a broken wire or an over-range."""
        if self.valid is None:
            return 0
        x = np.asarray(raw, dtype=np.float64)
        return int(((x < self.valid[0]) | (x > self.valid[1])).sum())

    def fault(self, raw: float) -> str:
        """Say what a raw value beyond the valid range means; "" for any other."""
        if self.valid is None or not (raw < self.valid[0] or raw > self.valid[1]):
            return ""
        why = "a broken wire or no supply at the sensor" if raw < self.valid[0] else "a short, or more pressure than the sensor's range"
        return f"{self.name} reads {raw:.4g} {self.unit}: {why}."

    def as_toml(self) -> dict[str, Any]:
        """Return the table that session.toml keeps under ``[channels.NAME]``, defaults left out."""
        table: dict[str, Any] = {"unit": self.unit}
        if self.to != self.unit:
            table["to"] = self.to
        if (self.gain, self.offset) != (1.0, 0.0):
            table["gain"], table["offset"] = self.gain, self.offset
        if self.is_pressure:
            table["pressure"] = "absolute" if self.absolute else "gauge"
        if self.valid is not None:
            table["valid"] = list(self.valid)
        for key in ("sensor", "place"):
            if getattr(self, key):
                table[key] = getattr(self, key)
        return table

    @classmethod
    def from_toml(cls, name: str, table: dict[str, Any]) -> Channel:
        """Read the table back.

        Raises
        ------
        ValueError
            If a value has the wrong type, a unit is unknown, or a key is unknown.
        """
        known: dict[str, tuple[type, ...]] = {
            "unit": (str,),
            "to": (str,),
            "gain": (int, float),
            "offset": (int, float),
            "pressure": (str,),
            "valid": (list,),
            "sensor": (str,),
            "place": (str,),
        }
        for key, value in table.items():
            if key not in known or not isinstance(value, known[key]) or isinstance(value, bool):
                msg = f"channel {name}: {key} = {value!r} is not understood; keys are {', '.join(known)}."
                raise ValueError(msg)
        if "unit" not in table:
            msg = f'channel {name}: the unit of its raw values is missing, e.g. unit = "psi".'
            raise ValueError(msg)
        if table.get("pressure", "gauge") not in {"gauge", "absolute"}:
            msg = f'channel {name}: pressure = {table["pressure"]!r}; it is "gauge" or "absolute".'
            raise ValueError(msg)
        valid = table.get("valid")
        if valid is not None and (
            len(valid) != 2 or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in valid) or not valid[0] < valid[1]
        ):
            msg = f"channel {name}: valid = {valid!r}; needed are the lowest and the highest raw value that are no fault, e.g. [3.6, 21.0]."
            raise ValueError(msg)
        return cls(
            name=name,
            unit=table["unit"],
            to=table.get("to", ""),
            gain=float(table.get("gain", 1.0)),
            offset=float(table.get("offset", 0.0)),
            absolute=table.get("pressure") == "absolute",
            valid=None if valid is None else (float(valid[0]), float(valid[1])),
            sensor=table.get("sensor", ""),
            place=table.get("place", ""),
        )
