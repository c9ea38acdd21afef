"""Lines whose last number was cut, which is still a number: 65 of 659.2.

A lost cell is found by counting; a lost digit only by how the other lines look.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.csv_layout import Layout

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_USUAL: Final = 0.97  # share of lines with the same decimals from which fewer are odd; trailing zeros left out give 0.9
_ENOUGH: Final = 20  # lines, below which nothing is usual
_ZEROS: Final = 0.01  # share of last digits that are zero, from which zeros are not left out; by chance it is 0.1


def torn_lines(data: bytes, starts: Ints, ends: Ints, layout: Layout) -> Bools:
    """Find lines whose last number was cut.

    Parameters
    ----------
    data : bytes
        The text.
    starts, ends : ndarray of int, shape (n,)
        Where each line begins and ends (its line feed not counted); n > 0.
    layout : Layout
        How to read it.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for a torn line. Where nearly all lines show the same decimals, zeros among them, fewer decimals give it away. Where zeros
        at the end are left out, or in whole numbers, the cut number must also be the beginning of a neighbour's. At the end of a file
        without a line end, fewer digits than usual are enough.
    """
    a = np.frombuffer(data, dtype=np.uint8)
    n = starts.size
    torn = np.zeros(n, dtype=np.bool_)
    kind = layout.kinds[-1]
    delimiter = ord(layout.delimiter)
    for _ in range(8):  # padding is no digit
        padded = (a[np.maximum(ends - 1, 0)] == ord(" ")) & (ends > starts) & (delimiter != ord(" "))
        if not padded.any():
            break
        ends = ends - padded
    # "NaN" is whole; nothing at all, a digit or a decimal sign may be where a line was cut.
    open_end = np.isin(a[np.maximum(ends - 1, 0)], np.frombuffer(b"0123456789.,-+;|\t ", dtype=np.uint8))
    if kind in {"datetime", "dashed", "clock", "short clock", "packed"}:
        _, length = _last_cells(a, starts, ends, 0, delimiter)
        usual, share = _mode(length)
        return (length < usual) & open_end if share >= _USUAL and n >= _ENOUGH else torn
    if kind != "number":
        return torn
    sign = ord(layout.decimal)
    few = np.linspace(0, n - 1, min(n, 1000)).astype(np.int64)
    usual, share = _mode(_last_cells(a, starts[few], ends[few], sign, delimiter)[0])
    if usual > 0:
        odd = _not_at(a, starts, ends, usual, sign, delimiter) if share >= 0.9 else np.arange(n)
        if odd.size <= (1.0 - _USUAL) * n and n >= _ENOUGH:
            fewer = odd[_last_cells(a, starts[odd], ends[odd], sign, delimiter)[0] < usual]
            fewer = fewer[open_end[fewer]]
            if (a[ends[few] - 1] == ord("0")).mean() >= _ZEROS:
                torn[fewer] = True
            else:
                torn[[k for k in fewer.tolist() if _begins_neighbour(data, starts, ends, k, delimiter)]] = True
    else:
        shorter = np.flatnonzero(_shorter(_last_cells(a, starts, ends, sign, delimiter)[1]))
        torn[[k for k in shorter.tolist() if _begins_neighbour(data, starts, ends, k, delimiter)]] = True
    if data[-1:] != b"\n" and n > 2:
        last = np.arange(max(0, n - 1000), n)
        decimals, _ = _last_cells(a, starts[last], ends[last], sign, delimiter)
        if usual > 0:
            torn[-1] |= decimals[-1] < int(decimals[:-1].max())
        else:
            torn[-1] |= _begins_neighbour(data, starts, ends, n - 1, delimiter)
    return torn


def _not_at(a: NDArray[np.uint8], starts: Ints, ends: Ints, decimals: int, sign: int, delimiter: int) -> Ints:
    """Return the lines whose decimal sign is not at its usual place; the quick look that is enough for a whole file."""
    odd = (a[np.maximum(ends - 1 - decimals, 0)] != sign) | (ends - starts <= decimals)
    for back in range(1, decimals + 1):
        odd |= a[np.maximum(ends - back, 0)] == delimiter
    return np.flatnonzero(odd)


def _shorter(length: Ints) -> Bools:
    """Whole numbers shorter than both neighbours, which have three digits or more and are alike in length."""
    found = np.zeros(length.size, dtype=np.bool_)
    before, here, after = length[:-2], length[1:-1], length[2:]
    found[1:-1] = (here < before) & (here < after) & (before >= 3) & (after >= 3) & (np.abs(before - after) <= 1)
    return found


def _begins_neighbour(data: bytes, starts: Ints, ends: Ints, at: int, delimiter: int) -> bool:
    """Whether the last cell of a line is the beginning, and not the whole, of the one before or after it."""
    cells = [data[starts[k] : ends[k]].rsplit(bytes([delimiter]), 1)[-1].strip() for k in (at, at - 1, at + 1) if 0 <= k < starts.size]
    return any(len(other) > len(cells[0]) and other.startswith(cells[0]) for other in cells[1:])


def _last_cells(a: NDArray[np.uint8], starts: Ints, ends: Ints, sign: int, delimiter: int) -> tuple[Ints, Ints]:
    """Measure the last cell of each line: decimals (-1 without a decimal sign) and length in characters."""
    n = starts.size
    decimals = np.full(n, -1, dtype=np.int64)
    length = ends - starts
    open_lines = np.arange(n)
    for back in range(1, 41):
        at = ends[open_lines] - back
        inside = at >= starts[open_lines]
        open_lines, at = open_lines[inside], at[inside]
        if not open_lines.size:
            break
        byte = a[at]
        point = byte == sign
        decimals[open_lines[point]] = back - 1
        stop = byte == delimiter
        length[open_lines[stop]] = back - 1
        open_lines = open_lines[~stop]
    return decimals, length


def _mode(values: Ints) -> tuple[int, float]:
    found, counts = np.unique(values, return_counts=True)
    best = int(counts.argmax())
    return int(found[best]), float(counts[best]) / values.size
