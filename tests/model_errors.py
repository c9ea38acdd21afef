"""Errors of the line model against analytic results, one row each: ``python -m tests.model_errors`` prints the table."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.special import jv

from analysis.air import iso6358_mass_flow
from analysis.constants import GAMMA, R_AIR_J_PER_KG_K
from analysis.friction import darcy
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import Nozzle, Outcome, build, run_network, settled, simulate
from analysis.steady import steady_loss


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One comparison: what, the model's and the analytic value, relative error (or as `what` says) and its limit."""

    what: str
    model: float
    exact: float
    error: float
    limit: float


Check = Callable[[], Row]
FloatArray = NDArray[np.float64]


def _row(what: str, model: float, exact: float, limit: float) -> Row:
    return Row(what=what, model=model, exact=exact, error=model / exact - 1.0, limit=limit)


def _line(hoses: str, *, tank: str = "1000 L", more: str = "", chamber: str = "0.001 L") -> Line:
    return parse_line(f"""
[site]
temperature = "20 degC"
[compressor]
tank = "{tank}"
cut_in = "0.1 bar"
cut_out = "9 bar"
delivery = "0.1 L/min"
{hoses}
{more}
[[part]]
kind = "tool"
air_per_shot = "1 L"
volume = "{chamber}"
""")


def _hose(length: str, bore: str) -> str:
    return f'[[part]]\nkind = "hose"\nlength = "{length}"\nbore = "{bore}"\n'


def _through(conductance: float, p_abs_pa: float, bore_m: float) -> float:
    """Free air [m3/s] through a choked nozzle at the end of a hose at 20 degC, from the pressure at the wall there."""
    flow, area = conductance * p_abs_pa, math.pi / 4.0 * bore_m**2
    for _ in range(3):  # the nozzle feels the stagnation pressure
        flow = conductance * (p_abs_pa + 0.5 * (1.185 * flow / area) ** 2 * R_AIR_J_PER_KG_K * 293.15 / p_abs_pa)
    return flow


def isothermal_loss() -> Row:
    """Steady loss of a long thin hose, its air at the wall's temperature nearly throughout."""
    line = _line(_hose("60 m", "9 mm"), tank="90000 L")
    run = simulate(line, [], duration_s=8.0, start_pa=7e5, nozzles=[Nozzle(from_s=0.0, until_s=9.0, conductance=0.8e-8)])
    flow = _through(0.8e-8, float(run.tool_pa[-1]) + 101_325.0, 0.009)
    exact = steady_loss(line, float(flow), inlet_pa=float(run.supply_pa[-1])).loss_pa
    return _row("isothermal friction, 60 m of 9 mm: loss", float(run.supply_pa[-1] - run.tool_pa[-1]), exact, 0.005)


def fanno_loss() -> Row:
    """Steady adiabatic flow: the wall's heat is switched off, the loss follows Fanno's relations."""
    net = build(_line(_hose("5 m", "9 mm"), tank="90000 L"), cell_m=0.1)
    net.hose["heat"] = 0.0
    state = settled(net, 8e5)
    got = run_network(net, state, duration_s=3.0, nozzles=[Nozzle(from_s=0.0, until_s=9.0, conductance=5e-8)], memory=False)
    a = int(net.hose["first"][0])
    cells = (GAMMA - 1.0) * (state.cons[2] - 0.5 * state.cons[1] ** 2 / state.cons[0])
    p1, p2 = cells[a + 4], cells[a + 44]  # 4 m apart, away from the ends
    q = got.q_m_kg_per_s[-1, 0]
    area = math.pi / 4.0 * 0.009**2
    # Integrate dp/dx of adiabatic flow at constant stagnation temperature with the model's own friction factor.
    t0, n = 293.15, 4000
    p, dx = float(p1), 4.0 / n
    for _ in range(n):

        def slope(pp: float) -> float:
            u = q / area * R_AIR_J_PER_KG_K * t0 / pp
            for _ in range(3):
                t = t0 - 0.5 * u * u / 1004.675
                u = q / area * R_AIR_J_PER_KG_K * t / pp
            m2 = u * u / (GAMMA * R_AIR_J_PER_KG_K * t)
            mu = 1.716e-5 * (t / 273.15) ** 1.5 * 383.55 / (t + 110.4)
            f = darcy(q * 0.009 / (area * mu), 5e-6 / 0.009)
            return -pp * GAMMA * m2 * (1.0 + (GAMMA - 1.0) * m2) / (2.0 * (1.0 - m2)) * f / 0.009

        k1 = slope(p)
        p += dx * slope(p + 0.5 * dx * k1)
    return _row("Fanno flow, 4 m of 9 mm, ending at Mach 0.25: loss", float(p1 - p2), float(p1 - p), 0.005)


