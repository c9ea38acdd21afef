"""Do the intervals of a line fit hold the truth? Invented lines, recorded by a finer model with faults the fit does not know of.

    python -m tests.benchmarks.bench_fit [--regulated] [--trials N] [--first SEED] [--out FILE]
    python -m tests.benchmarks.bench_fit --read FILE [FILE ...]

Each trial draws a line (hose, bore not as sold, supply valve down to half closed, with or without a receiver partly full of water), a
session of 45 s (three or four shots that differ by 3 %, the nozzle twice with the supply open and twice with it shut) and faults: the
nozzle's conductance (1 %), the time its valve takes to open (10 to 40 ms mostly), heat at the walls (25 %), roughness, critical ratios
(0.05), a tap that reads wrong beside the nozzle, the sensors' zeros (2 kPa) and lag (to 2 ms), noise, 12 bit, 250 to 1000 readings a
second, marks by hand. The finer model is our own with half the cell: what the model itself has wrong does not show here.

Of 277 trials (seeds from 5001, none used before; 68 with a receiver) in November 2026, 97.7 % of 1688 intervals hold the truth: 94 % of
those of bores, 96 to 97 % of volume, loss and supply valve, 99 % of air, all of couplers. Of the 200 by which they were narrowed 97.5 %
hold, of the 77 after them 98 %. `ideal` is what a fit without any error of its own would be off by, for its nozzle is known to 1 % at one
standard deviation and the valve's b to 0.05; with a receiver in brackets, where a valve that takes too little of the loss is not told (29
of 68). One line without a receiver was refused: the search missed it.

===================  ==============  ==============  ===========  ============
quantity             median error %  95 % of errors  ideal %      half-width %
===================  ==============  ==============  ===========  ============
volume               0.8 (0.5)       2.6 (2.2)       2.0 (1.6)    2.8 (3.3)
loss                 1.6 (1.3)       4.9 (4.0)       4.3 (3.6)    5.0 (6.1)
supply               2.7 (3.2)       7.6 (10)        7.5 (6.0)    7.9 (12)
air of a shot        0.9 (0.9)       2.5 (3.1)       2.0 (1.6)    3.5 (3.9)
bore at the tool     0.4 (0.3)       1.3 (1.2)       1.0 (0.8)    1.3 (1.4)
coupler              1.8 (2.4)       4.7 (5.3)       2.0 (1.6)    7.9 (7.9)
receiver             (0.9)           (2.8)           (1.6)        (3.6)
===================  ==============  ==============  ===========  ============

Why more than 95 %: the air of a shot is that of the tool, of which the three or four shots here, 3 % apart, are a sample. And some of what
the intervals allow for is not drawn here, or not so far: a coupler comes out 4.5 % too narrow for each 0.1 that its b, which shots do not
tell, is below the usual one, and 1 to 2 % off where the tool draws its air faster at first and then longer than the model's does (an
unknown for that brings one per cent and costs as much elsewhere): beside an independent model 3 to 6 %. Little but the nozzle's own
accuracy is left to gain in volume, loss and supply: who weighs the nozzle well reads the line well.

With --regulated a regulator (set within 0.2 bar of its file; droop, conductance and time constant drawn) stands before the hose, in a
third of the lines alone, behind a valve, or behind a valve and a hose. All of 15 such trials (seeds from 5001) are told, and 91 of 93 of
their intervals hold. Volumes are within 2 %, air within 4 %, couplers within 7 %, what the regulator holds within 1 %, the sensor's zero.
The loss is within 3 % in 9 of the 11 that tell it; in the others a valve before the regulator, or a tank that no sensor tells, takes what
the regulator hides, and the interval is that much wider. Of 23 earlier trials (42 and from 3101 on) three are refused: a regulator above
its tank's pressure without a sensor there, and two that the search misses.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ANR_DENSITY_KG_PER_M3, GAMMA, R_AIR_J_PER_KG_K
from analysis.fit import fit_line
from analysis.line import Line, Part
from analysis.line_file import parse_line
from analysis.line_unknowns import air_volume
from analysis.model import Nozzle, build, run_network, settled
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

CELL_M = 0.35
FULL_SCALE_PA = 1.0e6
TAP_REFERENCE_PA = 8e5
VALVE = '[[part]]\nkind = "valve"\nconductance = "4 L/s/bar"\n'
FEED = '[[part]]\nkind = "hose"\nlength = "{length} m"\nbore = "12.7 mm"\n'
REGULATOR = '[[part]]\nkind = "regulator"\nset = "{set} bar"\n'
RECEIVER = '[[part]]\nkind = "receiver"\nvolume = "{volume} L"\n[[part]]\nkind = "hose"\nlength = "{length} m"\nbore = "9 mm"\n'
LINE = """
[compressor]
tank = "200 L"
cut_in = "4 bar"
cut_out = "10 bar"
delivery = "200 L/min"
{head}[[part]]
kind = "hose"
length = "{length} m"
bore = "{bore} mm"
{receiver}[[part]]
kind = "coupler"
conductance = "2 L/s/bar"
[[part]]
kind = "tool"
air_per_shot = "2.5 L"
window = ["5 bar", "7.5 bar"]
"""


@dataclass(frozen=True, slots=True)
class Trial:
    """What a fit is given, and what is true."""

    t: Floats
    channels: dict[str, Floats]
    marks: list[dict[str, Any]]
    nominal: Line
    truth: dict[str, float]
    ideal: dict[str, float]


def _head(regulated: bool, rng: np.random.Generator) -> str:
    """What stands before the hose: a valve; or a regulator, with nothing, a valve, or a valve and a hose before it."""
    if not regulated:
        return VALVE
    before = str(rng.choice(["", VALVE, VALVE + FEED.format(length=round(float(rng.uniform(4.0, 12.0))))]))
    return before + REGULATOR.format(set=round(float(rng.uniform(4.5, 6.3)), 1))


def _as_it_is(regulator: Part, rng: np.random.Generator) -> dict[str, float | None]:
    """Draw what a regulator is really like; of its file only the set point is near."""
    set_pa = (regulator.set_pa or 0.0) + float(rng.normal(0.0, 2e4))
    return {
        "set_pa": set_pa,
        "conductance": (regulator.conductance or 0.0) * math.exp(float(rng.normal(0.0, 0.4))),
        "droop_pa": set_pa * float(rng.uniform(0.03, 0.15)),
        "time_constant_s": 0.02 * math.exp(float(rng.normal(0.0, 0.7))) if rng.random() < 0.75 else None,
    }


def invent(seed: int, regulated: bool = False) -> Trial:
    """Invent a line and record it."""
    rng = np.random.default_rng(seed)
    with_receiver = rng.random() < 0.25
    receiver_l = round(float(rng.uniform(10.0, 24.0)))
    extra = RECEIVER.format(volume=receiver_l, length=round(float(rng.uniform(3.0, 6.0)), 1)) if with_receiver else ""
    bore = float(rng.choice([8.0, 9.0, 9.5, 10.0]))
    length, head = round(float(rng.uniform(12.0, 30.0))), _head(regulated, rng)
    nominal = parse_line(LINE.format(length=length, bore=bore, receiver=extra, head=head))
    temp_k = float(rng.uniform(280.0, 303.0))
    supply = 4e-8 * math.exp(float(rng.uniform(math.log(0.2), math.log(1.05))))
    true = nominal.with_part(0, b=float(np.clip(rng.normal(0.3, 0.05), 0.1, 0.5)))
    if true.parts[0].kind == "valve":
        true = true.with_part(0, conductance=supply)
    first_hose = head.count("[[part]]")
    true = true.with_part(first_hose, bore_m=bore * 1e-3 * float(rng.choice([1.0, rng.normal(1.0, 0.02), rng.uniform(0.85, 1.05)])))
    for i, part in enumerate(true.parts):
        if part.kind == "hose":
            true = true.with_part(i, roughness_m=5e-6 * math.exp(float(rng.normal(0.0, 0.7))))
        elif part.kind == "receiver":
            true = true.with_part(i, volume_m3=(part.volume_m3 or 0.0) * float(rng.choice([1.0, rng.uniform(0.5, 1.0)])))
        elif part.kind == "coupler":
            true = true.with_part(i, conductance=float(rng.uniform(1.5, 2.3)) * 1e-8, b=float(np.clip(rng.normal(0.3, 0.05), 0.1, 0.5)))
        elif part.kind == "regulator":
            true = true.with_part(i, **_as_it_is(part, rng))
    true = true.with_part(len(true.parts) - 1, volume_m3=float(rng.uniform(0.2, 0.45)) * 1e-3)
    site = {"temperature_k": temp_k}
    true = Line(name="", site=type(true.site)(**site), compressor=true.compressor, parts=true.parts)
    t, p, marks, air, nozzle = _record(true, rng, with_receiver, temp_k)
    noise, lag = float(rng.uniform(200.0, 800.0)), float(rng.uniform(0.0, 0.002))
    channels = {"tool": _sensor(p[1], noise, lag, t, rng), "supply": _sensor(p[0], noise, lag, t, rng)}
    if rng.random() < 0.3:
        del channels["supply"]
    labels = true.labels()
    truth: dict[str, float] = {
        "volume": 1e3 * air_volume(true),
        "drop": steady_loss(true, 4.65e-3, inlet_pa=620_500.0).loss_pa,
        "tool.air_per_shot": air,
    }
    for label, part in zip(labels, true.parts, strict=True):
        if part.bore_m:
            truth[f"{label}.bore"] = 1e3 * part.bore_m
        elif part.conductance:
            truth[f"{label}.conductance"] = 1e8 * part.conductance
            if part.kind == "regulator":
                truth |= {f"{label}.set": 1e-3 * (part.set_pa or 0.0), f"{label}.droop": 1e-3 * (part.droop_pa or 0.0)}
        elif part.kind == "receiver":
            truth[f"{label}.volume"] = 1e3 * (part.volume_m3 or 0.0)
    return Trial(t, channels, marks, nominal, truth, _ideal(true, truth, *nozzle))


def _ideal(true: Line, truth: dict[str, float], stated: float, tested_m3_per_s: float, tank_pa: float) -> dict[str, float]:
    """What a fit without any error of its own would say, given a nozzle that is `stated` times its conductance, and the valve's usual b.

    Every flow is off by that factor; the loss is right at the nozzle's flow, and at another one as far as b is.
    """
    ideal = {k: v * (math.sqrt(stated) if k.endswith("bore") else stated) for k, v in truth.items()}
    if any(p.kind == "regulator" for p in true.parts):  # what it holds no nozzle alters
        kept = {k: v for k, v in truth.items() if k.endswith((".set", ".droop"))}
        return ideal | kept | {"drop": steady_loss(true, 4.65e-3 / stated, inlet_pa=620_500.0).loss_pa}
    measured = steady_loss(true, tested_m3_per_s, inlet_pa=tank_pa).loss_pa
    low, high = 0.2 * (true.parts[0].conductance or 0.0), 3.0 * (true.parts[0].conductance or 0.0)
    for _ in range(40):
        usual = true.with_part(0, b=0.3, conductance=math.sqrt(low * high))
        lost = steady_loss(usual, tested_m3_per_s, inlet_pa=tank_pa).loss_pa
        low, high = (low, math.sqrt(low * high)) if lost < measured else (math.sqrt(low * high), high)
    ideal["supply.conductance"] = stated * 1e8 * (usual.parts[0].conductance or 0.0)
    ideal["drop"] = steady_loss(usual, 4.65e-3 / stated, inlet_pa=620_500.0).loss_pa
    return ideal


def _record(
    true: Line, rng: np.random.Generator, with_receiver: bool, temp_k: float
) -> tuple[Floats, tuple[Floats, Floats], list[dict[str, Any]], float, tuple[float, float, float]]:
    """Record: times, pressures in the tank and at the tool [Pa gauge], the marks, and the mean air of a shot [L].

    Last the nozzle: its stated over its true conductance, the free air that it passed [m3/s] and the tank's pressure then [Pa gauge].
    """
    rate, opens = float(rng.choice([250.0, 500.0, 1000.0])), 0.02 * math.exp(float(rng.normal(0.0, 0.7)))
    said_c = round(float(rng.uniform(0.35, 0.6 if not with_receiver else 0.8)), 2)
    c = said_c * 1e-8 * float(rng.normal(1.0, 0.01))
    net = build(true, cell_m=CELL_M)
    net.hose["heat"] *= float(rng.lognormal(0.0, 0.25))
    net.volume["wall_w_per_k"][1:-1] *= float(rng.lognormal(0.0, 0.4))
    net.volume["wall_w_per_k"][-1] *= 1.5 * float(rng.lognormal(0.0, 0.4))
    net.pump["kg_per_s"] = 0.0
    state = settled(net, float(rng.uniform(7.0e5, 8.5e5)))
    share, draws = float(rng.uniform(0.45, 0.6)), float(rng.uniform(0.012, 0.03))
    pieces: list[tuple[Floats, Floats]] = []
    airs: list[float] = []
    marks: list[dict[str, Any]] = [{"time_s": 0.0, "kind": "temperature_degc", "temperature_degc": temp_k - 273.15}]
    now = 0.0

    def go(lasts: float, shots: list[float], blows: list[tuple[float, float]]) -> None:
        nonlocal now
        nozzles = [Nozzle(from_s=a, until_s=a + d, conductance=c, opens_s=opens) for a, d in blows]
        got = run_network(net, state, duration_s=lasts, shots_s=shots, nozzles=nozzles, output_rate_hz=rate)
        p = got.p_abs_pa[:-1] - net.p_amb_pa
        here, tool = np.arange(p.shape[0]) / rate, p[:, -2, 1].copy()
        for a, d in blows:
            opened = np.clip((here - a) / opens + 0.5, 0.0, 1.0) - np.clip((here - a - d) / opens + 0.5, 0.0, 1.0)
            tool += opened * tap * p[:, -2, 1] / TAP_REFERENCE_PA  # as dynamic pressure goes where the flow is choked
            about = now + a + float(rng.uniform(-1.0, 1.0))
            marks.append({"time_s": about, "kind": "nozzle", "duration_s": d, "conductance_l_per_s_bar": said_c})
        pieces.append((p[:, 0, 0], tool))
        airs.extend(float(m) for m in got.shots[:, 2])
        now += p.shape[0] / rate

    tap = float(rng.normal(0.0, 6e3))
    for _ in range(int(rng.integers(3, 5))):
        before = float((GAMMA - 1.0) * state.vol_e[-1] / net.volume["m3"][-1])
        kg = share * float(rng.normal(1.0, 0.03)) * net.volume["m3"][-1] * before / (R_AIR_J_PER_KG_K * net.temp_k)
        net.shot[0] = kg, before, draws
        go(3.0 + float(rng.uniform(0.0, 0.3)), [1.6], [])
    tank_pa = float((GAMMA - 1.0) * state.vol_e[0] / net.volume["m3"][0]) - net.p_amb_pa
    go(9.0, [], [(3.0, 4.0)])
    go(4.5, [], [(1.5, 1.0)])
    marks.append({"time_s": now, "kind": "supply shut"})
    net.element["k"][0] *= 1e-7
    blow = 1.2 if with_receiver else 0.4
    go(21.0, [], [(4.5, blow), (12.5, blow)])
    nozzle = said_c * 1e-8 / c, 0.97 * c * (tank_pa + net.p_amb_pa), tank_pa
    t = np.arange(sum(p.size for p, _ in pieces)) / rate
    tank, tool = (np.concatenate([piece[k] for piece in pieces]) for k in (0, 1))
    return t, (tank, tool), marks, 1e3 * float(np.mean(airs)) / ANR_DENSITY_KG_PER_M3, nozzle


def _sensor(p: Floats, noise: float, lag: float, t: Floats, rng: np.random.Generator) -> Floats:
    dt = float(t[1])
    n = max(int(6.0 * lag / dt), 1)
    kernel = np.exp(-np.arange(n) * dt / max(lag, 1e-6))
    late = np.convolve(np.concatenate([np.full(n, p[0]), p]), kernel / kernel.sum())[n : n + p.size]
    step = FULL_SCALE_PA / 4096.0
    return np.asarray(np.round((late + float(rng.normal(0.0, 2e3)) + rng.normal(0.0, noise, p.size)) / step) * step)


Row = tuple[str, float, float, bool, float]


def judge(seed: int, regulated: bool) -> list[Row]:
    """Fit one trial: name, error, half-width (both relative; NaN where not told), whether the interval holds the truth, ideal error."""
    trial = invent(seed, regulated)
    fit = fit_line(trial.t, trial.channels, trial.nominal, trial.marks)
    found = {p.name: p.value for p in fit.parameters}
    found |= {"volume": fit.volume_downstream_m3.map(lambda v: 1e3 * v), "drop": fit.line_drop_pa}
    suffix = " (receiver)" if trial.nominal.receiver else ""
    out = []
    for name, true in trial.truth.items():
        e, least = found[name], trial.ideal[name] / true - 1.0
        if e.value is None or e.low is None or e.high is None:
            out.append((name + suffix, math.nan, math.nan, True, least))
        else:
            out.append((name + suffix, e.value / true - 1.0, 0.5 * (e.high - e.low) / e.value, e.low <= true <= e.high, least))
    return out


def table(rows: list[Row]) -> str:
    """Say for each quantity how many were told and hold the truth, and its errors: all, those of a fit that errs nowhere, the rest."""
    head = f"{'quantity':32}{'told':>10}{'holds':>8}{'bias %':>8}{'median |e| %':>14}{'95 % |e|':>10}{'half-width %':>14}"
    lines = [head + f"{'ideal 95 %':>12}{'own bias':>10}{'own 95 %':>10}"]
    for name in dict.fromkeys(r[0] for r in rows):
        these = [r for r in rows if r[0] == name]
        told = [r for r in these if math.isfinite(r[1])]
        if told:
            e, ideal = 100.0 * np.array([r[1] for r in told]), 100.0 * np.array([r[4] for r in told])
            wide = 100.0 * float(np.median([r[2] for r in told]))
            holds = float(np.mean([r[3] for r in told]))
            lines.append(
                f"{name:32}{f'{len(told)}/{len(these)}':>10}{holds:8.3f}{np.median(e):8.2f}{np.median(np.abs(e)):14.2f}"
                f"{np.percentile(np.abs(e), 95.0):10.2f}{wide:14.2f}{np.percentile(np.abs(ideal), 95.0):12.2f}"
                f"{np.median(e - ideal):10.2f}{np.percentile(np.abs(e - ideal), 95.0):10.2f}"
            )
        else:
            lines.append(f"{name:32}{f'0/{len(these)}':>10}")
    told = [r for r in rows if math.isfinite(r[1])]
    lines.append(f"all: {len(told)} told of {len(rows)}, {np.mean([r[3] for r in told]):.3f} hold the truth")
    return "\n".join(lines)


def main() -> None:
    """Run the trials, or read what earlier runs wrote."""
    parser = argparse.ArgumentParser(description="coverage of the line fit's intervals")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--regulated", action="store_true", help="with a regulator between the compressor and the hose")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--read", type=Path, nargs="+")
    chosen = parser.parse_args()
    if chosen.read:
        rows = [tuple(json.loads(line)[1:]) for path in chosen.read for line in path.read_text().splitlines()]
        print(table(rows))
        return
    rows, cost = [], []
    for seed in range(chosen.first, chosen.first + chosen.trials):
        start = time.process_time()
        got = judge(seed, chosen.regulated)
        cost.append(time.process_time() - start)
        rows += got
        if chosen.out:
            with chosen.out.open("a") as file:
                file.writelines(json.dumps([seed, *map(_plain, r)]) + "\n" for r in got)
    print(table(rows))
    print(f"processor time a trial: median {np.median(cost):.2f} s, longest {max(cost):.2f} s")


def _plain(x: Any) -> Any:
    return bool(x) if isinstance(x, bool | np.bool_) else x


if __name__ == "__main__":
    main()
