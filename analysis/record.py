"""What the detector gives: shots, other events, and the record they came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Outcome = Literal["recovered", "cut off", "not recovered"]
Kind = Literal["regulator change", "disconnected", "connected", "air draw", "pump start", "pump stop", "interference", "gap"]
NAMED: Final = 5  # times in one sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One tool cycle as the sensor saw it.

    Attributes
    ----------
    time_s : float
        When the pressure at the sensor begins to fall [s].
    before_pa, minimum_pa, dip_pa : float
        Pressure just before, lowest true pressure of the dip, and their difference [Pa gauge, Pa gauge, Pa].
    recovery_s : float
        From `time_s` until 90 % of the dip is regained and held for 150 ms [s]; NaN unless `outcome` is "recovered".
    censored_s : float
        Time observed without recovery [s]; equals `recovery_s` where the shot recovered.
    outcome : str
        "recovered"; "cut off" (the next shot or another event came first); "not recovered" (record or gap ended, or 60 s passed).
    by_hand : bool
        Whether somebody added it where the detector found none.
    doubtful : bool
        Whether it may have been something else: nothing in the record vouches for it (`analysis.standing_alone`).
    """

    time_s: float
    before_pa: float
    minimum_pa: float
    dip_pa: float
    recovery_s: float
    censored_s: float
    outcome: Outcome
    by_hand: bool = False
    doubtful: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something other than a shot, the half-open interval [time_s, until_s) [s].

    Kinds: regulator change, disconnected, connected, air draw, pump start, pump stop, interference, gap.
    """

    kind: Kind
    time_s: float
    until_s: float


COUNTED_HZ: Final = 40.0  # a dip lasts some tens of milliseconds: with fewer readings a second, one can fall between two


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRecord:
    """Everything found in one stretch of readings.

    Attributes
    ----------
    readings : int
        Readings used; missing and repeated ones are not counted.
    duration_s, rate_hz : float
        From first to last reading [s]; typical rate [1/s] (inverse of the median spacing).
    noise_pa, resolution_pa : float
        Standard deviation of the sensor's noise and smallest step seen [Pa].
    shots, events : tuple
        In order of time.
    warnings : tuple of str
        What the reader must know before trusting the numbers.
    taken_out : tuple of Shot
        What the detector took for shots and somebody has taken out by hand.
    unvouched : tuple of Shot
        Falls like shots where nothing shows that anybody worked, which are not counted (`analysis.standing_alone`).
    depth_u : float
        Standard uncertainty of their dips that readings too far apart for them leave, as a share; the same for all.
    undecided_s : tuple of float, or None
        When dips like these are over at the soonest and at the latest, where little of a dip decides which [s].
    """

    readings: int
    duration_s: float
    rate_hz: float
    noise_pa: float
    resolution_pa: float
    shots: tuple[Shot, ...]
    events: tuple[Event, ...]
    warnings: tuple[str, ...]
    taken_out: tuple[Shot, ...] = ()
    unvouched: tuple[Shot, ...] = ()
    depth_u: float = 0.0
    undecided_s: tuple[float, float] | None = None

    @property
    def countable(self) -> bool:
        """Whether the readings come often enough to see every shot."""
        return self.rate_hz >= COUNTED_HZ


BURST_S, SHORTEST_BURST = 0.6, 3  # shots no further apart are a burst, if so many follow each other


def bursts(time_s: ArrayLike) -> list[NDArray[np.intp]]:
    """Which shots belong to each burst, as indices into their times [s], ascending."""
    since_s = np.diff(time_s)
    runs = np.split(np.arange(since_s.size + 1), np.flatnonzero(since_s > BURST_S) + 1)
    return [run for run in runs if run.size >= SHORTEST_BURST]


def falls_at(times_s: list[float]) -> str:
    """Name falls by their times [s], for a sentence."""
    return ", or ".join(f"the fall at {at:.1f} s" for at in times_s)


def times_named(times_s: list[float]) -> str:
    """Name the first of some times [s], for a sentence."""
    return ", ".join(f"{at:.1f} s" for at in times_s[:NAMED]) + (" and later" if len(times_s) > NAMED else "")
