"""Calibrate a sensor on the device it sits on: the zero with the line vented, or two points against a reference gauge."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.units import UnitError, from_si, parse_quantity, significant
from analysis.units import unit as find_unit
from logger.channel import Channel
from logger.clock import DeviceClock, HostClock, host_seconds
from logger.lines import LineParser, parse_columns
from logger.scaling import Scaling, check_sensor, current_loop, ratiometric, two_point
from logger.sensors import Sensor, read_sensors, save_calibration
from logger.session import change_session, open_session
from logger.sources import open_source, usb_serial

Floats = NDArray[np.float64]

ZERO_SHARE: Final = 0.05  # a zero that is off by more than this share of the range is no drift; common practice, no source
FAR_SHARE: Final = 0.2  # by more than this the line is not vented or the range is another one
SUPPLY_V: Final = 5.0
BURDEN_OHM: Final = 250.0  # the resistor across which the current of a loop is measured as a voltage
GAIN_SHARE: Final = 0.10  # likewise a gain off by more than this
APART: Final = 30.0  # two points must differ by so many times their scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A few seconds of one channel's raw values.

    Attributes
    ----------
    channel, unit : str
        As the device says.
    time_s, raw : ndarray, shape (n,)
        Times [s] and values in `unit`.
    """

    channel: str
    unit: str
    time_s: Floats
    raw: Floats

    @property
    def mean(self) -> float:
        """Mean raw value."""
        return float(self.raw.mean())

    @property
    def scatter(self) -> float:
        """Standard deviation of the raw values."""
        return float(self.raw.std(ddof=1)) if self.raw.size > 1 else 0.0


def listen_to(
    port: str, seconds: float, *, channel: str | None = None, baud: int = 115200, columns: str | None = None, unit: str | None = None
) -> Sample:
    """Read one channel of a device for a while.

    Raises
    ------
    ValueError
        If the port cannot be opened, sends too little, or has several channels and none is named.
    """
    parser = LineParser(layout=None if columns is None else parse_columns(columns, unit), unit=unit)
    source = open_source(port, baud)
    blocks: list[tuple[Floats | None, Floats, float]] = []
    begun: float | None = None
    opened = time.monotonic()
    try:
        source.ask()
        while (begun is None and time.monotonic() - opened < 15.0) or (begun is not None and time.monotonic() - begun < seconds):
            rows = parser.feed(source.read())
            if len(rows.values):
                begun = time.monotonic() if begun is None else begun
                blocks.append((rows.device, rows.values, host_seconds()))
            if parser.ended:
                break
    except OSError:
        msg = f"{port} went away while listening. Check the cable and try again."
        raise ValueError(msg) from None
    finally:
        source.close()
    layout = parser.layout
    if layout is None or not blocks:
        msg = f"{port} sent no reading that is understood. `farend ports` says what it sends and which --columns to give."
        raise ValueError(msg)
    if channel is None and len(layout.channels) > 1:
        msg = f"{port} sends {', '.join(layout.channels)}; say which is meant: --channel NAME."
        raise ValueError(msg)
    if channel is not None and channel not in layout.channels:
        msg = f"{port} sends no channel {channel!r} but {', '.join(layout.channels)}."
        raise ValueError(msg)
    at = 0 if channel is None else layout.channels.index(channel)
    if not layout.units[at]:
        msg = f"{port} sends {layout.channels[at]} without saying the unit. Give it: --unit counts (or V, mA, psi, ...)."
        raise ValueError(msg)
    if layout.time_unit_s is None:
        host = HostClock(rate_hz=layout.rate_hz, speed=layout.speed)
        times = np.concatenate([host.feed(len(v), h) for _, v, h in blocks])
    else:
        device = DeviceClock(unit_s=layout.time_unit_s, speed=layout.speed)
        times = np.concatenate([device.feed(d, h) for d, _, h in blocks if d is not None])
    raw = np.concatenate([v[:, at] for _, v, _ in blocks])
    good = np.isfinite(times) & np.isfinite(raw)
    return Sample(channel=layout.channels[at], unit=layout.units[at], time_s=times[good], raw=raw[good])


