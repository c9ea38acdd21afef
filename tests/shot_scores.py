"""Seeded, faulty recordings of our own with known shots, and how well the detector does on them: ``python -m tests.shot_scores``.

The shapes are simple formulas, not the line model: a fall rounded like a valve's, a bottom, a recovery that overshoots and rings.
"""

from __future__ import annotations

import argparse
from bisect import bisect
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.record import Kind
from analysis.shots import ShotRecord, find_shots

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a recording shows and through which sensor."""

    name: str
    rate_hz: float = 200.0
    noise_pa: float = 1000.0
    step_pa: float = 300.0
    level_pa: float = 620_000.0
    dip_pa: float = 80_000.0
    fall_s: float = 0.008
    bottom_s: float = 0.05
    recovery_s: float = 0.09
    overshoot: float = 0.1
    kept: float = 0.0  # share of the dip that never comes back: a receiver's step
    single: int = 12
    apart_s: tuple[float, float] = (2.5, 6.0)  # single shots
    bursts: int = 6
    per_burst: int = 4
    every_s: float = 0.3
    spikes_per_min: float = 0.0
    gaps: int = 0
    pump_pa_per_s: float = 0.0  # rise of the tank while the pump runs
    ripple_pa: float = 0.0  # while it runs
    ripple_hz: float = 14.0
    runs: bool = False  # the pump, from the first reading on
    jitter: float = 0.15
    clump_s: float = 0.0  # the host stamps what has come in each so often
    happenings: tuple[Kind, ...] = ()  # in this order
    among: int = 3  # single shots after each of them
    dryer_s: float = 0.0  # from one stroke of a dryer to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """A recording and what is true of it."""

    t_s: Floats
    p_pa: Floats
    times_s: Floats
    dips_pa: Floats
    recoveries_s: Floats = field(default_factory=lambda: np.empty(0))  # NaN where the next shot or the end comes first
    hidden: tuple[tuple[float, float], ...] = field(default=())
    events: tuple[tuple[Kind, float], ...] = ()


def dip_shape(x: Floats, scene: Scene) -> Floats:
    """One shot of unit depth, `x` seconds after it began: 0 before it, -1 at its bottom."""
    x = np.maximum(x, 0.0)
    fall = 1.0 - np.exp(-((x / scene.fall_s) ** 1.3))
    late = np.maximum(x - scene.bottom_s, 0.0)
    ring = np.cos(2.0 * np.pi * late / 0.35) * scene.overshoot * np.exp(-late / 0.25)
    back = (1.0 + scene.overshoot) * np.exp(-((late / scene.recovery_s) ** 1.5)) - ring
    shape: Floats = -fall * (scene.kept + (1.0 - scene.kept) * back)
    return shape


SETTLED_S = 10.0  # after a shot its mark is what it keeps, to the last digit


def marks(t: Floats, times: list[float], dips: Floats, scene: Scene) -> Floats:
    """What shots leave of the pressure at ascending times [Pa]."""
    over = bisect(times, float(t[0]) - SETTLED_S)
    course = np.full(t.size, -scene.kept * float(np.sum(dips[:over])))
    for when, dip in zip(times[over:], dips[over : len(times)], strict=True):
        a, z = np.searchsorted(t, [when, when + SETTLED_S])
        course[a:z] += dip * dip_shape(t[a:z] - when, scene)
        course[z:] -= dip * scene.kept
    return course


# A pump's tank: so much of a rise is heat, which is lost in so long; it leaks so much of the rise a second; and the switch lets the pump
# run for about so long. Rises of 1 to 10 kPa/s are what 1 to 3 L/s of free air make of 24 to 100 L. A real switch waits for 1 to 2 bar
# (common practice, no source), which would show few turns in a minute.
HEAT, COOLING_S, LEAK_PER_S, RUN_S = 0.2, 20.0, 0.01, 12.0
SPIN_UP_S = 0.3  # to full speed
FIRST_S = 20.0  # to the first start if no shot is fired
STROKES = 7  # of a dryer


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """What a pump makes of a tank: pressure over the start [Pa], its speed of 1, at times a hundredth of a second apart [s]."""

    t_s: Floats
    p_pa: Floats
    speed: Floats

    def at(self, t: Floats) -> Floats:
        """Pressure over the start [Pa]."""
        course: Floats = np.interp(t, self.t_s, self.p_pa)
        return course

    def since(self, x: Floats, when_s: float) -> Floats:
        """How much it has changed `x` seconds after an instant [Pa]."""
        return self.at(x + when_s) - self.at(np.array([when_s]))

    def speed_at(self, t: Floats) -> Floats:
        """Share of its full speed."""
        speed: Floats = np.interp(t, self.t_s, self.speed)
        return speed

    def events(self, until_s: float) -> list[tuple[Kind, float]]:
        """When it starts and stops [s]."""
        runs = self.speed > 0.0
        turns = np.flatnonzero(runs[1:] != runs[:-1]) + 1
        return [("pump start" if runs[i] else "pump stop", float(self.t_s[i])) for i in turns if self.t_s[i] < until_s]


def pump(scene: Scene, times: list[float], dips: Floats, length_s: float) -> Pump:
    """Let the switch start the pump when shots and leak have drawn the tank down, and stop it when it is full."""
    step_s = 0.01
    t = np.arange(0.0, length_s + 4.0, step_s)
    p, speed = np.zeros(t.size), np.zeros(t.size)
    rise = scene.pump_pa_per_s
    if not rise:
        return Pump(t_s=t, p_pa=p, speed=speed)
    taken = scene.kept * np.concatenate([[0.0], np.cumsum(dips)])[np.searchsorted(np.array(times), t)]
    cut_in = -LEAK_PER_S * rise * FIRST_S
    heat, on = 0.0, scene.runs
    speed[0] = float(on)
    for i in range(1, t.size):
        cooling = heat / COOLING_S
        p[i] = p[i - 1] + step_s * (rise * (speed[i - 1] - LEAK_PER_S) - cooling)
        heat += step_s * (HEAT * rise * speed[i - 1] - cooling)
        stands = p[i] - taken[i]
        on = stands < cut_in or (on and stands < cut_in + RUN_S * rise)
        speed[i] = min(speed[i - 1] + step_s / SPIN_UP_S, 1.0) if on else 0.0
    return Pump(t_s=t, p_pa=p, speed=speed)


@dataclass(slots=True)
class Line:
    """What happens to a line behind a regulator, besides the shots: its course while it does, and the events."""

    rng: np.random.Generator
    scene: Scene
    events: list[tuple[Kind, float]] = field(default_factory=list)
    courses: list[Callable[[Floats], Floats]] = field(default_factory=list)  # factors of the pressure
    bursts_s: list[tuple[float, float]] = field(default_factory=list)  # of interference

    def happens(self, kind: Kind, at_s: float) -> float:
        """Let it happen, and give back when it is over [s]."""
        rng, level = self.rng, self.scene.level_pa
        self.events.append((kind, at_s))
        if kind == "air draw":
            lasts, deep = rng.uniform(0.6, 6.0), rng.uniform(25e3, 120e3) / level
            down, up = rng.uniform(0.05, 0.2), rng.uniform(0.1, 0.4)
            self.courses.append(lambda t: 1.0 - deep * (np.exp(-since(t, at_s + lasts) / up) - np.exp(-since(t, at_s) / down)))
            return float(at_s + lasts + 5.0 * up)
        if kind == "regulator change":
            turned, by = rng.uniform(1.2, 4.0), rng.choice([-1.0, 1.0]) * rng.uniform(30e3, 90e3) / level
            self.courses.append(lambda t: 1.0 + by * np.minimum(since(t, at_s) / turned, 1.0))
            return float(at_s + turned)
        if kind == "disconnected":
            empties, off, fills = rng.uniform(0.1, 0.5), rng.uniform(6.0, 12.0), rng.uniform(0.1, 0.4)
            self.events.append(("connected", at_s + float(off)))
            on_s = float(at_s + off)
            self.courses.append(
                lambda t: np.where(t < on_s, np.exp(-since(t, at_s) / empties), 1.0 - np.exp(-((since(t, on_s) / fills) ** 1.5)))
            )
            return on_s + 5.0 * float(fills)
        if kind == "connected":  # a tool: its chamber fills at once
            deep = rng.uniform(60e3, 120e3) / level
            self.courses.append(lambda t: 1.0 - deep * plugged(since(t, at_s)))
            return at_s + 0.6
        if kind == "interference":
            self.bursts_s.append((at_s, at_s + rng.uniform(0.4, 1.2)))
            return self.bursts_s[-1][1]
        msg = f"{kind} does not happen by itself; it is the recording's or the pump's."
        raise ValueError(msg)

    def dries(self, until_s: float) -> None:
        """Let a dryer switch: by the clock a valve opens, the line sinks, and comes back more slowly."""
        rng, every_s = self.rng, self.scene.dryer_s
        deep, sinks, back = rng.uniform(0.005, 0.08), rng.uniform(0.05, 0.4), rng.uniform(0.5, 3.0)
        strokes = np.arange(rng.uniform(5.0, every_s), until_s - 4.0, every_s)
        strokes += rng.normal(0.0, 0.01, strokes.size)
        depths = deep * rng.uniform(0.9, 1.0, strokes.size)
        self.events += [("air draw", float(at)) for at in strokes]

        def course(t: Floats) -> Floats:
            falls = [np.minimum(since(t, at) / sinks, 1.0) * np.exp(-since(t, at + sinks) / back) for at in strokes]
            level: Floats = 1.0 - depths @ np.array(falls)
            return level

        self.courses.append(course)


def since(t: Floats, at_s: float) -> Floats:
    """Time since an instant, 0 before it [s]."""
    return np.maximum(t - at_s, 0.0)


def plugged(x: Floats) -> Floats:
    """Dip of unit depth of a tool that is plugged in, `x` seconds after it was."""
    shape: Floats = (0.84 * (1.0 - np.exp(-x / 0.003)) + 0.16 * (1.0 - np.exp(-x / 0.03))) * np.exp(-((x / 0.2) ** 2))
    return shape


def record(scene: Scene, seed: int) -> Scored:
    """Make a recording of a scene."""
    rng = np.random.default_rng(seed)
    times: list[float] = (3.0 + np.cumsum(rng.uniform(*scene.apart_s, scene.single))).tolist()
    for _ in range(scene.bursts):
        start = times[-1] + rng.uniform(3.0, 6.0) if times else 3.0
        times += (start + np.cumsum(rng.uniform(0.85, 1.15, scene.per_burst) * scene.every_s)).tolist()
    line = Line(rng, scene)
    last_s = times[-1] if times else 0.0
    for kind in scene.happenings:
        last_s = line.happens(kind, last_s + rng.uniform(9.0, 12.0))
        if scene.among:
            times += (last_s + 2.0 + np.cumsum(rng.uniform(*scene.apart_s, scene.among))).tolist()
            last_s = times[-1]
    length = max((last_s or 60.0) + 4.0, STROKES * scene.dryer_s)
    if scene.dryer_s:
        line.dries(length)
    n = int(length * scene.rate_hz)
    t = (np.arange(n) + scene.jitter * rng.uniform(-1.0, 1.0, n)) / scene.rate_hz
    t -= t[0]
    p = np.full(n, scene.level_pa)
    dips = scene.dip_pa * rng.uniform(0.95, 1.05, len(times))
    true_dips, recoveries = dips.copy(), np.full(len(times), np.nan)
    fine = np.arange(0.0, 0.3, 2e-4)
    tank = pump(scene, times, dips, length)
    p += marks(t, times, dips, scene)
    for i, when in enumerate(times):
        # What the shots before leave behind is part of this one's start and of its bottom.
        before = float(marks(np.array([when]), times[:i], dips, scene)[0])
        course = marks(fine + when, times[: i + 1], dips, scene) + tank.since(fine, when)
        until = float(times[i + 1] - when) if i + 1 < len(times) else 0.3
        true_dips[i] = before - float(np.min(course[fine < until]))
        recoveries[i] = recovery_s(scene, tank, times, dips, i, before, float(true_dips[i]), length)
    p += tank.at(t)
    for factor in line.courses:
        p *= factor(t)
    if scene.ripple_pa:
        p += scene.ripple_pa * tank.speed_at(t) * np.sin(2.0 * np.pi * scene.ripple_hz * t)
    p += rng.normal(0.0, scene.noise_pa, n)
    for start_s, stop_s in line.bursts_s:
        p += np.where((t >= start_s) & (t < stop_s) & (rng.random(n) < 0.4), rng.uniform(-150e3, 150e3, n), 0.0)
    for _ in range(int(scene.spikes_per_min * length / 60.0)):
        at, width = rng.integers(10, n - 10), rng.integers(1, 3)
        p[at : at + width] += rng.choice([-1.0, 1.0]) * rng.uniform(30e3, 150e3)
    if scene.step_pa > 0.0:
        p = np.round(p / scene.step_pa) * scene.step_pa
    hidden = []
    keep = np.ones(n, dtype=bool)
    for _ in range(scene.gaps):
        begin = rng.uniform(5.0, length - 5.0)
        hidden.append((begin - 0.2, begin + 1.2))
        keep &= (t < begin) | (t > begin + 1.0)
    events = [*line.events, *tank.events(float(t[-1])), *(("gap", begin + 0.2) for begin, _ in hidden)]
    return Scored(
        t_s=clumped(t[keep], scene.clump_s) if scene.clump_s else t[keep],
        p_pa=p[keep],
        times_s=np.array(times),
        dips_pa=true_dips,
        recoveries_s=recoveries,
        hidden=tuple(hidden),
        events=tuple(events),
    )


def clumped(t: Floats, every_s: float) -> Floats:
    """Stamps of a host that gets readings only so often, and then reads each of them within 60 us."""
    handed_over = np.ceil(t / every_s)
    place = np.arange(t.size) - np.searchsorted(handed_over, handed_over)
    stamps: Floats = handed_over * every_s + 60e-6 * place
    return stamps


def refilled(made: Scored, kept_pa: float, in_s: float) -> Scored:
    """Give a recording whose shots keep `kept_pa` each back to a line that a regulator refills, by 63 % in a time; no pump runs."""
    late = np.maximum(made.t_s[:, None] - made.times_s, 0.0)
    return replace(made, p_pa=made.p_pa + kept_pa * np.sum(1.0 - np.exp(-late / in_s), axis=1), events=())


def recovery_s(
    scene: Scene, tank: Pump, times: list[float], dips: Floats, i: int, before_pa: float, dip_pa: float, length_s: float
) -> float:
    """Time from shot i until 90 % of its dip is regained and held for 150 ms [s]; NaN where the next shot or the end comes first."""
    until = min(times[i + 1] - times[i] if i + 1 < len(times) else np.inf, length_s - times[i], 3.0)
    x = np.arange(0.0, until, 5e-4)
    course = marks(x + times[i], times[: i + 1], dips, scene) + tank.since(x, times[i])
    low = course < before_pa - 0.1 * dip_pa
    fallen = int(np.argmax(low))
    back = fallen + np.flatnonzero(~low[fallen:])
    held = [k for k in back if k and low[k - 1] and x[k] + 0.15 < until and not low[k : k + 300].any()]
    return float(x[held[0]]) if held else float("nan")


# How sharply a tool that is plugged in begins is not seen by a slow logger.
SLOW_TROUBLES: tuple[Kind, ...] = ("air draw", "regulator change", "disconnected", "interference", "air draw", "regulator change")
TROUBLES: tuple[Kind, ...] = (*SLOW_TROUBLES, "connected", "disconnected")
SCENES = (
    Scene(name="clean at the tool"),
    Scene(name="no shot at all", single=0, bursts=0),
    Scene(name="pump and ripple", single=0, bursts=0, rate_hz=500.0, noise_pa=80.0, step_pa=50.0, pump_pa_per_s=5600.0,
          ripple_pa=1500.0),
    Scene(name="a pump from the start", single=0, bursts=0, noise_pa=80.0, step_pa=75.0, pump_pa_per_s=4000.0, ripple_pa=1500.0,
          ripple_hz=7.0, runs=True),
    Scene(name="pump, 8 bit", single=0, bursts=0, noise_pa=150.0, step_pa=3000.0, pump_pa_per_s=5600.0),
    Scene(name="noisy, 10 bit", noise_pa=3000.0, step_pa=1350.0),
    Scene(name="fast logger", rate_hz=2000.0, every_s=0.25),
    Scene(name="slow logger", rate_hz=50.0, noise_pa=3000.0),
    Scene(name="dips of 20 ms at 50 Hz", rate_hz=50.0, fall_s=0.005, bottom_s=0.015, recovery_s=0.012, overshoot=0.05, bursts=10),
    Scene(name="dips of 20 ms at 80 Hz", rate_hz=80.0, fall_s=0.005, bottom_s=0.015, recovery_s=0.012, overshoot=0.05, bursts=10),
    Scene(name="ringing hose", overshoot=0.25),
    Scene(name="spikes and gaps", spikes_per_min=10.0, gaps=3),
    Scene(name="clumps of a USB port", clump_s=0.016, gaps=1),
    Scene(name="large clumps, fast", rate_hz=2000.0, every_s=0.25, clump_s=0.03),
    Scene(name="on a receiver", dip_pa=6000.0, noise_pa=250.0, step_pa=100.0, fall_s=0.08, bottom_s=0.2, recovery_s=0.15, overshoot=0.0,
          kept=0.5, every_s=0.5, pump_pa_per_s=2000.0),
    Scene(name="receiver with pump", rate_hz=125.0, dip_pa=6000.0, noise_pa=250.0, step_pa=100.0, fall_s=0.08, bottom_s=0.2,
          recovery_s=0.15, overshoot=0.0, kept=0.5, every_s=0.3, pump_pa_per_s=4000.0, ripple_pa=500.0),
    Scene(name="a day's troubles", single=8, happenings=TROUBLES),
    Scene(name="troubles, no shots", noise_pa=600.0, single=0, bursts=0, among=0, happenings=TROUBLES),
    Scene(name="tools plugged in, no shots", noise_pa=600.0, single=0, bursts=0, among=0, happenings=("connected",) * 3),
    Scene(name="tools plugged in, slow logger", rate_hz=100.0, noise_pa=600.0, single=0, bursts=0, among=0, happenings=("connected",) * 3),
    Scene(name="tools changed among singles", noise_pa=600.0, bursts=0, happenings=("connected",) * 3),
    Scene(name="a dryer, no shots", noise_pa=200.0, single=0, bursts=0, dryer_s=31.0),
    Scene(name="troubles, noisy", single=8, noise_pa=2500.0, step_pa=1350.0, happenings=TROUBLES),
    Scene(name="troubles, slow logger", single=8, rate_hz=60.0, noise_pa=1500.0, happenings=SLOW_TROUBLES),
    Scene(name="near one step", dip_pa=2500.0, noise_pa=500.0, step_pa=1350.0, fall_s=0.08, bottom_s=0.2, recovery_s=0.15, overshoot=0.0,
          kept=0.7, every_s=0.6),
)  # fmt: skip


# What a hose, a receiver and the place of the sensor make of a shot: dip [Pa], fall, bottom and recovery [s], overshoot, share kept.
# Of the order of what the line model gives for 20 m of hose and a 1.6 L shot at 620 kPa.
PLACES = {
    "tool, 1/4 in": (150e3, 0.012, 0.06, 0.16, 0.05, 0.0),
    "tool, 3/8 in": (80e3, 0.009, 0.05, 0.09, 0.12, 0.0),
    "tool, 1/2 in": (45e3, 0.008, 0.045, 0.06, 0.2, 0.0),
    "tool, 5 gal": (70e3, 0.008, 0.045, 0.05, 0.1, 0.05),
    "tool, 11 gal": (65e3, 0.008, 0.045, 0.045, 0.1, 0.03),
    "along the line": (25e3, 0.03, 0.09, 0.15, 0.1, 0.0),
    "receiver, 5 gal": (9e3, 0.07, 0.18, 0.2, 0.0, 0.6),
    "receiver, 11 gal": (4e3, 0.08, 0.2, 0.2, 0.0, 0.6),
    "compressor end": (12e3, 0.05, 0.15, 0.25, 0.0, 0.5),
}
ADC_SPAN_PA = 1.2e6


def drawn(place: str, seed: int) -> Scene:
    """Draw a scene at a place: logger, noise, resolution, work and faults by chance."""
    rng = np.random.default_rng(seed)
    dip, fall, bottom, back, overshoot, kept = PLACES[place]
    dip *= rng.uniform(0.8, 1.25)
    slow = place.startswith(("receiver", "compressor"))
    step = ADC_SPAN_PA / 2.0 ** float(rng.choice([10, 12, 14, 16, 24]))
    step = min(step, 0.35 * dip)
    return Scene(
        name=place,
        rate_hz=float(rng.choice([100, 125, 200, 250, 500, 1000] if slow else [80, 100, 200, 400, 1000, 2000])),
        noise_pa=max(dip * rng.uniform(0.01, 0.1), 0.3 * step),
        step_pa=step,
        dip_pa=dip,
        fall_s=fall * (rng.uniform(0.8, 1.25) if slow else rng.uniform(0.95, 1.4)),
        bottom_s=bottom,
        recovery_s=back * rng.uniform(0.7, 1.4),
        overshoot=overshoot,
        kept=kept,
        every_s=rng.uniform(0.2, 0.34) if rng.random() < 0.5 else rng.uniform(0.4, 1.0),
        per_burst=int(rng.integers(3, 9)),
        spikes_per_min=float(rng.choice([0.0, 2.0, 8.0])),
        gaps=int(rng.choice([0, 0, 2])),
        # In a second the pump makes up for so many shots.
        pump_pa_per_s=float(rng.choice([0.0, 0.7, 1.5])) * kept * dip if slow else 0.0,
        ripple_pa=float(rng.choice([0.0, 0.1, 0.2])) * dip if slow else 0.0,
        ripple_hz=rng.uniform(9.0, 25.0),
        jitter=rng.uniform(0.0, 0.25),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How well a recording was read: F1 within 50 ms, median onset error [s], median sizes of the errors of dip and recovery as shares,
    and the share of shots whose end, recovered or not, is told right. Of other events the F1 within `EVENT_S`, the kind told right.
    """

    f1: float
    false: int
    missed: int
    onset_s: float
    dip: float
    recovery: float
    ends: float
    events: float


