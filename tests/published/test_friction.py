"""Published friction factors: rows FR of the reference values. All are Darcy's.

Sources: the `fluids` library 1.3.1 (computed with it, two methods agreeing to 1e-14); [S5] Cengel and Cimbala, example 8-3.
"""

import pytest

from analysis import friction


@pytest.mark.parametrize(("re", "factor"), [(1000.0, 0.064), (2000.0, 0.032)])
def test_fr01_laminar(re: float, factor: float) -> None:
    """FR-01, Hagen and Poiseuille (recomputed)."""
    assert float(friction.laminar(re)) == pytest.approx(factor, rel=1e-12)
    assert friction.darcy(re, 1e-3) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("row", "re", "rough", "factor"),
    [
        ("FR-02", 1e4, 0.0, 0.03088295),
        ("FR-02", 1e5, 0.0, 0.01798977),
        ("FR-03", 1e5, 1e-4, 0.01851387),
        ("FR-03", 1e5, 1e-3, 0.02217454),
        ("FR-03", 1e5, 1e-2, 0.03850354),
        ("FR-04", 1e6, 1e-4, 0.01344144),
    ],
)
def test_colebrook(row: str, re: float, rough: float, factor: float) -> None:
    assert friction.colebrook(re, rough) == pytest.approx(factor, rel=1e-6), row


def test_fr05_fully_rough() -> None:
    """FR-05: plateau of the Moody chart, about 0.038 (computed with fluids)."""
    assert friction.colebrook(1e8, 0.01) == pytest.approx(0.0379043, rel=1e-5)


def test_fr06_worked_example() -> None:
    """FR-06, [S5] example 8-3: f to 1e-5 (read and recomputed)."""
    assert friction.colebrook(126400.0, 4.2e-5) == pytest.approx(0.0173976, abs=1e-5)


@pytest.mark.parametrize(("rough", "factor"), [(0.0, 0.01782494), (1e-3, 0.02196621), (1e-2, 0.03853851)])
def test_fr07_haaland(rough: float, factor: float) -> None:
    """FR-07 (computed with fluids)."""
    assert friction.haaland(1e5, rough) == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize("re", [5e4, 1e5, 3e5, 1e6])
@pytest.mark.parametrize("rough", [0.0, 1e-4, 1e-3, 1e-2])
def test_fr08_haaland_stays_near_colebrook(re: float, rough: float) -> None:
    """FR-08: within -1.4 % to +0.2 % for Re 5e4 to 1e6 (computed; the printed ends are rounded)."""
    deviation = friction.haaland(re, rough) / friction.colebrook(re, rough) - 1.0
    assert -0.0145 < deviation < 0.0025


def test_fr09_swamee_jain() -> None:
    """FR-09 (computed with fluids)."""
    assert friction.swamee_jain(1e5, 1e-3) == pytest.approx(0.02234240, abs=1e-7)


@pytest.mark.parametrize(("re", "factor"), [(1e4, 0.0316400), (1e5, 0.01779248)])
def test_fr10_blasius(re: float, factor: float) -> None:
    """FR-10 (computed with fluids)."""
    assert friction.blasius(re) == pytest.approx(factor, rel=1e-6)