def nominal(kind: str, low: str, high: str, *, full_count: float | None = None, unit: str = "V") -> tuple[Scaling, str]:
    """Scaling from what the sensor's label says.

    Parameters
    ----------
    kind : str
        "ratiometric" (0.5 to 4.5 V of 5 V) or "loop" (4 to 20 mA).
    low, high : str
        Ends of its range with a unit, "0 psi" and "150 psi".
    full_count : float, optional
        What the device sends for its full supply of 5 V: 1023 or 1024 for a 10-bit converter; needed for counts.
    unit : str
        Of the raw values: counts, V, or for a loop mA. Volts and counts of a loop are taken across 250 ohm.

    Returns
    -------
    Scaling and str
        The line, and the unit of its readings.

    Raises
    ------
    ValueError
        If the kind is unknown or does not go with the unit, or the range is none.
    """
    ends = [parse_quantity(text, "pressure") for text in (low, high)]
    to = _unit_of(high)
    a, b = (from_si(p, to) for p in ends)
    if kind not in {"ratiometric", "loop"}:
        msg = f"{kind!r} is no kind of sensor known here; it is ratiometric or loop."
        raise ValueError(msg)
    if not a < b:
        msg = f"A range from {low} to {high} is none; the lower end comes first."
        raise ValueError(msg)
    quantity = find_unit(unit).quantity
    if kind == "loop" and quantity == "current":
        return current_loop(a, b, from_si(1e-3, unit)), to
    if quantity == "voltage":
        supply = from_si(SUPPLY_V, unit) if full_count is None else full_count
    elif quantity == "counts" and full_count is not None:
        supply = full_count
    elif quantity == "counts":
        msg = "The device sends counts. Say what it sends for its full supply, e.g. --full-count 1023 for a converter of 10 bits."
        raise ValueError(msg)
    else:
        msg = f"A sensor of kind {kind} does not give {unit}. Check --kind and --unit, or calibrate at two points (--at)."
        raise ValueError(msg)
    if kind == "loop":
        return current_loop(a, b, supply * BURDEN_OHM * 1e-3 / SUPPLY_V), to
    if a != 0.0:
        msg = f"A ratiometric sensor's range begins at 0, not at {low}."
        raise ValueError(msg)
    return ratiometric(b, supply), to


def set_zero(sensor: Sensor, sample: Sample) -> tuple[Sensor, tuple[str, ...]]:
    """Shift a sensor's line so that the vented sample reads 0 gauge; return it with warnings.

    Raises
    ------
    ValueError
        If the sensor has no gain yet, is an absolute one, or reads what a vented one cannot.
    """
    made = sensor.made
    if made.absolute:
        msg = f"{sensor.key} measures absolute pressure; vented it reads the weather, not zero. Calibrate it at two points."
        raise ValueError(msg)
    if not made.is_pressure:
        msg = f"{sensor.key} has no scaling yet, so one point does not fix it. Give its range (--kind, --span), or two points (--at)."
        raise ValueError(msg)
    _sound(sensor, sample)
    warnings = list(check_sensor(sample.time_s.tolist(), sample.raw.tolist(), made.valid).advice)
    offset = -made.gain * sample.mean
    if made.valid is not None:
        moved = abs(offset - made.offset)
        share = moved / (abs(made.gain) * (made.valid[1] - made.valid[0]))
        doubt = (
            f"The zero moved by {significant(moved, 3)} {made.to}, more than a sound sensor drifts. Is the line really vented, "
            "and is the range on the label the one you gave?"
        )
        if share > FAR_SHARE:
            msg = f"{doubt} Nothing was kept: vent it and try again, give the range (--kind, --span), or calibrate at two points (--at)."
            raise ValueError(msg)
        if share > ZERO_SHARE:
            warnings.append(doubt)
    return replace(sensor, made=replace(made, offset=offset)), tuple(warnings)


