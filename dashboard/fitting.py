"""Fits of a line to a session, each in a process of its own: the pages go on answering meanwhile, and a fit can be stopped."""

from __future__ import annotations

import atexit
import contextlib
import os
import pickle
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.fit import LineFit
    from analysis.line import Line

KEPT: Final = 12  # fits that are remembered
NICER: Final = 5  # how much a fit stands back behind the pages

Kind = Literal["none", "running", "done", "refused", "stopped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FitState:
    """How a fit stands: for how long it has run [s], its result once done, or why there is none."""

    kind: Kind
    took_s: float = 0.0
    fit: LineFit | None = None
    why: str = ""


LOST: Final = "The fit ended without an answer. Start it again; if it ends so again, the terminal in which farend runs says why."


class _Job:
    """One fit under way; a thread waits for its answer."""

    def __init__(self, question: bytes) -> None:
        self.state = FitState(kind="running")
        self._began_s = time.monotonic()
        # Where this farend finds its packages, the fit finds them too.
        there = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.fitting"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=there
        )
        self._thread = threading.Thread(target=self._wait, args=(question,), daemon=True)
        self._thread.start()

    def _wait(self, question: bytes) -> None:
        said, _ = self._process.communicate(question)
        took = time.monotonic() - self._began_s
        if self.state.kind != "running":
            return
        try:
            kind, told = pickle.loads(said)  # our own process wrote it
        except (pickle.UnpicklingError, EOFError, ValueError):
            kind, told = "refused", LOST
        self.state = FitState(kind="done", took_s=took, fit=told) if kind == "done" else FitState(kind="refused", took_s=took, why=told)

    def look(self) -> FitState:
        """Say how it stands."""
        running = self.state.kind == "running"
        return FitState(kind="running", took_s=time.monotonic() - self._began_s) if running else self.state

    def stop(self) -> None:
        """End it, if it is under way."""
        if self.state.kind == "running":
            self.state = FitState(kind="stopped")
            self._process.terminate()


class Fittings:
    """The fits of one dashboard."""

    def __init__(self) -> None:
        self._jobs: OrderedDict[Hashable, _Job] = OrderedDict()
        self._lock = threading.Lock()
        atexit.register(self.stop_all)

    def start(
        self,
        key: Hashable,
        t_s: NDArray[Any],
        pressures: Mapping[str, NDArray[Any]],
        line: Line,
        marks: Sequence[Mapping[str, Any]],
    ) -> None:
        """Begin a fit, unless this very one is under way or has ended by itself; another that is under way is stopped."""
        with self._lock:
            old = self._jobs.get(key)
            if old is not None and old.look().kind != "stopped":
                return
            for job in self._jobs.values():
                job.stop()
            self._jobs[key] = _Job(pickle.dumps((t_s, dict(pressures), line, list(marks))))
            self._jobs.move_to_end(key)
            while len(self._jobs) > KEPT:
                self._jobs.popitem(last=False)

    def state(self, key: Hashable) -> FitState:
        """Say how a fit stands."""
        with self._lock:
            job = self._jobs.get(key)
            return FitState(kind="none") if job is None else job.look()

    def stop(self, key: Hashable) -> None:
        """Stop a fit that is under way."""
        with self._lock:
            if key in self._jobs:
                self._jobs[key].stop()

    def stop_all(self) -> None:
        """Stop every fit that is under way."""
        with self._lock:
            for job in self._jobs.values():
                job.stop()


def main() -> None:
    """Fit, in a process of its own: the question comes in at stdin, what came of it goes out at stdout."""
    from analysis.fit import fit_line

    with contextlib.suppress(OSError, AttributeError):  # not every system has it
        os.nice(NICER)
    out, sys.stdout = sys.stdout, sys.stderr  # nothing else may get into the answer
    t_s, pressures, line, marks = pickle.load(sys.stdin.buffer)
    said: tuple[str, LineFit | str]
    try:
        said = ("done", fit_line(t_s, pressures, line, marks))
    except ValueError as refusal:
        said = ("refused", str(refusal))
    out.buffer.write(pickle.dumps(said))
    out.flush()


if __name__ == "__main__":
    main()
