"""What to heed on an air line: how much each part can see, and what its maker allows."""

from __future__ import annotations

import math

from analysis.air import BORE_UNCERTAINTY, CV_UNCERTAINTY
from analysis.line import Line, Part
from analysis.units import PSI_PA, bar_psi, from_si, significant


def maker_limit(tool: Part) -> float | None:
    """Highest pressure that a tool may be given [Pa gauge]: the lower of its rating and the top of its window; None if neither is known."""
    return min((p for p in (tool.rated_pa, tool.window_pa[1] if tool.window_pa else None) if p is not None), default=None)


def lower_limit(one: Part, other: Part) -> Part:
    """Of two descriptions of a tool, the one with the lower limit; one without a limit says nothing."""
    limits = [math.inf if limit is None else limit for limit in (maker_limit(one), maker_limit(other))]
    return one if limits[0] <= limits[1] else other


def highest_pressures(line: Line) -> tuple[float, ...]:
    """Highest pressure [Pa gauge] that each part can see at its inlet in normal work: cut-out, and after a regulator its set point."""
    top, out = line.compressor.cut_out_pa, []
    for part in line.parts:
        out.append(top)
        if part.set_pa is not None:
            top = min(top, part.set_pa)
    return tuple(out)


def cautions(line: Line) -> tuple[str, ...]:
    """What to heed on this line, in plain sentences: ratings first, then what a receiver and hoses ask for.

    Pressures are given in bar and psi, since the reader's unit is not known here.
    """
    out: list[str] = []
    c = line.compressor
    if c.rated_pa is not None and c.rated_pa < c.cut_out_pa:
        out.append(
            f"The compressor's tank is rated {bar_psi(c.rated_pa)} but the pump cuts out at {bar_psi(c.cut_out_pa)}: lower the cut-out."
        )
    if "clearance" in c.assumed:
        out.append(f"The pump's clearance is not given; a usual {100.0 * (c.clearance or 0.0):g} % is assumed.")
    if "delivery_at" in c.assumed:
        out.append(
            f"At which pressure the delivery is stated is not given; {bar_psi(c.delivery_at_pa or 0.0)}, midway between cut-in and "
            "cut-out, is assumed."
        )
    for part, top in zip(line.parts, highest_pressures(line), strict=True):
        if part.rated_pa is not None and part.rated_pa < top:
            out.append(
                f"{_cap(part.name)} is rated {bar_psi(part.rated_pa)} but can see {bar_psi(top)}: put a regulator before it or replace it."
            )
        elif part.kind == "tool" and part.rated_pa is None and part.window_pa and part.window_pa[1] < top:
            out.append(
                f"{_cap(part.name)} can see {bar_psi(top)}, above its window ({bar_psi(part.window_pa[1])}): the tool maker's limit stands."
            )
        if part.kind == "receiver" and (part.rated_pa is None or top <= part.rated_pa < c.cut_out_pa):
            # In normal work it sees `top`; a regulator that fails open passes all that the compressor has.
            lead = f"No rated pressure is given for {part.name}: read its plate; portable ones are often rated {bar_psi(150.0 * PSI_PA)}"
            if part.rated_pa is not None:
                lead = f"{_cap(part.name)} is rated {bar_psi(part.rated_pa)}, below the pump's cut-out"
            out.append(
                f"{lead}. A regulator can fail open: either the rating is at least {bar_psi(c.cut_out_pa)}, "
                "or the receiver's own relief valve opens at or below its rating."
            )
        if part.set_pa is not None and part.set_pa > c.cut_in_pa:
            out.append(
                f"{_cap(part.name)} is set to {bar_psi(part.set_pa)}, above the pump's cut-in ({bar_psi(c.cut_in_pa)}): "
                "it cannot hold that near cut-in."
            )
        if "conductance" in part.assumed:
            usual = from_si(part.conductance or 0.0, "L/s/bar")
            out.append(f"The conductance of {part.name} is not given; a usual value is assumed ({significant(usual, 2)} L/s/bar).")
        for key, word, u in (("cv", "Cv", CV_UNCERTAINTY), ("bore", "its bore", BORE_UNCERTAINTY)):
            if key in part.assumed:
                out.append(f"The conductance of {part.name} comes from {word} and is good to about {100 * u:.0f} % only.")
    if any(p.kind == "receiver" for p in line.parts):
        out.append(
            "A receiver needs a relief valve that opens at or below its rating, with no shut-off between. "
            "Drain it; never cut, weld or drill it."
        )
    if any(p.kind == "hose" for p in line.parts):
        out.append("A loose hose whips: shut the supply and bleed the line before you uncouple, and wear eye protection.")
    return tuple(out)


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]
