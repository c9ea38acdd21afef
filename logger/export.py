"""Write a recording to a file that other programs read: CSV or Parquet, time and pressures in the unit that was asked for."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analysis.constants import ZERO_CELSIUS_K
from analysis.units import Unit
from analysis.units import unit as find_unit
from logger.long import LongRecording
from logger.open import Recording


def export_recording(recording: Recording | LongRecording, path: Path | str, unit: str | None = None) -> int:
    """Write ``time_s`` and ``<channel>_<unit>`` for every pressure, and the temperature where there is one.

    Parameters
    ----------
    recording : Recording or LongRecording
        What `logger.open.open_what` returned, or a long session, which is written piece by piece.
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
    temporary = path.with_name(path.name + ".new")
    rows, schema = 0, None
    with contextlib.ExitStack() as stack:
        writer: Any = None
        for part in recording.parts():
            columns = _columns(part, u)
            if schema is None:
                schema = pa.schema([pa.field(name, pa.float64()) for name in columns])
                parquet = suffix == ".parquet"
                opened = pq.ParquetWriter(temporary, schema, compression="zstd") if parquet else _csv_writer(temporary, schema)
                writer = stack.enter_context(opened)
            # A missing reading is an empty cell.
            empty = np.full(part.t_s.size, np.nan)
            writer.write_table(pa.table([pa.array(columns.get(n, empty), from_pandas=True) for n in schema.names], schema=schema))
            rows += part.t_s.size
    temporary.replace(path)
    return rows


def _columns(recording: Recording, u: Unit) -> dict[str, NDArray[np.float64]]:
    columns: dict[str, NDArray[np.float64]] = {"time_s": np.round(recording.t_s, 6)}
    for name, p_pa in recording.pressures.items():
        # A millionth of the unit is far below any sensor, and spares the reader tails such as 93.20000000000002.
        columns[f"{name}_{u.name.lower()}"] = _rounded(p_pa / u.factor)
    if recording.temp_k is not None:
        columns[f"{recording.temperature}_degc"] = _rounded(recording.temp_k - ZERO_CELSIUS_K)
    return columns


@contextlib.contextmanager
def _csv_writer(path: Path, schema: pa.Schema) -> Iterator[pa_csv.CSVWriter]:
    with path.open("wb") as file:
        file.write((",".join(schema.names) + "\n").encode())  # pyarrow would quote the names
        with pa_csv.CSVWriter(file, schema, write_options=pa_csv.WriteOptions(include_header=False, quoting_style="none")) as writer:
            yield writer


def _rounded(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.round(values, 6)
