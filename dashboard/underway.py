"""What is worked out behind the pages, in threads that stand back while a page is answered, and can be asked how far they are."""

from __future__ import annotations

import itertools
import logging
import math
import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

T = TypeVar("T")

KEPT: Final = 16  # jobs that are remembered
YIELD_S: Final = 0.25  # longest that a job waits for a request to be answered
DRAWN_S: Final = 0.1  # in which a browser draws what it was answered
STOPPED: Final = "This was stopped before there was an answer."
LOST: Final = "What was worked out here ended without an answer; the terminal in which farend runs says why."


class StillWorkingError(Exception):
    """Raised where an answer is still being worked out.

    Attributes
    ----------
    job : Job
        What is under way.
    """

    def __init__(self, job: Job[Any]) -> None:
        super().__init__()
        self.job = job


class Answering:
    """Counts the requests that are being answered now, so that a job can let them go first."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._answered_s = -math.inf
        self.now = 0

    def __enter__(self) -> None:
        with self._changed:
            self.now += 1

    def __exit__(self, *_: object) -> None:
        with self._changed:
            self.now -= 1
            self._answered_s = time.monotonic()
            self._changed.notify_all()

    def wait(self, unless: Callable[[], object]) -> None:
        """Wait until no request is being answered and the last answer is drawn, but not for long; not at all once this is so."""
        with self._changed:
            self._changed.wait_for(lambda: not self.now or unless(), YIELD_S)
            self._changed.wait_for(unless, max(self._answered_s + DRAWN_S - time.monotonic(), 0.0))

    def look_again(self) -> None:
        """Have those who wait look whether it is so."""
        with self._changed:
            self._changed.notify_all()

    def counting(self, application: WSGIApplication) -> WSGIApplication:
        """Count what this application answers."""

        def answer(environ: WSGIEnvironment, start: StartResponse) -> Iterable[bytes]:
            with self:
                return application(environ, start)

        return answer


class Job(Generic[T]):
    """One piece of work, begun at once.

    Parameters
    ----------
    make : callable
        Does it; is given the job, to tell how much is `done` and to `stand_back` now and then.
    answering : Answering
        What goes first.

    Attributes
    ----------
    name : str
        By which a page asks for it again.
    done : float or None
        How much is done, 0..1, where that is known.
    waits_for : Job or None
        Another job that it cannot go on without.
    """

    _numbers: Final = itertools.count()

    def __init__(self, make: Callable[[Job[T]], T], answering: Answering) -> None:
        self.name = f"{os.getpid()}-{next(self._numbers)}"
        self.done: float | None = None
        self.waits_for: Job[Any] | None = None
        self._make, self._answering = make, answering
        self._made: list[T] = []
        self._problem = ""
        self._waiting: list[int] = []  # threads that wait for it
        self._stopped = False
        self._ended = threading.Event()
        threading.Thread(target=self._run, daemon=True).start()

    @property
    def share(self) -> float | None:
        """How much is done, 0..1, of this or of what it waits for; None where that is not known."""
        return self.done if self.waits_for is None else self.waits_for.share

    @property
    def ended(self) -> bool:
        """Whether there is a result, or a reason for none."""
        return self._ended.is_set()

    @property
    def stopped(self) -> bool:
        """Whether it was stopped before there was a result."""
        return self._stopped and not self._made

    def stop(self) -> None:
        """End it the next time that it stands back, and what it waits for."""
        self._stopped = True
        self._answering.look_again()
        if self.waits_for is not None:
            self.waits_for.stop()

    def ends_within(self, wait_s: float | None = None) -> bool:
        """Tell whether it has ended, or does so within this time [s]; meanwhile it does not stand back."""
        self._waiting.append(threading.get_ident())
        self._answering.look_again()
        try:
            return self._ended.wait(wait_s)
        finally:
            self._waiting.remove(threading.get_ident())

    def result(self) -> T:
        """Wait for what is made.

        Raises
        ------
        ValueError
            If it could not be made; the message says why.
        """
        self.ends_within()
        if not self._made:
            raise ValueError(self._problem)
        return self._made[0]

    def stand_back(self) -> None:
        """Let the requests go first that are being answered, unless one of them waits for this.

        Raises
        ------
        ValueError
            If it was stopped.
        """
        self._answering.wait(unless=lambda: self._waiting or self._stopped)
        if self._stopped:
            raise ValueError(STOPPED)

    def _run(self) -> None:
        try:
            self._made.append(self._make(self))
        except (ValueError, OSError) as problem:
            self._problem = str(problem)
        except Exception:
            logging.getLogger("farend").exception("a job behind the pages failed")
            self._problem = LOST
        finally:
            self._ended.set()


class Jobs:
    """The jobs of one dashboard: each is begun once, and the last few are remembered."""

    def __init__(self) -> None:
        self.answering = Answering()
        self._jobs: OrderedDict[Hashable, Job[Any]] = OrderedDict()
        self._lock = threading.Lock()

    def job(self, key: Hashable, make: Callable[[Job[T]], T], *, again: bool = True) -> Job[T]:
        """The job of this key; begun when it is first asked for, and `again` when it was stopped."""
        with self._lock:
            if key not in self._jobs or (again and self._jobs[key].stopped):
                self._jobs[key] = Job(make, self.answering)
            self._jobs.move_to_end(key)
            while len(self._jobs) > KEPT:
                self._jobs.popitem(last=False)
            return self._jobs[key]

    def named(self, name: str) -> Job[Any] | None:
        """The job that a page knows by this name; None if it is forgotten."""
        with self._lock:
            return next((job for job in self._jobs.values() if job.name == name), None)
