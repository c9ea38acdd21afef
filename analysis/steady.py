"""The line at a steady flow: pressure at each joint, what each part takes, where it chokes, and what a handbook would have said."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.air import conductance_of_bore, density, iso6358_downstream, mass_of_free_air, viscosity
from analysis.constants import R_AIR_J_PER_KG_K
from analysis.friction import darcy
from analysis.line import Line, Part
from analysis.units import INCH_M, PSI_PA, from_si

OPEN_END_B: Final = 0.528  # an open end passes air like an ideal nozzle


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """One part at a steady flow.

    Attributes
    ----------
    label, name : str
        The part's short name in results, and its own.
    inlet_pa, outlet_pa : float
        Pressures before and behind it [Pa gauge].
    loss_pa : float
        Their difference [Pa].
    share : float
        Its share in the loss of the whole line [0..1].
    """

    label: str
    name: str
    inlet_pa: float
    outlet_pa: float
    loss_pa: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """A line at a steady flow.

    Attributes
    ----------
    flow_m3_per_s : float
        Flow of free air [m3/s].
    inlet_pa : float
        Pressure in the supply tank [Pa gauge].
    tool_pa : float
        Pressure in the tool [Pa gauge]; NaN where the line chokes below this flow.
    losses : tuple of Loss
        Part by part, in order of flow; it ends at the part that chokes, where one does.
    loss_pa : float
        From the tank to just before the tool's coupler [Pa]; a regulator's reduction counts as its loss.
    chokes_at : str
        Name of the part that cannot pass this flow; empty where all can.
    handbook_pa : float
        Loss of the hoses by the Harris formula [Pa], made for iron pipe: within a factor of two for hose.
    """

    flow_m3_per_s: float
    inlet_pa: float
    tool_pa: float
    losses: tuple[Loss, ...]
    loss_pa: float
    chokes_at: str
    handbook_pa: float


def hose_outlet(p1_abs_pa: float, q_m_kg_per_s: float, temp_k: float, bore_m: float, length_m: float, roughness_m: float) -> float:
    """Pressure at the end of a hose with steady isothermal flow and friction.

    Parameters
    ----------
    p1_abs_pa : float
        Inlet pressure [Pa abs].
    q_m_kg_per_s : float
        Mass flow [kg/s].
    temp_k : float
        Temperature of air and wall [K].
    bore_m, length_m, roughness_m : float
        Of the hose [m].

    Returns
    -------
    float
        Outlet pressure [Pa abs]; NaN where the hose cannot pass this flow.

    References
    ----------
    .. [1] Isothermal flow with friction, p1^2 - p2^2 = (q/A)^2 R T (f L/D + 2 ln(p1/p2)); it chokes at Mach 1/sqrt(gamma).
    """
    if q_m_kg_per_s <= 0.0:
        return p1_abs_pa
    area = math.pi / 4.0 * bore_m**2
    re = q_m_kg_per_s * bore_m / (area * float(viscosity(temp_k)))
    factor = darcy(re, roughness_m / bore_m) * length_m / bore_m
    flux = (q_m_kg_per_s / area) ** 2 * R_AIR_J_PER_KG_K * temp_k
    lowest = math.sqrt(flux)  # where the flow is as fast as isothermal sound
    if p1_abs_pa <= lowest:
        return math.nan

    def left_over(p2: float) -> float:
        return p1_abs_pa**2 - p2**2 - flux * (factor + 2.0 * math.log(p1_abs_pa / p2))

    low, high = lowest, p1_abs_pa
    if left_over(low) < 0.0:
        return math.nan
    for _ in range(80):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if left_over(mid) > 0.0 else (low, mid)
    return 0.5 * (low + high)


def harris_loss(length_m: float, bore_m: float, flow_m3_per_s: float, p_abs_pa: float) -> float:
    """Loss [Pa] of a pipe by the Harris formula, L Q^2 / (2390 P d^5.31) in ft, scfm, psia and inches; made for iron pipe."""
    scfm, psia = from_si(flow_m3_per_s, "scfm"), p_abs_pa / PSI_PA
    return length_m / (12.0 * INCH_M) * scfm**2 / (2390.0 * psia * (bore_m / INCH_M) ** 5.31) * PSI_PA


def steady_loss(line: Line, flow_m3_per_s: float, *, inlet_pa: float | None = None) -> Steady:
    """Follow a steady flow along a line.

    Parameters
    ----------
    line : Line
    flow_m3_per_s : float
        Flow of free air, ANR [m3/s].
    inlet_pa : float, optional
        Pressure in the supply tank [Pa gauge]; the compressor's cut-in where not given.

    Returns
    -------
    Steady

    Raises
    ------
    ValueError
        If the flow is not above zero or the inlet pressure not above ambient.
    """
    start = line.compressor.cut_in_pa if inlet_pa is None else inlet_pa
    if not (math.isfinite(flow_m3_per_s) and flow_m3_per_s > 0.0):
        msg = f"A flow of {flow_m3_per_s} m3/s has no loss; give a flow above zero."
        raise ValueError(msg)
    if not start > 0.0:
        msg = "The inlet pressure must lie above ambient."
        raise ValueError(msg)
    q, temp, p_amb = mass_of_free_air(flow_m3_per_s), line.site.temperature_k, line.site.p_amb_pa
    p = start + p_amb
    steps: list[tuple[str, Part, float, float]] = []
    handbook, chokes, restricted = 0.0, "", False
    last_bore: float | None = None
    moving = 0.0  # dynamic pressure of the air that arrives [Pa]: a restriction feels it, a sensor's tap in the wall does not
    for label, part in zip(line.labels(), line.parts, strict=True):
        p_in = p
        if part.conductance is not None:
            p = _restriction(part, p + moving, q, temp, p_amb)
            restricted, moving = True, 0.0
        elif part.kind == "hose":
            bore = part.bore_m or 0.0
            if not restricted:  # the hose opens straight from a vessel or a wider hose
                entry = min(bore, last_bore or bore)
                p = iso6358_downstream(p, q, temp, conductance_of_bore(entry), OPEN_END_B)
            if math.isfinite(p):
                outlet = hose_outlet(p, q, temp, bore, part.length_m or 0.0, part.roughness_m or 0.0)
                handbook += harris_loss(part.length_m or 0.0, bore, flow_m3_per_s, 0.5 * (p + outlet)) if math.isfinite(outlet) else 0.0
                p = outlet
            restricted, last_bore = False, bore
            moving = 0.5 * (q / (math.pi / 4.0 * bore**2)) ** 2 * R_AIR_J_PER_KG_K * temp / p if p > 0.0 else 0.0
        else:
            restricted, last_bore, moving = False, None, 0.0
        if not p > p_amb:
            chokes = part.name
            break
        steps.append((label, part, p_in, p))
    total = sum(a - b for _, _, a, b in steps) or 1.0
    losses = tuple(
        Loss(label=label, name=part.name, inlet_pa=a - p_amb, outlet_pa=b - p_amb, loss_pa=a - b, share=(a - b) / total)
        for label, part, a, b in steps
    )
    before = _before_coupler(line)
    return Steady(
        flow_m3_per_s=flow_m3_per_s,
        inlet_pa=start,
        tool_pa=math.nan if chokes else p - p_amb,
        losses=losses,
        loss_pa=math.nan if len(losses) < before else sum(x.loss_pa for x in losses[:before]),
        chokes_at=chokes,
        handbook_pa=handbook,
    )


def _before_coupler(line: Line) -> int:
    """How many parts stand before the tool's coupler (or before the tool, where it has none)."""
    n = len(line.parts) - 1
    return n - 1 if n > 1 and line.parts[n - 1].kind == "coupler" else n


