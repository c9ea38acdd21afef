"""What a recording says of the weather at the intake: temperature, humidity, barometer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.open import session_or_file

LEAST_PA: Final = 5e4  # an absolute pressure between these is a barometer's
MOST_PA: Final = 1.2e5


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Medians over a recording; None where no channel tells.

    Attributes
    ----------
    temperature_k : float or None
        Of the air [K].
    humidity : float or None
        Relative [0..1].
    p_amb_pa : float or None
        Barometer [Pa abs].
    """

    temperature_k: float | None = None
    humidity: float | None = None
    p_amb_pa: float | None = None


def read_weather(what: str, *, home: Path | str | None = None) -> Weather:
    """Read the weather from a session or a CSV file; it needs no pressure of the line.

    Raises
    ------
    ValueError
        If there is nothing of that name, or it has neither a temperature nor a humidity.
    """
    found = session_or_file(what, home)
    if isinstance(found, Path):
        from logger.csv_in import read_csv

        frame = read_csv(found, name=found.stem, pressure_needed=False).readings
        columns = {str(c): frame[c].to_numpy(dtype=np.float64) for c in frame.columns}
    else:
        columns = {c.column: found.column_si(c.name)[1] for c in found.channels}
    weather = Weather(
        temperature_k=_median(columns, "_k"),
        humidity=_median(columns, "_rh"),
        p_amb_pa=_median({n: v for n, v in columns.items() if LEAST_PA < float(np.nanmedian(v)) < MOST_PA}, "_abs_pa"),
    )
    if weather.temperature_k is None or weather.humidity is None:
        lacks = "a temperature" if weather.temperature_k is None else "a humidity"
        msg = f"{what} has no channel that measures {lacks}; it has {', '.join(columns) or 'none'}. Both are needed for the weather."
        raise ValueError(msg)
    return weather


def _median(columns: dict[str, NDArray[np.float64]], suffix: str) -> float | None:
    found = next((values for name, values in columns.items() if name.endswith(suffix)), None)
    return None if found is None or not np.isfinite(found).any() else float(np.nanmedian(found))