def _ring(bore_mm: float) -> tuple[float, float, float, float]:
    """Ring a still 15 m hose, open to a large tank: angular frequency and decay of the model, then by Zwikker and Kosten's theory."""
    net = build(_line(_hose("15 m", f"{bore_mm} mm"), tank="50000 L"), cell_m=0.15)
    state = settled(net, 8e5)
    a, b = int(net.hose["first"][0]), int(net.hose["end"][0])
    x = (np.arange(b - a) + 0.5) / (b - a)
    wave = 1.0 + 1e-5 * np.sin(0.5 * math.pi * x)  # small, so that the flow stays laminar and the ends do not matter
    state.cons[0, a:b] *= wave ** (1.0 / GAMMA)
    state.cons[2, a:b] *= wave
    rate = 1000.0
    got = run_network(net, state, duration_s=1.5, output_rate_hz=rate)
    p = got.p_abs_pa[:, 1, 1] - got.p_abs_pa[:, 0, 0]
    t = np.arange(p.size) / rate
    later = t > 0.2  # the theory is of a wall layer that has settled

    def damped(tt: FloatArray, size: float, phase: float, omega: float, decay: float, rest: float) -> FloatArray:
        return size * np.exp(-decay * tt) * np.cos(omega * tt + phase) + rest

    ideal = math.pi / 2.0 * math.sqrt(GAMMA * R_AIR_J_PER_KG_K * 293.15) / 15.0
    fitted, _ = curve_fit(damped, t[later], p[later], p0=(p[0], 0.0, 0.96 * ideal, 0.04 * ideal, 0.0))
    mu = 1.716e-5 * (293.15 / 273.15) ** 1.5 * 383.55 / (293.15 + 110.4)
    nu = mu / (8e5 / (R_AIR_J_PER_KG_K * 293.15))

    def shear(x: Any) -> Any:
        return 2.0 * jv(1, x) / (x * jv(0, x))

    def gap(omega: Any) -> Any:
        s = 1j**1.5 * 0.5 * bore_mm / 1e3 * np.sqrt(omega / nu)
        return omega * np.sqrt((1.0 + (GAMMA - 1.0) * shear(s * math.sqrt(0.71))) / (1.0 - shear(s))) - ideal

    exact: Any = ideal * (0.96 + 0.04j)
    for _ in range(60):  # the secant method, in the complex plane
        step = 1e-6 * exact
        exact = exact - gap(exact) * step / (gap(exact + step) - gap(exact))
    return float(fitted[2]), float(fitted[3]), float(exact.real), float(exact.imag)


def quarter_wave() -> Row:
    """Frequency of the quarter wave, c / 4L less what the wall slows it."""
    omega, _, exact, _ = _ring(25.0)
    return _row("quarter wave, 15 m of 25 mm: frequency with the wall's part", omega / 6.2832, exact / 6.2832, 0.002)


def travel_time() -> Row:
    """How long a small wave takes to run the length of a hose."""
    line = _line(_hose("30 m", "25 mm"), tank="50000 L")
    net = build(line, cell_m=0.1)
    state = settled(net, 8e5)
    state.vol_m[0] *= 1.001
    state.vol_e[0] *= 1.001
    got = run_network(net, state, duration_s=0.15, output_rate_hz=10_000.0)
    end = got.p_abs_pa[:, 1, 1]
    half = 8e5 + 0.5 * (end.max() - 8e5)
    return _row("travel time over 30 m (AC-08)", float(np.argmax(end > half)) / 1e4, 0.08740, 0.01)


def ringing_decay() -> Row:
    """Decay of the quarter wave by wall shear and wall heat."""
    _, decay, _, exact = _ring(9.5)
    return _row("quarter wave, 15 m of 9.5 mm: decay, thermoviscous", decay, exact, 0.02)


