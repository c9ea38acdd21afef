"""The invented session, from the wire to the findings: played through a virtual port, recorded, analysed, told in sentences."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.compare import compare
from analysis.leak_cost import leak_cost
from analysis.leakdown import fit_leakdown
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.shot_step import air_by_step
from analysis.shots import find_shots, summarise
from analysis.sizing import size_receiver
from dashboard import wording
from dashboard.reader import Reader, seconds
from logger.csv_in import read_csv
from logger.invented import NOTE
from logger.kept import save_imported
from logger.open import Recording, open_what
from logger.recorder import record
from logger.session import change_session
from logger.virtual import VirtualDevice

if TYPE_CHECKING:
    from collections.abc import Iterable

SAMPLES = Path(__file__).resolve().parent.parent / "sample_data"
LINE, LINE_AFTER = "boathouse", "boathouse_receiver"
SPEED = 60.0  # times as fast as it is said to have happened
BURST_SHOTS, BURST_EVERY_S, FLOOR_PA = 6, 0.3, 580e3
NIGHT_M3 = 0.0296
RECEIVER_M3 = 0.042


def run_demo(home: Path, reader: Reader) -> Path:
    """Play, record and analyse the invented session in a home folder of its own, and print the findings.

    Parameters
    ----------
    home : Path
        Folder for the demo alone; what an earlier demo left in it is replaced.
    reader : Reader
        Units of the findings.

    Returns
    -------
    Path
        The same folder, for the dashboard to serve.
    """
    shutil.rmtree(home, ignore_errors=True)
    (home / "lines").mkdir(parents=True)
    for file in SAMPLES.glob("*.toml"):
        shutil.copy(file, home / "lines" / file.name)

    say("Everything here is invented: a boathouse deck at the end of 40 m of hose.")
    before = play(home, "deck_no_receiver.csv", "Boathouse deck, no receiver", LINE)
    after = play(home, "deck_receiver.csv", "Boathouse deck, 42 L receiver", LINE_AFTER)
    for name, title in (
        ("deck_two_channels", "Boathouse deck, two sensors"),
        ("pump_up", "Workshop, tank filled from empty"),
        ("dialling_in", "Boathouse deck, dialling in ring nails"),
    ):
        bring_in(home, name, title)
    night = bring_in(home, "overnight", "Boathouse line shut in overnight")

    line = parse_line((home / "lines" / "boathouse.toml").read_text(encoding="utf-8"))
    findings(line, before, after, night, reader)
    return home


def findings(line: Line, before: Recording, after: Recording, night: Recording, reader: Reader) -> None:
    """Print what the recordings say, in sentences."""
    record_before = before.shots()
    summary = summarise(record_before, window_pa=line.tool.window_pa)
    tell("Shots, without a receiver", wording.shots(record_before, summary, reader))
    shots_s = [s.time_s for s in record_before.shots]
    modelled = simulate(line, shots_s, duration_s=float(before.t_s[-1]))
    tell(
        "What the line model expects",
        wording.measured_beside_modelled(summary, summarise(find_shots(modelled.t_s, modelled.tool_pa)), reader),
    )
    sizing = size_receiver(line, shots=BURST_SHOTS, every_s=BURST_EVERY_S, floor_pa=FLOOR_PA)
    head = f"Which receiver keeps {BURST_SHOTS} shots, one each {seconds(BURST_EVERY_S)}, above {reader.pressure(FLOOR_PA)}"
    tell(head, wording.sizing(sizing, reader))
    comparison = compare(before.trace(), after.trace())
    tell("Before and after the receiver", wording.compare(comparison, reader))
    fired = [s.time_s for s in comparison.after.record.shots]
    air = air_by_step(after.t_s, after.p_pa, fired, volume_m3=RECEIVER_M3)
    tell("Air per shot, weighed in the receiver", [wording.air_per_shot(air, reader)])
    leak = fit_leakdown(night.t_s, night.p_pa, volume_m3=NIGHT_M3, temp_k=night.temp_k, p_amb_pa=night.p_amb_pa)
    tell("Overnight", wording.leakdown(leak, leak_cost(leak.leak_m3_per_s), reader))
    tell("Mind", wording.CAUTIONS.values())


def play(home: Path, file: str, name: str, line: str) -> Recording:
    """Play a sample through a virtual port as a device would send it, and record it."""
    reading = read_csv(SAMPLES / file)
    t_s = reading.readings.index.to_numpy()
    kpa = {"tool": reading.readings["tool_pa"].to_numpy() / 1e3}
    with VirtualDevice(t_s, kpa, unit="kPa", rate_hz=reading.rate_hz, speed=SPEED) as device:
        say(f"Recording {name!r} from {device.port}: {seconds(float(t_s[-1]))} of work, {SPEED:.0f} times as fast.")
        session = record(home=home, port=device.port, name=name, for_s=float(t_s[-1]), line=line, notes=NOTE)
    return open_what(session.folder, home=home)


def bring_in(home: Path, name: str, title: str) -> Recording:
    """Import a sample as a session."""
    folder = save_imported(home, title, read_csv(SAMPLES / f"{name}.csv"))
    change_session(folder, line=LINE, notes=NOTE)
    marks = SAMPLES / f"{name}.jsonl"
    if marks.exists():
        shutil.copy(marks, folder / "marks.jsonl")
    return open_what(folder, home=home)


def say(text: str) -> None:
    """Say what goes on, without mixing it with the findings."""
    print(text, file=sys.stderr, flush=True)


def tell(head: str, sentences: Iterable[str]) -> None:
    """Print one finding."""
    print(f"\n{head}")
    print("\n".join(f"  {sentence}" for sentence in sentences), flush=True)
