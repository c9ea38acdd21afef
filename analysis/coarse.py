"""Whether a sensor is coarse: its noise smears the steps of its resolution, or a fall is of so few steps that each reading counts."""

from __future__ import annotations

from analysis.jit import jit

DITHER = 0.46  # steps; noise from so much on smears them
NEAR_STEPS, HIDDEN = 3.0, 1.0  # and noise of so many steps is hardly rounded


def smears(noise_pa: float, resolution_pa: float) -> bool:
    """Whether noise smears the steps of the resolution."""
    return noise_pa >= DITHER * resolution_pa


@jit
def near_a_step(size_pa: float, noise_pa: float, resolution_pa: float) -> bool:
    """Whether a fall is of few steps of the resolution, of which noise leaves something to see."""
    return size_pa < NEAR_STEPS * resolution_pa and noise_pa < HIDDEN * resolution_pa
