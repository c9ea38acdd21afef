"""What each part may take against the highest pressure it can see, a failed regulator included."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from analysis.cautions import highest_pressures
from analysis.line import Line
from analysis.units import INCH_M, PSI_PA, bar_psi

OVERPRESSURE_SHARE: Final = 0.10  # a relief valve holds a vessel within the greater of 10 % and
OVERPRESSURE_LEAST_PA: Final = 3.0 * PSI_PA  # 3 psi above its rating; ASME VIII-1 UG-125(c), excerpt of the 1992 edition
CLEANING_PA: Final = 30.0 * PSI_PA  # 29 CFR 1910.242(b), 1926.302(b)(4)
MUZZLE_PA: Final = 100.0 * PSI_PA  # 29 CFR 1926.302(b)(3)
WIDE_HOSE_M: Final = 0.5 * INCH_M  # 29 CFR 1926.302(b)(7)

Verdict = Literal["rated for all", "too low when a regulator fails", "too low", "rating not known"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing to look at before work.

    Attributes
    ----------
    key : str
        Short name, under which answers are kept.
    text : str
        What must be so.
    source : str
        Where that is asked for, or "common practice, no source".
    """

    key: str
    text: str
    source: str


_TRADE: Final = "common practice, no source"
# Short name, what must be so, who asks for it, and the kind of part that it is about; None: of every line.
_WALK: Final[tuple[tuple[str, str, str, str | None], ...]] = (
    ("relief valve", "The tank's relief valve is fitted and moves freely.", "29 CFR 1910.169(b)(3)", None),
    ("tank drained", "The tank is drained.", "29 CFR 1910.169(b)(2)", None),
    ("ratings", "Every part's rating was read and covers what it can see.", "29 CFR 1926.302(b)(5)", None),
    ("receiver valve", "The receiver has a relief valve of its own, at or below its rating.", "ASME VIII-1 UG-125", "receiver"),
    ("receiver drained", "The receiver is drained, and shows neither rust nor dents.", _TRADE, "receiver"),
    ("regulator", "The regulator is set within the tool's limit.", "29 CFR 1926.302(b)(5)", "regulator"),
    ("hoses", "Hoses have no cuts, bulges or cracks, and are not older than their maker says.", _TRADE, "hose"),
    ("couplers", "Couplers lock, and cannot come apart by accident.", "29 CFR 1926.302(b)(1)", None),
    ("whip", "Hoses that could whip are held at their ends.", _TRADE, "hose"),
    ("muzzle", "The tool's contact safety works; it fires only against the work.", "29 CFR 1926.302(b)(3)", None),
    ("eyes", "Everybody near wears eye protection.", _TRADE, None),
)


