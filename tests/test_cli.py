"""The command line as a user meets it: answers, exit codes, and what is said when something is wrong."""

from __future__ import annotations

import errno
import io
import os
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

import farend
from tests.commands import ask, refuse

SAMPLES = Path(farend.__file__).parent / "sample_data"


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAREND_HOME", str(tmp_path / "home"))


KEYS = {
    "shots": {"channel", "readings", "duration_s", "rate_hz", "noise_kpa", "resolution_kpa", "shots", "events", "summary", "warnings"},
    "leakdown": {
        "verdict",
        "leak_l_per_s",
        "reference_kpa",
        "conductance_l_per_s_bar",
        "hole_mm",
        "smallest_detectable_l_per_s",
        "temperature",
        "used",
        "left_out",
        "cost_per_year",
        "warnings",
    },
    "cycles": {"cycles", "delivery_l_per_s", "leak_l_per_s", "duty", "mean_period_s", "never_unloads", "warnings"},
    "compare": {"recovery", "dip", "shots", "verdict", "why", "warnings"},
    "fit": {"parameters", "volume_downstream_l", "line_drop_kpa", "residual_kpa", "cannot_separate", "findings", "warnings"},
    "size": {"receiver_l", "handbook_l", "lowest_kpa", "recovery_s", "fill_s", "candidates", "cautions"},
}


def test_shots_of_the_invented_session(capsys: pytest.CaptureFixture[str]) -> None:
    answer = ask(capsys, "shots", str(SAMPLES / "deck_no_receiver.csv"))
    assert set(answer) >= KEYS["shots"]
    shots = answer["shots"]
    assert isinstance(shots, list)
    assert len(shots) > 40
    assert set(shots[0]) == {"time_s", "before_kpa", "minimum_kpa", "dip_kpa", "recovery_s", "outcome"}