def score(found: ShotRecord, true: Scored) -> Score:
    """Pair shots found with true ones, nearest first, and sum up."""
    hidden = [any(a <= x <= b for a, b in true.hidden) for x in true.times_s]
    pairs: dict[int, int] = {}
    near = sorted(
        (abs(s.time_s - x), i, j) for i, s in enumerate(found.shots) for j, x in enumerate(true.times_s) if abs(s.time_s - x) <= 0.05
    )
    for _, i, j in near:
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    hits = sum(not hidden[j] for j in pairs.values())
    false = sum(i not in pairs and not any(a <= s.time_s <= b for a, b in true.hidden) for i, s in enumerate(found.shots))
    asked = len(hidden) - sum(hidden)
    onset = [found.shots[i].time_s - float(true.times_s[j]) for i, j in pairs.items()]
    pairs = {i: j for i, j in pairs.items() if not hidden[j]}
    ends = [(found.shots[i].recovery_s, float(true.recoveries_s[j])) for i, j in pairs.items()] if true.recoveries_s.size else []
    both = [abs(f / t - 1.0) for f, t in ends if np.isfinite(f) and np.isfinite(t)]
    dips = [abs(found.shots[i].dip_pa / float(true.dips_pa[j]) - 1.0) for i, j in pairs.items()]
    return Score(
        f1=2.0 * hits / (hits + false + asked) if hits + false + asked else 1.0,
        false=false,
        missed=asked - hits,
        onset_s=float(np.median(onset)) if onset else 0.0,
        dip=float(np.median(dips)) if dips else 0.0,
        recovery=float(np.median(both)) if both else 0.0,
        ends=float(np.mean([np.isfinite(f) == np.isfinite(t) for f, t in ends])) if ends else 1.0,
        events=events_f1(found, true),
    )