def isothermal_discharge() -> Row:
    """A vessel that empties through a choked hole so slowly that its air stays at the wall's temperature (AC-13's law)."""
    net = build(_line("", more='[[part]]\nkind = "coupler"\nconductance = "20 L/s/bar"', tank="19.999 L", chamber="0.001 L"))
    net.volume["wall_w_per_k"][0] = 1e4  # as good as isothermal
    net.pump["kg_per_s"] = 0.0
    c = 0.198866e-8
    until = 47.491
    tau = 0.020 / (c * 1.185 * math.sqrt(293.15) * R_AIR_J_PER_KG_K * math.sqrt(293.15))
    got = run_network(
        net,
        settled(net, 801_325.0),
        duration_s=until,
        nozzles=[Nozzle(from_s=0.0, until_s=99.0, conductance=c)],
        output_rate_hz=1.0 / until,
    )
    return _row(
        "isothermal discharge of 20 L through 1 mm2: pressure", float(got.p_abs_pa[-1, 0, 0]), 801_325.0 * math.exp(-until / tau), 2e-3
    )


def adiabatic_discharge() -> Row:
    """Likewise with no heat from the wall."""
    net = build(_line("", more='[[part]]\nkind = "coupler"\nconductance = "20 L/s/bar"', tank="19.999 L", chamber="0.001 L"))
    net.volume["wall_w_per_k"] = 0.0
    net.pump["kg_per_s"] = 0.0
    c, until = 0.198866e-8, 35.091
    tau = 0.020 / (c * 1.185 * math.sqrt(293.15) * R_AIR_J_PER_KG_K * math.sqrt(293.15))
    got = run_network(
        net,
        settled(net, 801_325.0),
        duration_s=until,
        nozzles=[Nozzle(from_s=0.0, until_s=99.0, conductance=c)],
        output_rate_hz=1.0 / until,
    )
    exact = 801_325.0 * (1.0 + 0.2 * until / tau) ** -7.0
    return _row("adiabatic discharge of 20 L through 1 mm2: pressure", float(got.p_abs_pa[-1, 0, 0]), exact, 2e-3)


def filled_adiabatically() -> Row:
    """Temperature of a vessel filled from a large one without heat to the wall (AC-20)."""
    net = build(_line("", more='[[part]]\nkind = "coupler"\nconductance = "2 L/s/bar"', tank="90000 L", chamber="20 L"))
    net.volume["wall_w_per_k"] = 0.0
    net.pump["kg_per_s"] = 0.0
    state = settled(net, 901_325.0, downstream_abs_pa=101_325.0)
    run_network(net, state, duration_s=30.0, output_rate_hz=1.0)
    temp = float(state.vol_e[1] / state.vol_m[1]) / (R_AIR_J_PER_KG_K / (GAMMA - 1.0))
    return _row("adiabatic filling of 20 L: temperature (AC-20)", temp, 392.75, 2e-3)


def restriction_flow() -> Row:
    """Flow between two vessels against ISO 6358."""
    net = build(_line("", more='[[part]]\nkind = "coupler"\nconductance = "1 L/s/bar"\nb = 0.35', tank="90000 L", chamber="90000 L"))
    got = run_network(net, settled(net, 700_000.0, downstream_abs_pa=560_000.0), duration_s=0.05)
    exact = float(iso6358_mass_flow(700_000.0, 560_000.0, 293.15, 1e-8, 0.35))
    return _row("ISO 6358, 700 to 560 kPa (CF-22): mass flow", float(got.q_m_kg_per_s[-1, 0]), exact, 1e-4)


def _sod(cells: int) -> float:
    """Mean density error of Sod's problem in a frictionless tube, by an exact star state (AC-10)."""
    net = build(_line(_hose("1 m", "50 mm"), tank="1000 L", chamber="1000 L"), cell_m=1.0 / cells)
    state = settled(net, 1e5)
    a, b = int(net.hose["first"][0]), int(net.hose["end"][0])
    x = (np.arange(b - a) + 0.5) / (b - a)
    left = x < 0.5
    scale = 1e5
    state.cons[0, a:b] = np.where(left, 1.0, 0.125)
    state.cons[1, a:b] = 0.0
    state.cons[2, a:b] = np.where(left, 1.0, 0.1) * scale / (GAMMA - 1.0)
    net.hose["friction"], net.hose["heat"] = 0.0, 0.0
    state.vol_e[1] *= 0.1  # the vessels at the ends have the pressures of the two halves
    state.vol_m[1] *= 0.1
    until = 0.2 / math.sqrt(scale)
    run_network(net, state, duration_s=until, output_rate_hz=1.0 / until, cfl=0.8, memory=False)
    xi = (x - 0.5) / 0.2
    c1 = math.sqrt(GAMMA)
    c = 2.0 / (GAMMA + 1.0) * (c1 - 0.5 * (GAMMA - 1.0) * xi)
    fan = (c / c1) ** (2.0 / (GAMMA - 1.0))
    exact = np.select([xi < -1.183216, xi < -0.070273, xi < 0.927453, xi < 1.752156], [1.0, fan, 0.426319, 0.265574], 0.125)
    return float(np.abs(state.cons[0, a:b] - exact).mean())