def questions(line: Line) -> tuple[Question, ...]:
    """Say what to look at before work on this line, in the order of a walk from the compressor to the tool."""
    kinds = {p.kind for p in line.parts}
    return tuple(Question(key=key, text=text, source=source) for key, text, source, of in _WALK if of is None or of in kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCheck:
    """One part against what it can see.

    Attributes
    ----------
    name, kind : str
        As in the line's file; the first is the compressor's tank.
    rated_pa : float or None
        Highest pressure allowed [Pa gauge]; of a tool without a rating the top of its window.
    normal_pa, failed_open_pa : float
        Highest pressure it sees in normal work, and when every regulator before it fails open [Pa gauge].
    verdict : str
        "rated for all", "too low when a regulator fails", "too low" or "rating not known".
    """

    name: str
    kind: str
    rated_pa: float | None
    normal_pa: float
    failed_open_pa: float
    verdict: Verdict


def check_parts(line: Line) -> tuple[PartCheck, ...]:
    """Hold every part's rating against the highest pressure it can see [Pa gauge], the compressor's tank first.

    A regulator that fails open passes the tank's pressure on, so behind it a part can see the pump's cut-out. The pump's pressure switch
    is taken to work: a stuck one is what the tank's relief valve is for.
    """
    top = line.compressor.cut_out_pa
    checks = [_check("compressor tank", "tank", line.compressor.rated_pa, top, top)]
    for part, normal in zip(line.parts, highest_pressures(line), strict=True):
        rated = part.rated_pa
        if rated is None and part.window_pa is not None:
            rated = part.window_pa[1]
        checks.append(_check(part.name, part.kind, rated, normal, top))
    return tuple(checks)


def _check(name: str, kind: str, rated: float | None, normal: float, failed: float) -> PartCheck:
    verdict: Verdict
    if rated is None:
        verdict = "rating not known"
    elif rated < normal:
        verdict = "too low"
    elif rated < failed:
        verdict = "too low when a regulator fails"
    else:
        verdict = "rated for all"
    return PartCheck(name=name, kind=kind, rated_pa=rated, normal_pa=normal, failed_open_pa=failed, verdict=verdict)


def highest_relieved(rated_pa: float) -> float:
    """Highest pressure [Pa gauge] that one relief valve may let a vessel of this rating reach while it blows.

    References
    ----------
    .. [1] ASME Boiler and Pressure Vessel Code VIII-1, UG-125(c): the greater of 10 % and 3 psi.
    """
    return rated_pa + max(OVERPRESSURE_SHARE * rated_pa, OVERPRESSURE_LEAST_PA)


def rating_cautions(line: Line) -> tuple[str, ...]:
    """Say what the ratings ask for, beyond what `analysis.cautions` says of normal work. Bar and psi: the reader's unit is unknown."""
    checks = check_parts(line)
    out = [
        f"If the regulator fails open, {c.name} sees {bar_psi(c.failed_open_pa)} but is rated {bar_psi(c.rated_pa)}: fit a relief valve "
        f"behind the regulator that opens at or below {bar_psi(c.rated_pa)}, or lower the pump's cut-out."
        for c in checks
        if c.verdict == "too low when a regulator fails" and c.rated_pa is not None
    ]
    unknown = [c.name for c in checks if c.verdict == "rating not known" and c.kind != "receiver"]
    if unknown:
        out.append(
            f"No rated pressure is given for {', '.join(unknown)}: read it off the part or its sheet and put it into the line's file "
            f"(up to {bar_psi(checks[0].failed_open_pa)} can be seen)."
        )
    if line.compressor.rated_pa is not None:
        out.append(
            f"The tank's relief valve must open at or below {bar_psi(line.compressor.rated_pa)} and hold the tank below "
            f"{bar_psi(highest_relieved(line.compressor.rated_pa))} while it blows (ASME VIII-1 UG-125(c)). No valve between tank "
            "and relief valve, a gauge that can be seen, a drain at the lowest point, tested regularly (29 CFR 1910.169(b))."
        )
    else:
        out.append(
            "The tank needs a relief valve that opens at or below the rating on its plate, with no valve in between, a gauge that can be "
            "seen and a drain at the lowest point, tested regularly (29 CFR 1910.169(b), ASME VIII-1 UG-125(c))."
        )
    if any(p.kind == "hose" and p.bore_m is not None and p.bore_m > WIDE_HOSE_M + 1e-6 for p in line.parts):
        out.append("A hose wider than 1/2 in needs a device at its source that cuts the pressure when it fails (29 CFR 1926.302(b)(7)).")
    out.append("Join tool and hose so that they cannot come apart, and never lift a tool by its hose (29 CFR 1926.302(b)(1), (6)).")
    if highest_pressures(line)[-1] > MUZZLE_PA:
        out.append(
            f"The tool can see more than {bar_psi(MUZZLE_PA)}: a nailer or stapler that feeds by itself then needs a muzzle that "
            "fires only against the work (29 CFR 1926.302(b)(3))."
        )
    out.append(
        f"Blow nothing clean with more than {bar_psi(CLEANING_PA)} at the nozzle, and only with chip guards and eye protection; never "
        "towards people (29 CFR 1910.242(b), 1926.302(b)(4))."
    )
    out.append(
        "Before work: ratings read, relief valve pulled, tank and receiver drained, hoses without cracks or cuts, couplers that lock, "
        "eye protection on."
    )
    out.append("These are reminders, not a code: local codes and a licensed person decide, and the maker's limits stand above all here.")
    return tuple(out)
