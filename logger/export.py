"""Write a recording to a file that other programs read: CSV or Parquet, time and pressures in the unit that was asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analysis.constants import ZERO_CELSIUS_K
from analysis.units import unit as find_unit
from logger.open import Recording


def export_recording(recording: Recording, path: Path | str, unit: str | None = None) -> int:
    """Write ``time_s`` and ``<channel>_<unit>`` for every pressure, and the temperature where there is one.

    Parameters
    ----------
    recording : Recording
        What `logger.open.open_what` returned.
    path : path
        Ends in .csv or .parquet; an existing file is replaced only when the new one is complete.
    unit : str, optional
        Unit of the gauge pressures; kPa by default.

    Returns
    -------
    int
        Readings written.

    Raises
    ------
    ValueError
        If the ending or the unit is none of these.
    """
    path = Path(path)
    u = find_unit(unit or "kPa")
    if u.quantity != "pressure":
        msg = f"{u.name} is a unit of {u.quantity}; pressures are written in Pa, kPa, MPa, bar, mbar or psi."
        raise ValueError(msg)
    suffix = path.suffix.lower()
    if suffix not in {".csv", ".parquet"}:
        msg = f"{path}: the name must end in .csv or .parquet, to say which is wanted."
        raise ValueError(msg)
    columns: dict[str, NDArray[np.float64]] = {"time_s": np.round(recording.t_s, 6)}
    for name, p_pa in recording.pressures.items():
        # A millionth of the unit is far below any sensor, and spares the reader tails such as 93.20000000000002.
        columns[f"{name}_{u.name.lower()}"] = _rounded(p_pa / u.factor)
    if recording.temp_k is not None:
        columns[f"{recording.temperature}_degc"] = _rounded(recording.temp_k - ZERO_CELSIUS_K)
    table = pa.table({n: pa.array(v, from_pandas=True) for n, v in columns.items()})  # a missing reading is an empty cell
    temporary = path.with_name(path.name + ".new")
    if suffix == ".csv":
        with temporary.open("wb") as file:
            file.write((",".join(table.column_names) + "\n").encode())  # pyarrow would quote the names
            pa_csv.write_csv(table, file, pa_csv.WriteOptions(include_header=False, quoting_style="none"))
    else:
        pq.write_table(table, temporary, compression="zstd")
    temporary.replace(path)
    return table.num_rows


def _rounded(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.round(values, 6)
