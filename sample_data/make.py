"""Make the invented recordings again: our own line model, with a sensor's noise, steps and jitter laid over.

Run it as ``python -m sample_data.make``. Every file is made from a seed of its own, so it comes out the same each time.
"""

from __future__ import annotations

import json
import zlib
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.air import iso6358_mass_flow
from analysis.constants import (
    ANR_DENSITY_KG_PER_M3,
    ATMOSPHERE_ABS_PA,
    GAMMA,
    R_AIR_J_PER_KG_K,
    ZERO_CELSIUS_K,
)
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.units import PSI_PA

Array = NDArray[np.float64]

HERE = Path(__file__).parent
DECK_SECONDS = 150.0
PUMP_OUTLET_K = 330.0  # after the pump's cooling fins
CRITICAL_RATIO = 0.528  # of a small round hole: an ideal nozzle


def deck_line(*, receiver: bool) -> Line:
    """Return the boathouse line, as it was or with the receiver near the deck."""
    return parse_line((HERE / ("boathouse_receiver.toml" if receiver else "boathouse.toml")).read_text(encoding="utf-8"))


def deck_shots(rng: np.random.Generator) -> Array:
    """Times of a short nailing session [s]: single nails, then bursts of a few nails a second with pauses."""
    singles = 4.0 + np.cumsum(rng.uniform(2.2, 4.0, 12))
    times = [singles]
    start = singles[-1] + 6.0
    while start < DECK_SECONDS - 14.0:
        burst = start + np.concatenate([[0.0], np.cumsum(rng.uniform(0.33, 0.62, rng.integers(3, 6)))])
        times.append(burst)
        start = burst[-1] + rng.uniform(4.0, 7.0)
    return np.concatenate(times)


def sensed(p_pa: Array, rng: np.random.Generator, *, noise_pa: float, step_pa: float) -> Array:
    """What a sensor makes of a pressure [Pa]: white noise and steps of its converter."""
    return np.round((p_pa + rng.normal(0.0, noise_pa, p_pa.size)) / step_pa) * step_pa


def jittered(duration_s: float, rate_hz: float, rng: np.random.Generator) -> Array:
    """Times of readings [s] that are a little early or late."""
    t_s = np.arange(0.0, duration_s, 1.0 / rate_hz)
    late = rng.normal(0.0, 0.06 / rate_hz, t_s.size)
    late[0] = 0.0
    return np.sort(t_s + late)


