"""Results that are worked out once and kept a while."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, TypeVar

from logger.long import LONG

T = TypeVar("T")
KEPT = 60  # results held in memory
RECORDINGS_KEPT = 4  # recordings among them; an hour at 1 kHz is about 60 MB
WHOLE_MOST = 3 * LONG  # readings of all that are held together
LONG_KEPT = 4  # long sessions of which the overview and a few row groups are held


class Once:
    """Makes a value, or hands out the one that was made before from the same key; who asks meanwhile waits for that one alone.

    A key begins with what the value is; "recording" and "long" are large, so few of them stay.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self._making: dict[tuple[Any, ...], threading.Lock] = {}
        self._lock = threading.Lock()

    def __call__(self, key: tuple[Any, ...], make: Callable[[], T]) -> T:
        """Hand out the value of a key, made where it is not kept."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            turn = self._making.setdefault(key, threading.Lock())
        with turn:
            with self._lock:
                if key in self._kept:
                    return self._kept[key]
            value = make()
            with self._lock:
                self._kept[key] = value
                self._making.pop(key, None)
                self._drop_oldest()
        return value

    def _drop_oldest(self) -> None:
        """Forget what was not asked for in a while."""
        readings = 0
        for place, key in enumerate(reversed([key for key in self._kept if key[0] == "recording"])):
            readings += self._kept[key].t_s.size
            if place and (place >= RECORDINGS_KEPT or readings > WHOLE_MOST):
                del self._kept[key]
        for key in [key for key in self._kept if key[0] == "long"][:-LONG_KEPT]:
            del self._kept[key]
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)
