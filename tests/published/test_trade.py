"""What everybody who nails knows, held against the line model; common practice, no source."""

import pytest

from analysis.burst import Burst, fire, single_shot
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.units import PSI_PA, US_GALLON_M3
from analysis.variants import wide_couplers, with_receiver

SHOP = """
[compressor]
tank = "20 gal"
cut_in = "105 psi"
cut_out = "135 psi"
delivery = "6 scfm"

[[part]]
kind = "regulator"
set = "95 psi"

[[part]]
kind = "hose"
length = "150 ft"
bore = "0.375 in"

[[part]]
kind = "coupler"

[[part]]
kind = "tool"
air_per_shot = "1.6 L"
"""
FAST = Burst(shots=10, every_s=0.25, floor_pa=1.0)


@pytest.fixture(scope="module")
def shop() -> Line:
    return parse_line(SHOP)


def test_shop_hose_costs_some_15_to_20_psi_when_nailing_fast(shop: Line) -> None:
    """Common practice, no source: with 150 ft of hose people add some 15 to 20 psi. Read here as the pressure in the shot itself."""
    lost_psi = (95.0 * PSI_PA - fire(shop, FAST).minimum_pa) / PSI_PA
    assert 15.0 <= lost_psi <= 20.0


@pytest.mark.parametrize("gallons", [5.0, 11.0])
def test_a_receiver_near_the_work_ends_that(shop: Line, gallons: float) -> None:
    """Common practice, no source: 5 to 11 gallons near the work."""
    bare, fitted = fire(shop, FAST), fire(with_receiver(shop, gallons * US_GALLON_M3), FAST)
    assert 95.0 * PSI_PA - fitted.minimum_pa < 0.5 * (95.0 * PSI_PA - bare.minimum_pa)


def test_a_wide_coupler_matters_more_than_a_metre_of_hose(shop: Line) -> None:
    """Common practice, no source. Judged by how soon the tool is full again."""
    wide = next(wide_couplers(shop)).line
    shorter = shop.with_part(1, length_m=(shop.parts[1].length_m or 0.0) - 1.0)
    now, gain_wide, gain_shorter = (single_shot(x).refilled_s for x in (shop, wide, shorter))
    assert now - gain_wide > now - gain_shorter
