"""What goes on behind the pages: it lets requests go first, says why it failed, and is remembered for a while."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable
from typing import Any

import pytest

import dashboard.underway
from dashboard.underway import Answering, Job, Jobs


def test_a_job_waits_while_a_request_is_answered_but_not_for_one_that_waits_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboard.underway, "YIELD_S", 3600.0)
    monkeypatch.setattr(dashboard.underway, "DRAWN_S", 0.0)
    jobs, stood_back, went_on = Jobs(), threading.Event(), threading.Event()

    def make(job: Job[int]) -> int:
        stood_back.set()
        job.stand_back()
        went_on.set()
        return 7

    with jobs.answering:
        jobs.job("one", make)
        assert stood_back.wait(60.0)
        assert not went_on.is_set()
    assert went_on.wait(60.0)
    with jobs.answering:
        assert jobs.job("two", make).result() == 7
        assert jobs.job("three", make).ends_within(60.0)


def test_a_job_lets_the_browser_draw_the_last_answer_unless_somebody_waits_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboard.underway, "DRAWN_S", 3600.0)
    jobs, stood_back = Jobs(), threading.Event()

    def make(job: Job[int]) -> int:
        stood_back.set()
        job.stand_back()
        return 7

    with jobs.answering:
        pass
    job = jobs.job("one", make)
    assert stood_back.wait(60.0)
    assert not job.ended
    assert job.result() == 7


def test_requests_are_counted_while_they_are_answered() -> None:
    answering, seen = Answering(), []

    def application(environ: Any, start: Any) -> Iterable[bytes]:
        del environ, start
        seen.append(answering.now)
        if len(seen) > 1:
            raise KeyError
        return [b"done"]

    counted = answering.counting(application)
    assert [*counted({}, lambda *_: lambda _: None)] == [b"done"]
    with pytest.raises(KeyError):
        counted({}, lambda *_: lambda _: None)
    assert seen == [1, 1]
    assert answering.now == 0


def test_a_job_that_fails_says_why(caplog: pytest.LogCaptureFixture) -> None:
    def refuse(_: Job[None]) -> None:
        msg = "too few readings"
        raise ValueError(msg)

    def fail(_: Job[None]) -> None:
        raise KeyError

    with pytest.raises(ValueError, match="too few readings"):
        Jobs().job("one", refuse).result()
    with caplog.at_level(logging.CRITICAL, "farend"), pytest.raises(ValueError, match="the terminal in which farend runs says why"):
        Jobs().job("two", fail).result()


def test_a_job_is_begun_once_and_the_last_few_are_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboard.underway, "KEPT", 2)
    jobs, begun = Jobs(), []

    def of(number: int) -> Job[None]:
        return jobs.job(number, lambda _: begun.append(number))

    first = of(1)
    assert of(1) is first is jobs.named(first.name)
    of(2)
    of(3)
    assert jobs.named(first.name) is None
    of(1).result()
    of(3).result()
    assert sorted(begun) == [1, 1, 2, 3]


def test_a_job_is_stopped_where_it_stands_back_with_what_it_waits_for_and_begun_again_when_asked_for() -> None:
    jobs, waits, free = Jobs(), threading.Event(), threading.Event()

    def look(job: Job[int]) -> int:
        free.wait(60.0)
        job.stand_back()
        return 7

    def answer(job: Job[int]) -> int:
        job.waits_for = jobs.job("look", look)
        waits.set()
        return job.waits_for.result()

    job = jobs.job("answer", answer)
    assert waits.wait(60.0)
    job.stop()
    free.set()
    for each in (job, jobs.named(job.waits_for.name if job.waits_for else "")):
        assert each is not None
        with pytest.raises(ValueError, match="stopped before there was an answer"):
            each.result()
        assert each.stopped
    again = jobs.job("answer", answer)
    assert again is not job
    assert again.result() == 7
    again.stop()
    assert not again.stopped
    assert jobs.job("answer", answer) is again
