"""A small home folder for the tests of the pages, made of invented readings."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from logger.channel import Channel
from logger.session import save_session

BEFORE, AFTER, NIGHT = "deck before", "deck after", "night"
LINES = Path(__file__).parents[2] / "sample_data"


def make_home(home: Path) -> Path:
    """Fill a folder with two nailing sessions, a leak-down with temperature, and the two invented lines."""
    started = datetime(2026, 6, 3, 7, 12, tzinfo=UTC)
    for i, (name, tau_s, dip_kpa) in enumerate(((BEFORE, 0.5, 70.0), (AFTER, 0.2, 40.0))):
        t_s, kpa = nailing(tau_s, dip_kpa, np.random.default_rng(i))
        save_session(
            home,
            name,
            started=started + timedelta(hours=i),
            channels=[Channel(name="tool", unit="kPa")],
            raw={"time_s": t_s, "tool": kpa},
            notes="<b>invented</b>",
        )
    rng = np.random.default_rng(9)
    t_s = np.arange(0.0, 8 * 3600.0, 10.0)
    degc = 20.0 - 4.0 * (1.0 - np.exp(-t_s / 9000.0))
    kpa = 801.3 * (degc + 273.15) / 293.15 * np.exp(-t_s / 4e5) - 101.3 + rng.normal(0.0, 0.2, t_s.size)
    save_session(
        home,
        NIGHT,
        started=started + timedelta(hours=12),
        channels=[Channel(name="tank", unit="kPa"), Channel(name="wall", unit="degC")],
        raw={"time_s": t_s, "tank": kpa, "wall": np.round(degc, 1)},
    )
    (home / "lines").mkdir()
    for file in LINES.glob("*.toml"):
        shutil.copy(file, home / "lines")
    return home


def nailing(tau_s: float, dip_kpa: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Twelve shots three seconds or more apart, each a quick fall and an exponential way back: times [s] and pressure [kPa]."""
    fired = 3.0 + np.cumsum(rng.uniform(2.8, 3.6, 12))
    t_s = np.arange(0.0, fired[-1] + 5.0, 1.0 / 250.0)
    kpa = 640.0 + rng.normal(0.0, 0.6, t_s.size)
    for at in fired:
        since = t_s[t_s >= at] - at
        kpa[t_s >= at] -= dip_kpa * np.clip(since / 0.04, 0.0, 1.0) * np.exp(-np.clip(since - 0.04, 0.0, None) / tau_s)
    return t_s, np.round(kpa * 4.0) / 4.0