def _restriction(part: Part, p: float, q: float, temp: float, p_amb: float) -> float:
    """Pressure behind a restriction or regulator [Pa abs]; NaN where it chokes."""
    conductance = part.conductance or 0.0
    wide = iso6358_downstream(p, q, temp, conductance, part.b or 0.0)
    if part.kind != "regulator" or not math.isfinite(wide):
        return wide
    share = q / (conductance * p * 1.185 * math.sqrt(293.15 / temp))
    return min(wide, (part.set_pa or 0.0) + p_amb - (part.droop_pa or 0.0) * share)


def largest_flow(line: Line, *, inlet_pa: float | None = None) -> tuple[float, str]:
    """Largest flow of free air [m3/s] that the line passes from this supply to an open end, and the name of the part that limits it."""
    low, high = 1e-7, 1.0
    limit = ""
    for _ in range(60):
        mid = math.sqrt(low * high)
        found = steady_loss(line, mid, inlet_pa=inlet_pa)
        if found.chokes_at:
            high, limit = mid, found.chokes_at
        else:
            low = mid
        if high / low < 1.0001:
            break
    return low, limit


def speed(q_m_kg_per_s: float, p_abs_pa: float, temp_k: float, bore_m: float) -> float:
    """Mean speed of air in a bore [m/s]."""
    return q_m_kg_per_s / (float(density(p_abs_pa, temp_k)) * math.pi / 4.0 * bore_m**2)