def _sound(sensor: Sensor, sample: Sample) -> None:
    """Refuse a sample that a broken wire or an over-range gave."""
    if fault := sensor.made.fault(sample.mean):
        msg = f"{fault} Nothing was kept."
        raise ValueError(msg)


def set_two_points(sensor: Sensor, samples: Sequence[tuple[Sample, float]], to: str) -> tuple[Sensor, tuple[str, ...]]:
    """Lay a sensor's line through two samples at known readings in the unit `to`; return it with warnings.

    Raises
    ------
    ValueError
        If the two are too close to tell apart, or one is no pressure.
    """
    (low, y1), (high, y2) = samples
    for sample in (low, high):
        _sound(sensor, sample)
    noise = math.hypot(low.scatter, high.scatter)
    if abs(high.mean - low.mean) <= max(APART * noise, 1e-12):
        msg = (
            f"The raw values at {y1:g} and {y2:g} {to} ({low.mean:.4g} and {high.mean:.4g}) differ too little for their scatter "
            f"({significant(noise, 2)}). Take the points further apart, and check that the sensor moves with the pressure."
        )
        raise ValueError(msg)
    line = two_point((low.mean, y1), (high.mean, y2))
    made = sensor.made
    warnings = [*check_sensor(low.time_s.tolist(), low.raw.tolist(), made.valid).advice]
    if made.is_pressure and made.to == to and abs(line.gain / made.gain - 1.0) > GAIN_SHARE:
        warnings.append(
            f"The gain is {line.gain / made.gain - 1.0:+.0%} off what it was. Check the reference gauge's unit, and that the pressure had "
            "settled at both points."
        )
    return replace(sensor, made=replace(made, to=to, gain=line.gain, offset=line.offset)), tuple(warnings)


def calibrate_from_command(
    *,
    home: Path | str | None,
    port: str,
    sensor: str | None = None,
    channel: str | None = None,
    name: str | None = None,
    kind: str | None = None,
    span: tuple[str, str] | None = None,
    full_count: float | None = None,
    at: Sequence[str] = (),
    seconds: float = 3.0,
    baud: int = 115200,
    columns: str | None = None,
    unit: str | None = None,
    ask: Callable[[str], object] = input,
) -> list[str]:
    """Calibrate as the command line asks, with questions in between, and return the findings in sentences.

    Parameters
    ----------
    home : path
        Where farend keeps things.
    port, baud, columns, unit
        The device, as for recording.
    sensor : str, optional
        Name of the sensor in sensors.toml; by default the channel's.
    channel : str, optional
        Which of the device's channels.
    name : str, optional
        What sessions shall call it; "tool" is what the analysis looks for.
    kind, span, full_count
        What the sensor's label says, see `nominal`.
    at : sequence of str
        Two pressures of a reference gauge, "0 psi" and "100 psi"; none to set the zero only.
    seconds : float
        How long to listen at each.
    ask : callable
        Says what to do and waits until it is done.

    Raises
    ------
    ValueError
        If the device, the sensor or the points cannot be used; the message says why.
    """
    if len(at) not in {0, 2}:
        msg = "Give two points, --at '0 psi' --at '100 psi', or none, to set the zero with the line vented."
        raise ValueError(msg)
    if kind is not None and span is None:
        msg = "With --kind goes the range on the sensor's label: --span '0 psi' '150 psi'."
        raise ValueError(msg)
    given = [parse_quantity(text, "pressure") for text in at]
    if len(set(given)) < len(given):
        msg = f"Both points are {at[0]}. Give two pressures, as far apart as the sensor's range allows."
        raise ValueError(msg)
    known = read_sensors(home)
    samples: list[Sample] = []
    steps = [f"Bring the reference gauge to {text}, let it settle" for text in at] or ["Vent the sensor to the open air"]
    for step in steps:
        ask(f"{step}, then press Enter. ")
        samples.append(listen_to(port, seconds, channel=channel, baud=baud, columns=columns, unit=unit))
    first = samples[0]
    key = sensor or next((s.key for s in known.values() if s.channel == first.channel), first.channel)
    current = known.get(key) or Sensor(
        key=key, channel=first.channel, made=Channel(name=name or first.channel, unit=first.unit, sensor=key)
    )
    if name is not None:
        current = replace(current, made=replace(current.made, name=name))
    if any(s.channel == current.channel and s.made.unit == first.unit for s in known.values() if s.key != key):
        current = replace(current, board=usb_serial(port) or current.board)  # two boards call their channels alike
    if kind is not None and span is not None:
        scaling, to = nominal(kind, *span, full_count=full_count, unit=first.unit)
        made = replace(current.made, unit=first.unit, to=to, gain=scaling.gain, offset=scaling.offset, valid=scaling.valid)
        current = replace(current, made=made)
    if at:
        to = _unit_of(at[1])
        readings = [from_si(p, to) for p in given]
        new, warnings = set_two_points(current, list(zip(samples, readings, strict=True)), to)
        how, points = "two points", [(s.mean, y) for s, y in zip(samples, readings, strict=True)]
    else:
        new, warnings = set_zero(current, first)
        how, points = "zero", [(first.mean, 0.0)]
    saved = save_calibration(home, new, how=how, points=points, scatter=[s.scatter for s in samples], when=datetime.now(UTC))
    made = saved.made
    at_noise = abs(made.gain) * max(s.scatter for s in samples)
    found = [
        f"{key}: {made.to} = {made.gain:.6g} x {made.unit} {made.offset:+.6g}, by {how}; kept in sensors.toml.",
        f"At rest it scatters by {significant(at_noise, 2)} {made.to} (one standard deviation), "
        f"{significant(check_rate(first), 3)} readings a second.",
        f"Recordings of channel {saved.channel} in {made.unit} will be called {made.name!r} and read in {made.to}.",
    ]
    return [*found, *warnings]