def test_a_reader_that_has_read_enough_is_no_fault() -> None:
    """As in `farend shots ... | head -1`."""
    command = [sys.executable, "-m", "farend", "shots", str(SAMPLES / "deck_no_receiver.csv"), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as told:
        assert told.stdout
        assert told.stderr
        told.stdout.close()
        assert told.stderr.read() == b""
    assert told.returncode == 0


def test_it_says_which_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert farend.main(["--version"]) == 0
    assert capsys.readouterr().out == f"farend {version('farend')}\n"


def test_the_night_leaks_by_what_was_put_in(capsys: pytest.CaptureFixture[str]) -> None:
    answer = ask(capsys, "leakdown", str(SAMPLES / "overnight.csv"), "--volume", "29.6 L")
    assert set(answer) >= KEYS["leakdown"]
    assert answer["verdict"] == "leak"
    conductance = answer["conductance_l_per_s_bar"]
    assert isinstance(conductance, dict)
    assert conductance["value"] == pytest.approx(0.00024, rel=0.08)
    assert conductance["low"] < 0.00024 < conductance["high"]


def test_the_pump_delivers_what_was_put_in(capsys: pytest.CaptureFixture[str]) -> None:
    answer = ask(capsys, "cycles", str(SAMPLES / "pump_up.csv"), "--volume", "100 L")
    assert set(answer) >= KEYS["cycles"]
    delivery = answer["delivery_l_per_s"]
    assert isinstance(delivery, dict)
    assert delivery["value"] == pytest.approx(4.0, rel=0.05)
    assert answer["never_unloads"] is False


def test_the_receiver_made_it_better(capsys: pytest.CaptureFixture[str]) -> None:
    answer = ask(capsys, "compare", str(SAMPLES / "deck_no_receiver.csv"), str(SAMPLES / "deck_receiver.csv"))
    assert set(answer) >= KEYS["compare"]
    assert answer["verdict"] == "better"


def test_size_and_simulate_the_invented_line(capsys: pytest.CaptureFixture[str]) -> None:
    line = str(SAMPLES / "boathouse.toml")
    answer = ask(capsys, "size", "--line", line, "--shots", "6", "--every", "0.3 s", "--floor", "5.8 bar")
    assert set(answer) >= KEYS["size"]
    simulated = ask(capsys, "simulate", "--line", line, "--shots", "3", "--every", "0.5 s")
    assert isinstance(simulated["shots"], list)
    assert len(simulated["shots"]) == 3


def test_simulated_sensor_shows_less_of_a_dip(capsys: pytest.CaptureFixture[str]) -> None:
    line = str(SAMPLES / "boathouse.toml")
    words = ("simulate", "--line", line, "--bursts", "2", "--shots", "2", "--pause", "3 s")
    answer = ask(capsys, *words, "--sensor", "tool", "--lag", "20 ms", "--resolution", "0.1 psi", "--rate", "500")
    assert len(answer["shots"]) == len(answer["sensor"]["shots"]) == 4
    assert len(answer["sensor"]["kpa"]) == len(answer["time_s"])
    assert 0.0 < answer["sensor"]["shots"][0]["dip_kpa"] < answer["shots"][0]["dip_kpa"]
    assert farend.main([*words, "--sensor", "supply"]) == 0
    assert "A sensor at supply would show a dip of" in capsys.readouterr().out
    assert "There is no 'loft'" in refuse(capsys, *words, "--sensor", "loft")


def test_simulate_fires_like_a_recording(capsys: pytest.CaptureFixture[str]) -> None:
    recording = str(SAMPLES / "deck_no_receiver.csv")
    measured = ask(capsys, "shots", recording)["shots"]
    answer = ask(capsys, "simulate", "--line", str(SAMPLES / "boathouse.toml"), "--like", recording, "--rate", "50")
    assert len(answer["shots"]) == len(measured)
    fired, found = ([x["time_s"] - shots[0]["time_s"] for x in shots] for shots in (answer["shots"], measured))
    assert fired == pytest.approx(found, abs=1e-6)
    quiet = str(SAMPLES / "overnight.csv")
    assert "no shot in that recording" in refuse(capsys, "simulate", "--line", str(SAMPLES / "boathouse.toml"), "--like", quiet)


def test_work_that_the_compressor_cannot_feed_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert farend.main(["simulate", "--line", str(SAMPLES / "boathouse.toml"), "--shots", "400", "--every", "0.1 s", "--rate", "20"]) == 0
    said = capsys.readouterr().out
    assert "This cannot go on" in said
    assert "nan" not in said


def test_import_list_and_export(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    answer = ask(capsys, "import", str(SAMPLES / "overnight.csv"), "--name", "a night")
    assert answer["rows"] == 3960
    assert answer["bad_lines"] == []
    listed = ask(capsys, "sessions")["sessions"]
    assert isinstance(listed, list)
    assert [s["name"] for s in listed] == ["a night"]
    out = tmp_path / "night.csv"
    assert farend.main(["export", "a night", "-o", str(out), "--unit", "psi"]) == 0
    assert out.read_text().splitlines()[0].startswith("time_s,receiver_psi")


def test_what_was_recorded_is_not_written_over(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "night.csv"
    shutil.copy(SAMPLES / "overnight.csv", file)
    assert farend.main(["import", str(file), "--name", "a night"]) == 0
    capsys.readouterr()
    folder = tmp_path / "home" / "sessions" / "a night"
    for what, over in ((str(file), file), ("a night", folder / "readings.parquet")):
        was = over.read_bytes()
        assert "is what was recorded" in refuse(capsys, "export", what, "-o", str(over))
        assert over.read_bytes() == was


def test_a_line_that_is_no_text_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "line.toml"
    file.write_bytes(b"\xff\xfe\x00")
    assert f"{file} is no text" in refuse(capsys, "check", "--line", str(file))


def test_sentences_are_printed_in_the_units_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert farend.main(["shots", str(SAMPLES / "deck_no_receiver.csv"), "--show", "psi"]) == 0
    said = capsys.readouterr().out
    assert " psi" in said
    assert " bar" not in said


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["shots", "no such thing"], 1, "no such thing"),
        (["size", "--line", "nowhere.toml", "--shots", "3", "--every", "1 s", "--floor", "5 bar"], 1, "nowhere"),
        (["size", "--line", str(SAMPLES / "boathouse.toml"), "--shots", "3", "--every", "1", "--floor", "5 bar"], 2, "has no unit"),
        (["size", "--line", str(SAMPLES / "boathouse.toml"), "--shots", "3", "--every", "1 s", "--floor", "9 bar"], 1, "floor"),
        (["leakdown", str(SAMPLES / "overnight.csv"), "--volume", "30 bar"], 2, "--volume: '30 bar' is a pressure; needed is a volume"),
        (["leakdown", str(SAMPLES / "overnight.csv"), "--volume", "-3 L"], 2, "'-3 L' cannot be; needed is a volume above zero"),
        (["leakdown", str(SAMPLES / "overnight.csv"), "--delivery", "0 L/min"], 2, "needed is a flow above zero"),
        (["leakdown", str(SAMPLES / "overnight.csv"), "--altitude", "90000 m"], 1, "An altitude of 90000 m"),
        (["leakdown", str(SAMPLES / "overnight.csv"), "--tariff", "nan"], 1, "Tariff nan per kWh"),
        (["leakdown", "--plan", "--volume", "30 L", "--reference", "-2 bar"], 1, "needs a pressure above ambient"),
        (["leakdown", "--plan", "--volume", "30 L", "--noise", "-1 psi"], 1, "a noise of nothing or more"),
        (["leakdown", "--volume-from", "receiver"], 2, "is neither 'receiver 24 L'"),
        (["leakdown", "a", "b", "--segment", "=5 L"], 2, "write it as 'tank=50 L'"),
        (["shots", str(SAMPLES / "deck_receiver.csv"), "--window", "7 bar", "5 bar"], 1, "lower end of the --window comes first"),
        (["check", "--line", str(SAMPLES / "make.py")], 1, "make.py, "),
        (["dashboard", "--port", "70000"], 2, "needed is a number from 1 to 65535"),
        (["ports", "--listen", "1e400"], 2, "seconds to listen"),
        (["logbook", "--line", str(SAMPLES / "boathouse.toml")], 1, "is not among the lines that are kept"),
        (["report", str(SAMPLES / "overnight.csv"), "-o", "r.html", "--volume", "100"], 2, "has no unit"),
    ],
)
def test_what_cannot_be_done_is_said_plainly(capsys: pytest.CaptureFixture[str], words: list[str], code: int, message: str) -> None:
    assert message in refuse(capsys, *words, code=code)


