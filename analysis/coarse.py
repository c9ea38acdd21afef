"""Whether a sensor is coarse: its noise smears the steps of its resolution, or a fall of few steps shows as those alone."""

from __future__ import annotations

DITHER = 0.46  # steps; noise from so much on smears them
NEAR_STEPS = 3.0


def smears(noise_pa: float, resolution_pa: float) -> bool:
    """Whether noise smears the steps of the resolution."""
    return noise_pa >= DITHER * resolution_pa


def near_a_step(size_pa: float, noise_pa: float, resolution_pa: float) -> bool:
    """Whether a fall is of few steps of the resolution, which noise does not smear."""
    return size_pa < NEAR_STEPS * resolution_pa and not smears(noise_pa, resolution_pa)