def check_rate(sample: Sample) -> float:
    """Readings a second of a sample."""
    elapsed = float(sample.time_s[-1] - sample.time_s[0])
    return (sample.time_s.size - 1) / elapsed if elapsed > 0 else math.nan


def _unit_of(text: str) -> str:
    try:
        return find_unit(text.strip().lstrip("+-0123456789.,").strip()).name
    except UnitError:
        parse_quantity(text, "pressure")  # says better what is wrong
        raise


def recalibrate_session(home: Path | str | None, folder: Path) -> list[str]:
    """Apply the sensors' present calibrations to a session that was recorded with earlier ones; say what changed.

    Parameters
    ----------
    home : path
        Where farend keeps things.
    folder : Path
        The session's. Its readings stay as they are.

    Raises
    ------
    ValueError
        If none of its channels comes from a sensor that is known.
    """
    session = open_session(folder)
    known = read_sensors(home)
    said: list[str] = []
    changed: list[Channel] = []
    for channel in session.channels:
        sensor = known.get(channel.sensor) or next(
            (s for s in known.values() if channel.name in {s.channel, s.made.name} and s.made.unit == channel.unit), None
        )
        if sensor is None:
            continue
        when = "the maker's figures" if sensor.calibrated is None else f"the calibration of {sensor.calibrated:%Y-%m-%d}"
        new = replace(sensor.made, name=channel.name, place=channel.place)
        if new == channel:
            said.append(f"{channel.name}: has {when} of {sensor.key} already.")
            continue
        changed.append(new)
        said.append(f"{channel.name}: {new.to} = {new.gain:.6g} x {new.unit} {new.offset:+.6g} by {when} of {sensor.key}, {_was(channel)}.")
    if not said:
        names = ", ".join(known) or "none"
        msg = f"{session.name}: no sensor of sensors.toml fits its channels {', '.join(c.name for c in session.channels)} (known: {names})."
        raise ValueError(msg)
    if changed:
        change_session(folder, channels=changed)
    return said


def _was(channel: Channel) -> str:
    if (channel.gain, channel.offset) == (1.0, 0.0):
        return "before it had none"
    return f"before {channel.gain:.6g} and {channel.offset:+.6g}"
