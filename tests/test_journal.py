"""The journal: whatever happens to the file, the intact batches are found and nothing else."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.journal import JournalWriter, Salvage, read_journal

ROWS = 50


def _journal(path: Path, batches: int = 20) -> bytes:
    _written(path, batches).close()
    return path.read_bytes()


def _written(path: Path, batches: int = 20) -> JournalWriter:
    writer = JournalWriter(path, ["time_s", "tool"])
    for i in range(batches):
        k = np.arange(i * ROWS, (i + 1) * ROWS, dtype=np.float64)
        writer.write([k / 100.0, 600.0 + np.sin(k)])
    return writer


def _check(path: Path) -> tuple[list[int], Salvage]:
    """Return the numbers of the batches found, having compared every value."""
    salvage, found = Salvage(), []
    for batch in read_journal(path, salvage):
        k = np.round(batch["time_s"] * 100.0)
        number = int(k[0]) // ROWS
        assert k.tolist() == list(range(number * ROWS, (number + 1) * ROWS))
        assert np.array_equal(batch["tool"], 600.0 + np.sin(k))
        found.append(number)
    assert salvage.batches == len(found)
    assert salvage.rows == ROWS * len(found)
    return found, salvage


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return _journal(tmp_path_factory.mktemp("journal") / "readings.arrows")


def test_what_is_written_is_read_also_while_the_writer_goes_on(tmp_path: Path) -> None:
    _journal(tmp_path / "a.arrows")
    assert _check(tmp_path / "a.arrows") == (list(range(20)), Salvage(rows=1000, batches=20, damaged=0))
    writer = _written(tmp_path / "b.arrows")
    assert _check(tmp_path / "b.arrows")[0] == list(range(20))
    writer.close()


def test_missing_readings_stay_missing(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.arrows", ["time_s", "tool"])
    writer.write([np.array([0.0, 1.0]), np.array([np.nan, 5.0])])
    (batch,) = read_journal(tmp_path / "a.arrows")
    assert np.array_equal(batch["tool"], [np.nan, 5.0], equal_nan=True)
    writer.close()


def test_an_existing_journal_is_never_written_over(tmp_path: Path) -> None:
    _journal(tmp_path / "a.arrows")
    with pytest.raises(FileExistsError, match=r"a\.arrows"):
        JournalWriter(tmp_path / "a.arrows", ["time_s"])


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(data=st.data())
def test_a_torn_tail_costs_only_the_torn_batch(journal: bytes, tmp_path: Path, data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(journal)))
    path = tmp_path / "torn.arrows"
    path.write_bytes(journal[:cut])
    found, salvage = _check(path)
    size = (len(journal) - 300) / 20
    assert found == list(range(len(found)))
    assert len(found) >= min(20, int((cut - 600) / size))
    assert salvage.damaged == 0


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(data=st.data())
def test_damage_costs_only_the_batches_it_touches(journal: bytes, tmp_path: Path, data: st.DataObject) -> None:
    start = data.draw(st.integers(600, len(journal) - 1))
    noise = data.draw(st.one_of(st.binary(min_size=1, max_size=200), st.builds(bytes, st.integers(1, 4000))))
    path = tmp_path / "damaged.arrows"
    damaged = journal[:start] + noise + journal[start + len(noise) :]
    path.write_bytes(damaged[: len(journal)])
    found, salvage = _check(path)
    size = (len(journal) - 300) / 20
    assert len(found) >= 20 - 2 - int(len(noise) / size)
    assert found == sorted(found)
    if len(found) < 20 and found and found[-1] == 19:
        assert salvage.damaged == 1


@pytest.mark.parametrize("tail", [8, 4096, 3_000_000])
def test_a_zero_filled_tail_is_a_quiet_end(journal: bytes, tmp_path: Path, tail: int) -> None:
    path = tmp_path / "zeros.arrows"
    path.write_bytes(journal + bytes(tail))
    found, salvage = _check(path)
    assert found == list(range(20))
    assert salvage.damaged == 0


@pytest.mark.parametrize("content", [b"", b"\xff\xff\xff\xff", b"hello" * 100, bytes(5000)])
def test_a_file_that_is_no_journal_holds_nothing(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "none.arrows"
    path.write_bytes(content)
    assert _check(path)[0] == []


def test_a_failed_write_leaves_the_journal_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "full.arrows"
    writer = JournalWriter(path, ["time_s", "tool"])
    k = np.arange(ROWS, dtype=np.float64)
    writer.write([k / 100.0, 600.0 + np.sin(k)])

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("logger.journal._datasync", full)
        with pytest.raises(OSError, match="No space left"):
            writer.write([k + 1.0, k])
    writer.close()
    assert _check(path) == ([0], Salvage(rows=ROWS, batches=1, damaged=0))


@pytest.mark.skipif(os.name != "posix", reason="limits on a file's size are POSIX's")
@pytest.mark.parametrize("limit", [20_000, 20_001, 20_517])
def test_a_write_that_a_full_disk_takes_in_part_is_a_failure(tmp_path: Path, limit: int) -> None:
    path = tmp_path / "full.arrows"
    code = (
        f"import resource, numpy as np; resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))\n"
        "from pathlib import Path\nfrom logger.journal import JournalWriter\n"
        f"writer, written = JournalWriter(Path({os.fspath(path)!r}), ['time_s', 'tool']), 0\n"
        "try:\n    while True:\n        writer.write([written + np.arange(37.0), np.full(37, 600.0)]); written += 37\n"
        "except OSError:\n    writer.close()\n    print(written)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    kept = np.concatenate([b["time_s"] for b in read_journal(path)])
    assert kept.tolist() == list(range(int(done.stdout)))