EVENT_S, SLOW_EVENT_S = 1.0, 3.0  # the second for a regulator that is turned


def events_f1(found: ShotRecord, true: Scored) -> float:
    """How many events are found, each once and by its kind; 1 where there are none."""
    hits, told, there = matches(found, true)
    return 2.0 * hits / (told + there) if told or there else 1.0


PUMP: tuple[Kind, ...] = ("pump start", "pump stop")


def matches(found: ShotRecord, true: Scored, kinds: tuple[Kind, ...] = ()) -> tuple[int, int, int]:
    """How many events, of some kinds or of all, are found, each once and by its kind; how many were told; and how many there are."""
    left = [(e.kind, e.time_s) for e in found.events if not kinds or e.kind in kinds]
    there = [e for e in true.events if not kinds or e[0] in kinds]
    told, hits = len(left), 0
    for kind, time_s in there:
        within = SLOW_EVENT_S if kind == "regulator change" else EVENT_S
        near = min((e for e in left if e[0] == kind and abs(e[1] - time_s) <= within), key=lambda e: abs(e[1] - time_s), default=None)
        if near is not None:
            left.remove(near)
            hits += 1
    return hits, told, len(there)


DRAWS = 6
MATCHED_S = (-0.5, 0.8)  # about the onset


def matched_sigma(scene: Scene, true: Scored) -> Floats:
    """How sure a filter matched to each shot would be: its depth over the standard deviation of a fit that knows all but the depths of the
    shots in view, a level, a slope and the ripple. Rounding counts as noise. NaN where readings are missing.
    """
    noise = float(np.hypot(scene.noise_pa, scene.step_pa / 12.0**0.5))
    sure = np.full(true.times_s.size, np.nan)
    for i, when in enumerate(true.times_s):
        x = true.t_s[(true.t_s > when + MATCHED_S[0]) & (true.t_s < when + MATCHED_S[1])] - when
        if x.size < 0.9 * (MATCHED_S[1] - MATCHED_S[0]) * scene.rate_hz:
            continue
        others = [dip_shape(x - (other - when), scene) for j, other in enumerate(true.times_s) if j != i and -2.0 < other - when < x[-1]]
        swings = [f(2.0 * np.pi * scene.ripple_hz * x) for f in (np.sin, np.cos)] if scene.ripple_pa else []
        known = np.stack([np.ones(x.size), x, *swings, *others], axis=1)
        shape = dip_shape(x, scene)
        own = shape - known @ np.linalg.lstsq(known, shape, rcond=None)[0]
        sure[i] = scene.dip_pa * float(np.sqrt(own @ own)) / noise
    return sure


