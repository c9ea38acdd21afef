"""How fast CSV files are read, beside pyarrow's own reader: ``python -m tests.benchmarks.bench_csv [rows]``.

Pyarrow gets the same bytes and is told delimiter and decimal sign; it finds no units, no torn lines, and no order in the times. Where it
cannot read a file at all, the table says so.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable, Iterator

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from logger.csv_in import read_csv


def kinds(rows: int) -> Iterator[tuple[str, bytes, str, str]]:
    """Yield name, content, delimiter and decimal sign of files of several kinds."""
    rng = np.random.default_rng(2)
    ticks = np.cumsum(rng.integers(900, 1101, rows))
    tool, supply = 650.0 + rng.normal(0.0, 1.0, rows), 790.0 + rng.normal(0.0, 1.0, rows)

    def written(header: str, *columns: np.ndarray, form: str) -> bytes:
        out = io.BytesIO()
        np.savetxt(out, np.column_stack(columns), fmt=form, header=header, comments="")
        return out.getvalue()

    plain = written("t_us,tool_kpa,supply_kpa", ticks % 2**32, tool, supply, form="%d,%.1f,%.2f")
    yield "plain, 32-bit microseconds", plain, ",", "."
    yield "line ends of Windows", plain.replace(b"\n", b"\r\n"), ",", "."
    torn = bytearray(plain)
    for at in rng.integers(100, len(plain) - 100, max(1, rows // 1000)).tolist():
        torn[at : torn.find(b"\n", at)] = b"\0" * max(0, torn.find(b"\n", at) - at)
    yield "one line in a thousand torn", bytes(torn).replace(b"\0", b""), ",", "."
    yield "one line in a thousand damaged", bytes(torn).replace(b"\0", b"x"), ",", "."
    point = written("Zeit (s);Leitung (bar)", ticks / 1e6, tool / 100.0, form="%.4f;%.4f")
    yield "semicolon and decimal comma", point.replace(b".", b","), ";", ","
    stamps = np.datetime_as_string(np.datetime64("2026-06-03T20:00:00", "ms") + (ticks // 1000).astype("timedelta64[ms]"))
    iso = "when,tool_bar\n" + "".join(f"{s},{p:.3f}\n" for s, p in zip(stamps.tolist(), (tool / 100.0).tolist(), strict=True))
    yield "ISO 8601 times", iso.encode(), ",", "."
    dotted = "when,tool_bar\n" + "".join(
        f"{s[8:10]}.{s[5:7]}.{s[:4]} {s[11:]},{p:.3f}\n" for s, p in zip(stamps.tolist(), (tool / 100.0).tolist(), strict=True)
    )
    yield "dd.mm.yyyy times", dotted.encode(), ",", "."
    quoted = "time_s,remark,tool_kpa\n" + "".join(
        f'{t:.4f},"a, b",{p:.1f}\n' for t, p in zip((ticks / 1e6).tolist(), tool.tolist(), strict=True)
    )
    yield "quoted remarks", quoted.encode(), ",", "."


def seconds(task: Callable[[], object]) -> float:
    """Best of three, wall clock."""
    best = float("inf")
    for _ in range(3):
        begun = time.perf_counter()
        task()
        best = min(best, time.perf_counter() - begun)
    return best


def with_pyarrow(data: bytes, delimiter: str, decimal: str) -> pa.Table | None:
    """Read with pyarrow alone; None where it cannot."""
    try:
        return pacsv.read_csv(
            pa.BufferReader(data),
            parse_options=pacsv.ParseOptions(delimiter=delimiter),
            convert_options=pacsv.ConvertOptions(decimal_point=decimal),
        )
    except pa.ArrowInvalid:
        return None


def main(rows: int) -> None:
    """Print a line for each kind of file."""
    print(f"{'file':<32}{'MB':>7}{'farend s':>10}{'pyarrow s':>11}{'ratio':>7}{'million lines/s':>17}{'bad':>7}")
    for name, data, delimiter, decimal in kinds(rows):
        got = read_csv(data)
        if not 0.998 * rows <= got.rows <= rows:
            msg = f"{name}: {got.rows} rows and {got.bad_count} bad lines of {rows} lines"
            raise RuntimeError(msg)
        ours = seconds(lambda data=data: read_csv(data))  # type: ignore[misc]
        able = with_pyarrow(data, delimiter, decimal) is not None
        theirs = seconds(lambda data=data, d=delimiter, c=decimal: with_pyarrow(data, d, c)) if able else float("nan")  # type: ignore[misc]
        beside = f"{theirs:>11.2f}{ours / theirs:>7.1f}" if able else f"{'cannot':>11}{'':>7}"
        print(f"{name:<32}{len(data) / 1e6:>7.0f}{ours:>10.2f}{beside}{rows / ours / 1e6:>17.1f}{got.bad_count:>7}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000)
