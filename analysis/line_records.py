"""The records in which a line is given to the compiled solver (`analysis.network`). Pressures are absolute.

A record that changes is another type to numba, whose cache then compiles afresh.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

Record = Any  # one of those below; compiled code reads its fields as attributes


def _fields(names: str, whole: str = "", cells: str = "") -> np.dtype[np.void]:
    """Make a kind of record: its real numbers, after its whole ones and its numbers of cells, which are never negative."""
    kinds = [(cells, np.uint64), (whole, np.int64), (names, np.float64)]
    return np.dtype([(name, kind) for words, kind in kinds for name in words.split()], align=True)


# A field by name compiles in a fifth of the time that an element of a table takes.
VOLUME: Final = _fields("m3 wall_w_per_k wall_temp_k")
# Its cells, with room for a ghost before and after. Friction and heat are multiples of the usual.
HOSE: Final = _fields("dx_m area_m2 bore_m rough_m wall_temp_k friction heat", cells="first end")
# k = C rho0 sqrt(T0) [kg K^0.5/(s Pa)]; set point [Pa abs]; lag: time constant. While it runs: how far the valve is open, and the part of
# its way that it moves within a step.
ELEMENT: Final = _fields("k b set_pa droop_pa lag_s open moves", whole="kind")
DRAIN: Final = _fields("from_s until_s k b opens_s", whole="store")  # half open, half shut; the time that it takes to open or to shut
PUMP: Final = _fields("kg_per_s cut_in_pa cut_out_pa temp_k clearance", whole="runs")  # at no overpressure; whether it runs at the start
SHOT: Final = _fields("kg reference_pa lasts_s")  # mass at the reference pressure [Pa abs]

# What changes while a line runs. A store is a hose, of which it names the record, or (-1) a volume: its air, and the mass flow that leaves
# it by drains, leaks and shots [kg/s].
STORE: Final = _fields("m3 wall_w_per_k wall_temp_k kg energy_j temp_k loss", whole="hose")
# An end of a store: pressure after this step and the last, at a hose with density and speed; its half-time state; and what it offers to its
# link: pressure at no flow, impedance, factor of the dynamic pressure, stagnation temperature.
SIDE: Final = _fields("now_pa before_pa density speed half_density half_pa p_pa z k temp_k")
# A link between two stores: its elements, mass flow, what that is likely to be a step on, and the stagnation temperature that it brings.
# There is a shut one at either end of the line, so that each store has the joint of its own number before it, and the next behind it.
JOINT: Final = _fields("q guess temp_k", whole="first last")
PROBE: Final = _fields("weight now_pa before_pa", cells="cell")  # a cell, and the weight of the next one; pressure there
BOOKS: Final = _fields("kg_in kg_out j_in j_out j_walls")  # air and energy that came in and went out, heat from the walls
# Strength of the memory of wall shear and of wall heat; the fastest wave allowed for; how the four terms of shear, then those of heat, fade
# and grow within a step.
MEMORY: Final = np.dtype([("shear", float), ("heat", float), ("fastest", float), ("fade", float, 8), ("grow", float, 8)], align=True)