def sod_order() -> Row:
    """Sod's density error must fall by about the factor that a second-order scheme reaches with shocks (order 0.75 to 1)."""
    coarse, fine = _sod(100), _sod(400)
    order = math.log(coarse / fine) / math.log(4.0)
    return Row(
        what="Sod's problem: order at which the density error falls (exact 0.9)", model=order, exact=0.9, error=order - 0.9, limit=0.25
    )


def sod_error() -> Row:
    """Sod's mean density error on 200 cells."""
    error = _sod(200)
    return Row(what="Sod's problem, 200 cells: mean density error", model=error, exact=0.0, error=error, limit=0.005)


def mass_kept() -> Row:
    """Mass over a session of shots."""
    line = _line(_hose("30 m", "9.5 mm"), more='[[part]]\nkind = "coupler"\n', chamber="0.3 L")
    run = simulate(line, np.arange(0.5, 20.0, 0.4), duration_s=20.0)
    return Row(what="mass over 49 shots (relative)", model=run.mass_error, exact=0.0, error=run.mass_error, limit=1e-12)


def _session(**how: Any) -> Outcome:
    """A line with a receiver, a leak and a pump that runs, through a minute of bursts."""
    line = _line(
        _hose("30 m", "9.5 mm") + '[[part]]\nkind = "receiver"\nvolume = "20 L"\nleak = "0.02 L/s/bar"\n' + _hose("3 m", "8 mm"),
        more='[[part]]\nkind = "coupler"\n',
        tank="60 L",
        chamber="0.3 L",
    )
    net = build(line, cell_m=how.pop("cell_m", 0.5))
    net.pump["kg_per_s"], net.pump["cut_in_pa"] = 0.005, 8.9e5
    shots = np.concatenate([b + np.arange(0.0, 2.0, 0.25) for b in range(1, 60, 6)])
    return run_network(net, settled(net, 9e5), duration_s=60.0, shots_s=shots, output_rate_hz=10.0, brief=0.5, **how)


def energy_kept() -> Row:
    """Energy over a session: what came in with the air and through the walls, less what went out, is what is there."""
    error = _session().energy_error
    return Row(what="energy over a minute of bursts, pump and leak (relative)", model=error, exact=0.0, error=error, limit=1e-3)


def mesh_independent() -> Row:
    """The deepest dip on the usual cells against cells a quarter as long."""
    usual, fine = (float(_session(cell_m=c).shots[:, 1].min()) for c in (0.5, 0.125))
    start = 9e5
    return _row("lowest of a session, 0.5 m cells against 0.125 m: fall from the start", start - usual, start - fine, 0.01)


def step_independent() -> Row:
    """The deepest dip with the usual time step against a third of it."""
    usual, fine = (float(_session(cfl=c).shots[:, 1].min()) for c in (0.95, 0.3))
    start = 9e5
    return _row("lowest of a session, Courant number 0.95 against 0.3: fall from the start", start - usual, start - fine, 0.01)


CHECKS: list[Check] = [
    isothermal_loss,
    fanno_loss,
    quarter_wave,
    travel_time,
    ringing_decay,
    isothermal_discharge,
    adiabatic_discharge,
    filled_adiabatically,
    restriction_flow,
    sod_order,
    sod_error,
    mass_kept,
    energy_kept,
    mesh_independent,
    step_independent,
]


def main() -> None:
    """Print the table."""
    rows = [check() for check in CHECKS]
    width = max(len(r.what) for r in rows)
    print(f"{'what':{width}}  {'model':>12}  {'exact':>12}  {'error':>10}  {'limit':>8}")
    for r in rows:
        mark = "" if abs(r.error) <= r.limit else "  TOO LARGE"
        print(f"{r.what:{width}}  {r.model:12.6g}  {r.exact:12.6g}  {r.error:10.2e}  {r.limit:8.1e}{mark}")


if __name__ == "__main__":
    main()
