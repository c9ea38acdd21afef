"""Published pressure losses of pipes and hoses, and hose volumes: rows PD and HV of the reference values.

Sources: [S4] Esposito, Fluid Power with Applications, examples 14-1 and 14-2; [S10] engineering page on the Harris formula; [S11] hose
friction page, worked example. Handbooks and friction models differ by up to a factor of two (D-06); such rows have wide limits.
"""

import pytest

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.friction import darcy
from analysis.steady import harris_loss, hose_outlet
from analysis.units import INCH_M, PSI_PA, to_si

FOOT_M = 12.0 * INCH_M


@pytest.mark.parametrize(
    ("row", "feet", "psia", "printed"),
    [("PD-02 [S4] example 14-1", 250.0, 164.7, 4.928), ("PD-03 [S4] example 14-2, with fittings", 364.6, 164.64, 7.190)],
)
def test_harris_examples(row: str, feet: float, psia: float, printed: float) -> None:
    """The book's form has 0.1025/3600 where ours has 1/2390 with 14.7: 0.04 % apart (PD-05)."""
    loss = harris_loss(feet * FOOT_M, 1.049 * INCH_M, to_si(100.0, "scfm"), psia * PSI_PA)
    assert loss / PSI_PA == pytest.approx(printed, rel=3e-3), row


@pytest.mark.parametrize(
    ("row", "feet", "inch", "scfm", "psi"),
    [("PD-08", 25.0, 0.375, 10.0, 1.826), ("PD-09", 50.0, 0.5, 20.0, 3.171), ("PD-10", 25.0, 0.25, 5.0, 3.931)],
)
def test_harris_hoses(row: str, feet: float, inch: float, scfm: float, psi: float) -> None:
    """Computed with the formula of PD-05 at a mean pressure of 104.7 psia."""
    loss = harris_loss(feet * FOOT_M, inch * INCH_M, to_si(scfm, "scfm"), 104.7 * PSI_PA)
    assert loss / PSI_PA == pytest.approx(psi, rel=1e-3), row


def _hose_psi(feet: float, inch: float, scfm: float, psig: float) -> float:
    p1 = psig * PSI_PA + ATMOSPHERE_ABS_PA
    q = to_si(scfm, "scfm") * 1.185
    return (p1 - hose_outlet(p1, q, 293.15, inch * INCH_M, feet * FOOT_M, 0.0)) / PSI_PA


def test_pd12_chart_value() -> None:
    """PD-12, [S11]: 3/4 in, 50 ft, 30 cfm at 90 psig: about 0.4 psi, a chart reading (read; 30 %)."""
    assert _hose_psi(50.0, 0.75, 30.0, 90.0) == pytest.approx(0.4, rel=0.3)


@pytest.mark.parametrize(("cfm", "smooth"), [(20.0, 1.62), (30.0, 3.34), (50.0, 8.37)])
def test_pd13_smooth_half_inch_hose(cfm: float, smooth: float) -> None:
    """PD-13's own smooth Darcy values (computed); its handbook values are from memory and a factor of two away, so not tested."""
    assert _hose_psi(50.0, 0.5, cfm, 90.0) == pytest.approx(smooth, rel=0.06)  # ours counts the expansion along the hose


def test_pd15_smooth_three_quarter_inch() -> None:
    """PD-15 (computed): 0.480 psi at Re 62 466, f = 0.01989, incompressible at inlet density."""
    assert darcy(62_466.0, 0.0) == pytest.approx(0.01989, rel=0.01)
    assert _hose_psi(50.0, 0.75, 30.0, 90.0) == pytest.approx(0.480, rel=0.02)


@pytest.mark.parametrize(
    ("row", "inch", "ml_per_m"),
    [
        ("HV-01", 0.25, 31.669),
        ("HV-01", 0.3125, 49.483),
        ("HV-01", 0.375, 71.256),
        ("HV-02", 0.5, 126.677),
        ("HV-02", 0.75, 285.023),
        ("HV-02", 1.0, 506.707),
    ],
)
def test_hose_volume_per_metre(row: str, inch: float, ml_per_m: float) -> None:
    """Computed; here from the model's own hose, as the mass that a metre of it holds."""
    from analysis.line_file import parse_line
    from analysis.model import build

    text = f"""
[compressor]
tank = "10 L"
cut_in = "5 bar"
cut_out = "8 bar"
delivery = "50 L/min"
[[part]]
kind = "hose"
length = "1 m"
bore = "{inch} in"
[[part]]
kind = "tool"
"""
    hose = build(parse_line(text)).hose[0]
    dx, area, cells = hose["dx_m"], hose["area_m2"], hose["end"] - hose["first"]
    assert 1e6 * area * dx * cells == pytest.approx(ml_per_m, rel=1e-4), row
