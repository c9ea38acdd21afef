"""A session as one zip file: what is packed comes back whole, and nothing else comes in with it."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from logger import pack as pack_module
from logger.kept import find_session, list_sessions
from logger.pack import pack, unpack
from logger.session import append_mark
from tests.browser.home import BEFORE, make_home


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_home(tmp_path_factory.mktemp("pack"))


@pytest.fixture(scope="module")
def packed(home: Path) -> bytes:
    session = find_session(home, BEFORE)
    append_mark(session.folder, {"time_s": 4.0, "kind": "note", "text": "rain"})
    file = io.BytesIO()
    pack(session, file)
    return file.getvalue()


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        for name, data in files.items():
            z.writestr(name, data)
    return out.getvalue()


def entries(packed: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(packed)) as z:
        return {name.rpartition("/")[2]: z.read(name) for name in z.namelist()}


def test_what_is_packed_comes_back_as_it_was(home: Path, packed: bytes, tmp_path: Path) -> None:
    before, after = find_session(home, BEFORE), unpack(tmp_path, packed)
    assert (after.folder.name, after.notes, after.started, after.marks) == (before.folder.name, before.notes, before.started, before.marks)
    for column in before.raw:
        np.testing.assert_array_equal(after.raw[column], before.raw[column])
    assert unpack(tmp_path, packed).folder.name == f"{BEFORE} 2"


@pytest.mark.parametrize("folder", ["../../", "/etc/", "C:\\windows\\", "a/../../", ""])
def test_nothing_in_a_zip_leads_elsewhere(packed: bytes, tmp_path: Path, folder: str) -> None:
    home = tmp_path / "deep" / "home"
    took = unpack(home, zipped(**{folder + name: data for name, data in entries(packed).items()}, **{folder + "evil.py": b"x"}))
    assert took.folder.parent == home / "sessions"
    assert {p.name for p in tmp_path.rglob("*") if p.is_file()} == {"session.toml", "readings.parquet", "marks.jsonl"}


def test_what_is_no_session_is_refused_and_leaves_nothing(packed: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parts = entries(packed)
    bad = {
        "no zip file": packed[:-30],
        "does not hold one session": zipped(**{"a/readings.parquet": parts["readings.parquet"]}),
        "hold one session": zipped(**{f"{f}/{n}": d for f in "ab" for n, d in parts.items()}),
        "cannot be used": zipped(**{"a/session.toml": parts["session.toml"], "a/readings.parquet": b"PAR1 no"}),
    }
    for why, data in bad.items():
        with pytest.raises(ValueError, match=why):
            unpack(tmp_path, data)
    monkeypatch.setattr(pack_module, "LARGEST_BYTES", 1000)
    with pytest.raises(ValueError, match="takes more than"):
        unpack(tmp_path, packed)
    assert list_sessions(tmp_path) == ()
    assert not any((tmp_path / "sessions").glob("*"))