def main() -> None:
    """Print a table of all scenes, three seeds each, and of scenes drawn by chance at every place.

    The column sigma is what a matched filter gives the tenth of the shots that it sees least. ``--first 300`` draws scenes that nothing
    was tuned on.
    """
    parser = argparse.ArgumentParser(description="How well shots and other events are found in our own faulty recordings.")
    parser.add_argument("--first", type=int, default=0, help="first seed of the scenes that are drawn by chance")
    first = parser.parse_args().first
    print(f"{'scene':<22} {'sigma':>6} {'F1':>6} {'false':>6} {'missed':>6}", end=" ")
    print(f"{'onset ms':>9} {'dip %':>6} {'recovery %':>10} {'ends':>5} {'events':>6}")
    named = [(scene, seed) for scene in SCENES for seed in (1, 2, 3)]
    chance = [(drawn(place, seed), seed) for place in PLACES for seed in range(first, first + DRAWS)]
    pump = np.zeros(3, dtype=int)
    for scene, seed in [*named, *chance]:
        made = record(scene, seed)
        read = find_shots(made.t_s, made.p_pa)
        s = score(read, made)
        pump += matches(read, made, PUMP)
        sure = matched_sigma(scene, made)
        least = f"{np.nanpercentile(sure, 10):6.1f}" if np.isfinite(sure).any() else 6 * " "
        found = f"{scene.name:<22} {least} {s.f1:6.3f} {s.false:6d} {s.missed:6d}"
        print(f"{found} {1e3 * s.onset_s:9.2f} {100 * s.dip:6.2f} {100 * s.recovery:10.2f} {s.ends:5.3f} {s.events:6.3f}")
    hits, told, there = pump.tolist()
    print(f"pump starts and stops: {hits} of {there} found, {told - hits} false, F1 {2.0 * hits / (told + there):.3f}")


if __name__ == "__main__":
    main()
