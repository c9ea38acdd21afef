"""From volts, milliamperes or counts to pressure: the straight lines of the usual transducers, and the signs of a broken wire."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.units import significant

# A ratiometric transducer gives a tenth of its supply at zero and nine tenths at full scale; common practice, no source.
RATIO_LOW: Final = 0.1
RATIO_HIGH: Final = 0.9
# Below 0.3 V of 5 V the wire is broken, above 4.7 V shorted or over range; common practice, no source.
RATIO_FAULT: Final = (0.06, 0.94)
ENOUGH_HZ: Final = 100.0  # shows shots whole
CLIPPED_SHARE: Final = 0.2  # so many readings at the very end of a converter's range are no chance
# 4 to 20 mA; fault below 3.6 or above 21 mA, as NAMUR recommendation NE 43 has it.
LOOP_MA: Final = (4.0, 20.0)
LOOP_FAULT_MA: Final = (3.6, 21.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """A straight line from raw values to readings: ``gain * raw + offset``.

    Attributes
    ----------
    gain, offset : float
        In the unit of the reading, per raw unit.
    valid : tuple of float, or None
        Raw values beyond these mean a broken wire or an over-range, not a pressure.
    """

    gain: float
    offset: float
    valid: tuple[float, float] | None = None

    def __call__(self, raw: float) -> float:
        """Return the reading; NaN beyond the valid range."""
        if self.valid is not None and not self.valid[0] <= raw <= self.valid[1]:
            return math.nan
        return self.gain * raw + self.offset


def two_point(first: tuple[float, float], second: tuple[float, float], valid: tuple[float, float] | None = None) -> Scaling:
    """Lay the line through two points (raw value, reading).

    Raises
    ------
    ValueError
        If the raw values are the same or a value is not finite.
    """
    (x1, y1), (x2, y2) = first, second
    if not all(math.isfinite(v) for v in (x1, y1, x2, y2)) or x1 == x2:
        msg = f"The points {first} and {second} give no line. Take them at two different pressures, as far apart as is safe."
        raise ValueError(msg)
    gain = (y2 - y1) / (x2 - x1)
    return Scaling(gain=gain, offset=y1 - gain * x1, valid=valid)


def ratiometric(full_scale: float, supply: float) -> Scaling:
    """Scale a ratiometric transducer (0.5 to 4.5 V at 5 V).

    Parameters
    ----------
    full_scale : float
        Reading at nine tenths of the supply.
    supply : float
        Raw value of the full supply: 5.0 for volts, 1023 for the counts of a 10-bit converter that shares the supply, which
        then cancels.
    """
    low, high = RATIO_FAULT
    return two_point((RATIO_LOW * supply, 0.0), (RATIO_HIGH * supply, full_scale), (low * supply, high * supply))


def current_loop(at_4_ma: float, at_20_ma: float, raw_per_ma: float = 1.0) -> Scaling:
    """Scale a 4 to 20 mA transmitter.

    Parameters
    ----------
    at_4_ma, at_20_ma : float
        Readings at the ends of its range.
    raw_per_ma : float
        1 for raw values in mA; 0.25 for volts across 250 ohm.
    """
    (a, b), (low, high) = LOOP_MA, LOOP_FAULT_MA
    return two_point((a * raw_per_ma, at_4_ma), (b * raw_per_ma, at_20_ma), (low * raw_per_ma, high * raw_per_ma))


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorCheck:
    """What a few seconds of readings at rest say of a sensor.

    Attributes
    ----------
    mean, noise, resolution : float
        In the raw unit; noise is one standard deviation of reading to reading, resolution the smallest step seen (NaN if none).
    rate_hz : float
        Readings a second.
    advice : tuple of str
        What is wrong and what to do; empty when all is well.
    """

    mean: float
    noise: float
    resolution: float
    rate_hz: float
    advice: tuple[str, ...]


def check_sensor(time_s: Sequence[float], raw: Sequence[float], valid: tuple[float, float] | None = None) -> SensorCheck:
    """Judge a sensor from readings at a steady pressure.

    Parameters
    ----------
    time_s, raw : sequence of float, shape (n,)
        Times [s] and raw values; at least ten.
    valid : tuple of float, optional
        Raw values beyond which something is broken.

    Raises
    ------
    ValueError
        If there are fewer than ten readings.
    """
    t, x = np.asarray(time_s, dtype=np.float64), np.asarray(raw, dtype=np.float64)
    t, x = t[np.isfinite(x)], x[np.isfinite(x)]
    if x.size < 10:
        msg = f"Only {x.size} readings; ten are needed to judge a sensor. Listen longer, or check that the device sends."
        raise ValueError(msg)
    rate = (x.size - 1) / float(t[-1] - t[0]) if t[-1] > t[0] else math.nan
    steps = np.diff(x)
    # Reading to reading, so that a slow drift while the air settles does not count as noise.
    noise = float(1.4826 * np.median(np.abs(steps - np.median(steps))) / math.sqrt(2.0))
    if noise == 0.0:
        noise = float(np.std(steps) / math.sqrt(2.0))
    moved = np.abs(steps[steps != 0.0])
    resolution = float(moved.min()) if moved.size else math.nan
    advice = []
    if rate < 0.95 * ENOUGH_HZ / 2.0:
        advice.append(
            f"{significant(rate, 3)} readings a second are too slow to see shots; send {ENOUGH_HZ:.0f} or more. For leak-down it will do."
        )
    elif rate < 0.95 * ENOUGH_HZ:  # a board's 100 is 99.9 now and then
        advice.append(
            f"{significant(rate, 3)} readings a second show shots, but dips come out shallow; {ENOUGH_HZ:.0f} or more are better."
        )
    if not moved.size:
        advice.append(
            "The value never moves: a stuck sensor, a wire off, or averaging that hides all. Let a little air out and look again."
        )
    clipped = [v for v in (float(x.min()), float(x.max())) if _is_end(v) and (x == v).mean() > CLIPPED_SHARE]
    advice += [
        f"Much of it reads exactly {v:g}, an end of the converter's range: an input that is open or shorted, or too much pressure."
        for v in dict.fromkeys(clipped)
    ]
    if valid is not None:
        below, above = float((x < valid[0]).mean()), float((x > valid[1]).mean())
        if below:
            advice.append(f"{below:.0%} of the values lie below {valid[0]:g}: a broken wire or no supply at the sensor.")
        if above:
            advice.append(f"{above:.0%} of the values lie above {valid[1]:g}: a short, or more pressure than the sensor's range.")
    if moved.size and noise > 20.0 * max(resolution, 1e-12) and noise > 0.01 * abs(float(x.mean())):
        advice.append("The value is noisy: twist the wires, keep them off motor leads, and put a capacitor at the input.")
    return SensorCheck(mean=float(x.mean()), noise=noise, resolution=resolution, rate_hz=rate, advice=tuple(advice))


def _is_end(value: float) -> bool:
    """Whether this is the highest count of a converter of 8 to 24 bits."""
    return value in {float(2**bits - 1) for bits in range(8, 25)}
