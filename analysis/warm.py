"""Compile the detector and the line model now, so that nobody waits for it at the first command: ``python -m analysis.warm``.

Compiled code is kept beside the package, or in the user's cache folder. Where neither can be written this is of no use, and does no harm.
"""

from __future__ import annotations

import numpy as np

from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.shots import find_shots
from analysis.slow_drift import widening

LINE = """
[compressor]
tank = "50 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "200 L/min"
[[part]]
kind = "hose"
length = "20 m"
bore = "9 mm"
[[part]]
kind = "tool"
air_per_shot = "1.5 L"
"""


def warm() -> None:
    """Simulate a few shots of an invented line and find them again, as a slow sensor would show them; and some on a
    receiver, in noise and rounded; and look for a drift, as before and after does.
    """
    rng = np.random.default_rng(1)
    run = simulate(parse_line(LINE), [2.0, 4.0, 6.0], duration_s=8.0)
    find_shots(run.t_s, run.tool_pa + rng.normal(0.0, 500.0, run.t_s.size), lag_s=2e-3)
    t = np.arange(0.0, 32.0, 0.01)
    onsets = [*np.arange(3.0, 28.0, 3.0), *np.arange(28.0, 29.0, 0.25)]
    fallen = np.sum([1.0 - np.exp(-((np.maximum(t - s, 0.0) / 0.08) ** 1.4)) for s in onsets], axis=0)
    p = 6e5 - 4000.0 * fallen
    find_shots(t, p + rng.normal(0.0, 500.0, t.size))
    find_shots(t, 3e3 * np.round((p + rng.normal(0.0, 500.0, t.size)) / 3e3))
    widening(t[:20], rng.normal(size=20))


if __name__ == "__main__":
    warm()