def deck(name: str, *, receiver: bool, unit: str, channels: tuple[str, ...] = ("tool",), rate_hz: float = 250.0) -> None:
    """Write a nailing session on the deck."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    shots_s = deck_shots(rng)
    simulation = simulate(deck_line(receiver=receiver), shots_s, duration_s=DECK_SECONDS)
    t_s = jittered(DECK_SECONDS, rate_hz, rng)
    pa = {"psi": PSI_PA, "bar": 1e5, "kPa": 1e3}[unit]
    columns = {"time_s": t_s}
    for channel in channels:
        p_pa = np.interp(t_s, simulation.t_s, simulation.supply_pa if channel == "supply" else simulation.tool_pa)
        columns[f"{channel} ({unit})"] = sensed(p_pa, rng, noise_pa=600.0, step_pa=1.0e6 / 4096) / pa
    digits = {"psi": 2, "bar": 4, "kPa": 2}[unit]
    head = ",".join(columns)
    np.savetxt(
        HERE / f"{name}.csv", np.column_stack(list(columns.values())), "%.4f" + f",%.{digits}f" * len(channels), header=head, comments=""
    )


def dialling_in() -> None:
    """Write four nails at each of six settings of the regulator, and how deep they sit: flush near 6 bar, as wood and nail vary."""
    rng = np.random.default_rng(20260606)
    line = deck_line(receiver=False)
    at = next(i for i, part in enumerate(line.parts) if part.kind == "regulator")
    piece_s, every_s, start_s = 20.0, 4.0, 5.0
    times: list[Array] = []
    pressures: list[Array] = []
    marks: list[str] = []
    for i, set_bar in enumerate((4.8, 5.2, 5.6, 6.0, 6.4, 6.8)):
        shots_s = start_s + every_s * np.arange(4) + rng.uniform(-0.4, 0.4, 4)
        simulation = simulate(line.with_part(at, set_pa=set_bar * 1e5), shots_s, duration_s=piece_s)
        t_s = jittered(piece_s, 200.0, rng)
        p_pa = np.interp(t_s, simulation.t_s, simulation.tool_pa)
        if pressures:  # the knob takes two seconds to turn
            last_pa = float(pressures[-1][-1])
            p_pa = np.minimum(p_pa, last_pa + (set_bar * 1e5 - last_pa) * t_s / 2.0)
        times.append(t_s + i * piece_s)
        pressures.append(p_pa)
        for shot, fired_s in zip(simulation.shots, shots_s, strict=True):
            drive_bar = shot.before_pa / 1e5 + rng.normal(0.0, 0.12)
            depth = "proud" if drive_bar < 5.7 else "deep" if drive_bar > 6.3 else "flush"
            said = {"time_s": round(i * piece_s + fired_s + 1.5, 2), "kind": "judged", "depth": depth, "text": "65 mm ring nail, spruce"}
            marks.append(json.dumps(said))
    bar = sensed(np.concatenate(pressures), rng, noise_pa=600.0, step_pa=1.0e6 / 4096) / 1e5
    table = np.column_stack([np.concatenate(times), bar])
    np.savetxt(HERE / "dialling_in.csv", table, "%.4f,%.4f", header="time_s,tool (bar)", comments="")
    (HERE / "dialling_in.jsonl").write_text("\n".join(marks) + "\n", encoding="utf-8")


def tank(
    p0_pa: float,
    t_s: Array,
    wall_k: Array,
    *,
    volume_m3: float,
    conductance: float,
    cools_in_s: float,
    pump: tuple[float, float, float] | None = None,
) -> Array:
    """Gauge pressure [Pa] of a shut volume that leaks to the ambient air and may have a pump.

    Parameters
    ----------
    p0_pa : float
        Gauge pressure at the start [Pa].
    t_s, wall_k : array, shape (n,)
        Times [s] and temperature of the wall [K]; the air starts at it.
    volume_m3, conductance : float
        Volume [m3] and sonic conductance of the leak [m3/(s Pa)].
    cools_in_s : float
        Time constant with which the air takes the wall's temperature [s].
    pump : (cut-in [Pa], cut-out [Pa], delivery [m3/s free air]), optional
        The pump, if there is one. What it delivers enters at `PUMP_OUTLET_K`.
    """
    air_k = float(wall_k[0])
    mass_kg = (p0_pa + ATMOSPHERE_ABS_PA) * volume_m3 / (R_AIR_J_PER_KG_K * air_k)
    on = False
    p_pa = np.empty(t_s.size)
    for i, (dt_s, wall) in enumerate(zip(np.diff(t_s, append=t_s[-1]), wall_k, strict=True)):
        p_abs_pa = mass_kg * R_AIR_J_PER_KG_K * air_k / volume_m3
        p_pa[i] = p_abs_pa - ATMOSPHERE_ABS_PA
        gain_kg = 0.0
        if pump is not None:
            on = p_pa[i] < (pump[1] if on else pump[0])
            gain_kg = on * pump[2] * ANR_DENSITY_KG_PER_M3 * dt_s
        loss_kg = float(iso6358_mass_flow(p_abs_pa, ATMOSPHERE_ABS_PA, air_k, conductance, CRITICAL_RATIO)) * dt_s
        heat = gain_kg * (GAMMA * PUMP_OUTLET_K - air_k) - loss_kg * (GAMMA - 1.0) * air_k
        air_k += heat / mass_kg + (wall - air_k) * dt_s / cools_in_s
        mass_kg += gain_kg - loss_kg
    return p_pa


def overnight() -> None:
    """Write a night with the line shut in: a small leak, and a shed that cools and warms again."""
    rng = np.random.default_rng(20260604)
    t_s = np.arange(0.0, 11.0 * 3600.0, 10.0)
    temp_k = ZERO_CELSIUS_K + 14.5 + 3.5 * np.cos((t_s / 3600.0 + 1.0) * 2.0 * np.pi / 20.0)
    p_pa = tank(710e3, t_s, temp_k, volume_m3=0.0296, conductance=2.4e-12, cools_in_s=400.0)
    bar = sensed(p_pa, rng, noise_pa=350.0, step_pa=244.0) / 1e5
    degc = sensed(temp_k - ZERO_CELSIUS_K, rng, noise_pa=0.05, step_pa=0.0625)
    start = datetime.fromisoformat("2026-06-04T20:10:00")
    with (HERE / "overnight.csv").open("w", encoding="utf-8", newline="\n") as file:
        file.write("time,receiver (bar),air (degC)\n")
        for t, p, c in zip(t_s, bar, degc, strict=True):
            file.write(f"{(start + timedelta(seconds=float(t))).isoformat()},{p:.4f},{c:.2f}\n")


def pump_up() -> None:
    """Write a compressor that fills its tank from empty and then holds it against a leak."""
    rng = np.random.default_rng(20260605)
    t_s = np.arange(0.0, 2400.0, 0.1)
    idle_s = 20.0
    temp_k = np.full(t_s.size, ZERO_CELSIUS_K + 24.0)
    p_pa = tank(0.0, t_s, temp_k, volume_m3=0.100, conductance=4.5e-10, cools_in_s=45.0, pump=(700e3, 900e3, 4.0e-3))
    p_pa = np.interp(t_s - idle_s, t_s, p_pa)[::5]  # the recorder starts a little before the pump
    psi = sensed(p_pa, rng, noise_pa=1200.0, step_pa=1.0e6 / 1024) / PSI_PA
    np.savetxt(HERE / "pump_up.csv", np.column_stack([t_s[::5], psi]), "%.1f,%.2f", header="time_s,tank (psi)", comments="")


def main() -> None:
    """Make all of them."""
    deck("deck_no_receiver", receiver=False, unit="psi")
    deck("deck_receiver", receiver=True, unit="bar")
    deck("deck_two_channels", receiver=False, unit="kPa", channels=("supply", "tool"))
    dialling_in()
    overnight()
    pump_up()


if __name__ == "__main__":
    main()