def test_without_a_home_folder_it_asks_for_one(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAREND_HOME", "~nobody-of-that-name/farend")
    assert "Set FAREND_HOME" in refuse(capsys, "sessions")


class _FullDisk(io.StringIO):
    def write(self, _text: str) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_an_answer_that_cannot_be_written_is_said(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout", _FullDisk())
    assert farend.main(["sessions"]) == 1
    assert "could not be written: No space left on device" in capsys.readouterr().err


def test_an_answer_that_nobody_takes_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout", None)
    assert farend.main(["shots", str(SAMPLES / "overnight.csv"), "--json"]) == 0


def test_a_file_without_units_is_refused_until_it_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "bare.csv"
    file.write_text("time_s,tool\n" + "".join(f"{i / 100:.2f},{87.0 + i % 3 / 100:.2f}\n" for i in range(500)))
    assert "--unit" in refuse(capsys, "shots", str(file))
    answer = ask(capsys, "shots", str(file), "--unit", "psi")
    assert answer["shots"] == []


def test_ports_listens_where_it_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert farend.main(["ports", "socket://127.0.0.1", "invented:deck", "--listen", "0.3"]) == 0
    first, second = (line for line in capsys.readouterr().out.splitlines() if not line.startswith(" "))
    assert "write it as socket://HOST:PORT" in first
    assert "describes itself: tool in kPa" in second


def test_a_question_that_nobody_answers_is_no_fault(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert farend.main(["calibrate", "--port", "socket://127.0.0.1:1"]) == 1
    assert "Run it in a terminal" in capsys.readouterr().err


def test_usage_errors_exit_with_two(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        farend.main(["shots"])
    assert farend.main([]) == 2
    assert "COMMAND" in capsys.readouterr().out
