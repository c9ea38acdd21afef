"""What the pages ask of a home folder: its recordings opened, and what the analysis says of them and of its air lines."""

from __future__ import annotations

import contextlib
import copy
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.units import from_si
from dashboard import recording_figures
from dashboard.fitting import FitState, Fittings
from dashboard.once import Once
from dashboard.recordings import Recordings
from dashboard.search import look_for_shots
from dashboard.shelf import Shelf
from dashboard.underway import Job, Jobs, StillWorkingError
from dashboard.zoom import curve
from logger.long import AROUND_S, LONG, LongRecording, is_long
from logger.open import open_what, pressure_choice
from logger.readings import READINGS_FILE
from logger.session import Session, append_mark

if TYPE_CHECKING:
    from analysis.carry_off import CarryOff, FillCheck
    from analysis.compare import Comparison
    from analysis.corrections import Kind
    from analysis.cycles import Cycles
    from analysis.dial_in import DialIn
    from analysis.estimate import Estimate
    from analysis.leakdown import Stretches
    from analysis.line import Line
    from analysis.model import Simulation
    from analysis.predict import Prediction
    from analysis.record import ShotRecord
    from analysis.shots import ShotSummary
    from analysis.shut_in import Judged
    from analysis.sizing import Sizing
    from analysis.steady import Steady
    from analysis.water_variants import WaterVariant
    from analysis.whatif import WhatIf
    from logger.open import Recording

PATIENCE_S = 0.1  # for which a page waits for an answer before it shows that one is being worked out
DRAWINGS_KEPT = 2000  # thumbnails; a few kB each
JUDGED_AFTER_S = 0.01  # a judgement belongs to the last shot before it
BESIDE_MOST_S = 600.0  # of a session that are set beside the model

Asked = tuple[str, str | None]  # a session's name, and the channel of it that is meant


class Work(Shelf):
    """A home folder, and all that the pages know of what it keeps: each answer is worked out once and kept a while."""

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        self.recordings = Recordings(home)
        self.jobs = Jobs()
        self._once = Once()
        self._counts: dict[tuple[str, int, int], int] = {}
        self._drawings: OrderedDict[tuple[str, int, int], str] = OrderedDict()
        self._fittings = Fittings()
        self._one_at_a_time = threading.Lock()
        self._patient = False

    def patient(self) -> Work:
        """All the same, but it waits for every answer: for what is written once."""
        waits = copy.copy(self)
        waits._patient = True
        return waits

    # Recordings

    def recording(self, name: str, channel: str | None = None) -> Recording:
        """Open a session's readings for a page that needs each of them; read again when the session has changed on disk.

        Of a long session only a stretch, the one with its test nozzles or else the one in which most happens; its warnings say so.
        """
        session = self.session(name)
        channel = pressure_choice(session, channel)[0]
        return self._once(
            ("recording", *_version(session), channel),
            lambda: self._long(session, channel).stretch() if is_long(session) else open_what(session.folder, channel=channel),
        )

    def opened(self, name: str, channel: str | None = None) -> Recording | LongRecording:
        """Open a session for a page that asks for stretches and the overview: a long one is not held, and opens as fast as a short one."""
        session = self.session(name)
        return self._long(session, channel) if is_long(session) else self.recording(name, channel)

    def _long(self, session: Session, channel: str | None) -> LongRecording:
        channel = pressure_choice(session, channel)[0]  # a page asks for "the tool's", its figure for the one that was drawn
        key = ("long", *_readings_version(session), channel)
        return self._once(key, lambda: LongRecording(session, channel, self.home)).with_marks(session.marks)

    def thumbnail(self, name: str) -> str:
        """Draw a session as a small SVG."""
        session = self.session(name)
        version = _version(session)
        if version not in self._drawings:
            try:
                if is_long(session):
                    drawing = recording_figures.thumbnail(*curve(self._long(session, None), None))
                else:
                    recording = open_what(session.folder, home=self.home)
                    drawing = recording_figures.thumbnail(recording.t_s, recording.p_pa)
            except (ValueError, OSError):  # its own page says why
                drawing = recording_figures.thumbnail([], [])
            self._drawings[version] = drawing
            while len(self._drawings) > DRAWINGS_KEPT:
                self._drawings.popitem(last=False)
        return self._drawings[version]

    def _behind(self, key: tuple[Any, ...], make: Callable[[Job[Any]], object]) -> None:
        """Have what `_once` keeps worked out behind the pages.

        Raises
        ------
        StillWorkingError
            If that takes longer than a page can wait.
        ValueError
            If it was refused.
        """

        def keep(job: Job[None]) -> None:
            with self._one_at_a_time:  # as each takes memory
                job.stand_back()
                make(job)  # and do not hold it

        job = self.jobs.job(key, keep)
        if not self._patient and not job.ends_within(PATIENCE_S):
            raise StillWorkingError(job)
        job.result()

    # Shots

    def shots(self, name: str, channel: str | None = None) -> tuple[ShotRecord, ShotSummary]:
        """Find and sum up the shots of a session; in a long one that was not looked through yet this takes a while."""
        from analysis.shots import summarise

        session = self.session(name)
        recording = self.opened(name, channel)
        window_pa = self._window_of(name)

        def find() -> tuple[ShotRecord, ShotSummary]:
            if isinstance(recording, LongRecording):
                record = recording.corrected(self._search(session, recording).result())
            else:
                record = recording.shots()
            return record, summarise(record, window_pa=window_pa)

        return self._once(("shots", *_version(session), recording.channel, window_pa), find)

    def _window_of(self, name: str) -> tuple[float, float] | None:
        """Window of the tool on the line that a session names [Pa gauge], if there is one."""
        with contextlib.suppress(ValueError):
            return self.line(self.line_of(name)).tool.window_pa
        return None

    def searching(self, name: str, channel: str | None = None, *, again: bool = True) -> Job[ShotRecord] | None:
        """The search for shots in a long session, as long as it has not come to its end; None where nothing is left to wait for.

        One that was stopped begins anew if `again`.
        """
        session = self.session(name)
        if not is_long(session):
            return None
        search = self._search(session, self._long(session, channel), again=again)
        return None if self._patient or (search.ended and not search.stopped) else search

    def _search(self, session: Session, recording: LongRecording, *, again: bool = True) -> Job[ShotRecord]:
        """The search in a long session; begun when it is first asked for."""
        key = ("shots", *_readings_version(session), recording.channel)
        return self.jobs.job(key, lambda job: look_for_shots(job, recording), again=again)

    def shot_count(self, name: str) -> int | None:
        """Count the shots of a session; None where it is so long that counting is left to its own page."""
        session = self.session(name)
        if session.count > LONG:
            return None
        version = _version(session)
        if version not in self._counts:
            self._counts[version] = len(self.shots(name)[0].shots)
        return self._counts[version]

    def correct(self, name: str, channel: str | None, kind: Kind, at_s: float) -> None:
        """Correct the detector by hand: a shot here, or not a shot; the opposite of a correction undoes it.

        Raises
        ------
        ValueError
            If there is nothing to correct at that moment; the message says why.
        """
        from analysis.corrections import corrections, time_to_mark

        recording = self.opened(name, channel)
        made = corrections(recording.marks, recording.channel)
        time_s = time_to_mark(self.shots(name, channel)[0], *recording.between(at_s - AROUND_S, at_s + AROUND_S), made, kind, at_s)
        append_mark(self.session(name).folder, {"time_s": time_s, "kind": kind, "channel": recording.channel})

    def shots_csv(self, name: str, channel: str | None, unit: str) -> str:
        """Write the shots of a session as CSV, pressures in `unit`; what was taken out by hand stands among them without a number."""
        rows = [f"shot,time_s,before_{unit},minimum_{unit},dip_{unit},recovery_s,outcome,by_hand,doubtful".lower()]
        record = self.shots(name, channel)[0]
        shots = [(s, str(i), str(s.outcome), "added" if s.by_hand else "") for i, s in enumerate(record.shots, start=1)]
        taken_out = [(s, "", "not a shot", "taken out") for s in record.taken_out]
        for s, number, outcome, by_hand in sorted([*shots, *taken_out], key=lambda row: row[0].time_s):
            pressures = ",".join(f"{from_si(p, unit):.6g}" for p in (s.before_pa, s.minimum_pa, s.dip_pa))
            recovery = f"{s.recovery_s:.4f}" if outcome == "recovered" else ""
            doubtful = "yes" if s.doubtful and number else ""
            rows.append(f"{number},{s.time_s:.4f},{pressures},{recovery},{outcome},{by_hand},{doubtful}")
        return "\n".join(rows) + "\n"

    def air_per_shot(self, name: str, channel: str | None, volume_m3: float) -> Estimate:
        """Weigh the air of a shot in the volume behind the sensor [m3 ANR]."""
        from analysis.shot_step import air_of_a_shot

        record, recording = self.shots(name, channel)[0], self.recording(name, channel)
        key = ("air", *_version(self.session(name)), recording.channel, volume_m3)
        return self._once(key, lambda: air_of_a_shot(record, recording.t_s, recording.p_pa, volume_m3=volume_m3))

    def setting(self, name: str, channel: str | None, limit_pa: float | None, of: str | None) -> DialIn:
        """Find the setting that a session's judged shots ask for."""
        from analysis.dial_in import dial_in

        recording, record = self.opened(name, channel), self.shots(name, channel)[0]
        return dial_in(*recording.around_judged(record), record, recording.marks, limit_pa=limit_pa, work=of or None)

    def judge_shot(self, name: str, channel: str | None, index: int, depth: str | float, of: str) -> None:
        """Keep how deep the nail of a shot sits: "proud", "flush" or "deep", or measured [mm].

        Raises
        ------
        ValueError
            If there is no such shot.
        """
        shots = self.shots(name, channel)[0].shots
        if not 0 <= index < len(shots):
            msg = f"there is no shot {index + 1}; the session has {len(shots)}."
            raise ValueError(msg)
        said = {"depth": depth} if isinstance(depth, str) else {"depth_mm": depth}
        text = {"text": of.strip()[:200]} if of.strip() else {}
        append_mark(self.session(name).folder, {"time_s": round(shots[index].time_s + JUDGED_AFTER_S, 3), "kind": "judged", **said, **text})

    # Leaks

    def leak(
        self,
        name: str,
        channel: str | None,
        volume_m3: float | None,
        *,
        leave_out: Stretches = (),
        use: Stretches = (),
        job: Job[None] | None = None,
    ) -> Judged:
        """Judge a session as a leak-down; where this is a `job`, it tells what it waits for."""
        from analysis.shut_in import judge

        recording = self._for_hours(name, channel, job)

        def find() -> ShotRecord:
            if job is not None:
                job.waits_for = self.searching(name, channel)
            return self.shots(name, channel)[0]

        return self._once(
            ("leak", *_version(self.session(name)), channel, volume_m3, leave_out, use),
            lambda: judge(
                recording.t_s,
                recording.p_pa,
                find,
                volume_m3=volume_m3,
                temp_k=recording.temp_k,
                p_amb_pa=recording.ambient_pa,
                leave_out=leave_out,
                use=use,
            ),
        )

    def leak_behind(
        self, name: str, channel: str | None, volume_m3: float | None, *, leave_out: Stretches = (), use: Stretches = ()
    ) -> Judged:
        """Judge a session as a leak-down; a long one behind the pages.

        Raises
        ------
        StillWorkingError
            If it is still being worked out.
        """

        def make(job: Job[None]) -> None:
            if self.leak(name, channel, volume_m3, leave_out=leave_out, use=use, job=job).pumped:
                self.cycles(name, channel, volume_m3)

        session = self.session(name)
        if is_long(session):
            self._behind(("leak", *_version(session), channel, volume_m3, leave_out, use), make)
        return self.leak(name, channel, volume_m3, leave_out=leave_out, use=use)

    def cycles(self, name: str, channel: str | None, volume_m3: float | None) -> Cycles:
        """Read a session's pump cycles."""
        from analysis.cycles import find_cycles

        recording = self._for_hours(name, channel)
        return self._once(
            ("cycles", *_version(self.session(name)), channel, volume_m3),
            lambda: find_cycles(recording.t_s, recording.p_pa, volume_m3=volume_m3, temp_k=recording.temp_k, p_amb_pa=recording.ambient_pa),
        )

    def _for_hours(self, name: str, channel: str | None, job: Job[None] | None = None) -> Recording:
        """Open a session for what looks at hours: a long one in means over some hundredths of a second."""
        session = self.session(name)
        if not is_long(session):
            return self.recording(name, channel)
        pause = None if job is None else job.stand_back
        return self._once(
            ("recording", *_readings_version(session), channel, "means"), lambda: self._long(session, channel).averaged(pause)
        )

    # Before and after

    def compare(self, before: Asked, after: Asked) -> Comparison:
        """Compare two sessions; long ones behind the pages.

        Raises
        ------
        StillWorkingError
            If it is still being worked out.
        """
        from analysis.compare import compare

        sessions = [self.session(name) for name, _ in (before, after)]
        key = ("compare", *_version(sessions[0]), before[1], *_version(sessions[1]), after[1])

        def compared(job: Job[None] | None = None) -> Comparison:
            for each in (before, after):
                self.recording(*each)
                if job is not None:
                    job.stand_back()
            return self._once(key, lambda: compare(self.recording(*before).trace(), self.recording(*after).trace()))

        if any(is_long(session) for session in sessions):
            self._behind(key, compared)
        return compared()

    def predict(self, before: Line, after: Line) -> Prediction:
        """What the line model expects of a change of the line."""
        from analysis.predict import predict_change

        return self._once(("predict", before, after), lambda: predict_change(before, after))

    # The line in the model

    def simulate(self, line: Line, shots_s: tuple[float, ...], duration_s: float) -> Simulation:
        """Fire shots at a line in the model."""
        from analysis.model import simulate

        return self._once(("simulate", line, shots_s, duration_s), lambda: simulate(line, shots_s, duration_s=duration_s))

    def beside(self, name: str, line: Line) -> tuple[Simulation, ShotSummary]:
        """Fire a session's shots at a line in the model, the first one after a second, and sum up what comes of it."""
        from analysis.shots import find_shots, summarise
        from analysis.standing_alone import with_all

        times = [s.time_s for s in self.shots(name)[0].shots]
        times = [t for t in times if t - times[0] <= BESIDE_MOST_S]
        fired = tuple(1.0 + t - times[0] for t in times)
        simulation = self.simulate(line, fired, fired[-1] + 5.0)
        summary = self._once(("beside", line, fired), lambda: summarise(with_all(find_shots(simulation.t_s, simulation.tool_pa))))
        return simulation, summary

    def start_fit(self, name: str, line: Line, *, again: bool = False) -> None:
        """Begin to fit a line to a session, in a process of its own; one that was stopped only begins when asked `again`."""
        key = self._fit_key(name, line)
        if self._fittings.state(key).kind == "none" or again:
            recording = self.recording(name)
            self._fittings.start(key, recording.t_s, recording.pressures, line, recording.marks)

    def fit_state(self, name: str, line: Line) -> FitState:
        """Say how the fit of a line to a session stands."""
        return self._fittings.state(self._fit_key(name, line))

    def stop_fit(self, name: str, line: Line) -> None:
        """Stop the fit of a line to a session."""
        self._fittings.stop(self._fit_key(name, line))

    def _fit_key(self, name: str, line: Line) -> tuple[Any, ...]:
        return (*_version(self.session(name)), line)

    def steady(self, line: Line, flow_m3_per_s: float) -> Steady:
        """Pressure along a line for a constant flow of free air."""
        from analysis.steady import steady_loss

        return self._once(("steady", line, flow_m3_per_s), lambda: steady_loss(line, flow_m3_per_s))

    def size(self, line: Line, shots: int, every_s: float, floor_pa: float) -> Sizing:
        """Find the smallest receiver for a burst."""
        from analysis.sizing import size_receiver

        return self._once(
            ("size", line, shots, every_s, floor_pa), lambda: size_receiver(line, shots=shots, every_s=every_s, floor_pa=floor_pa)
        )

    def what_if(self, line: Line, shots: int, every_s: float, floor_pa: float) -> WhatIf:
        """Try every improvement of a line on a burst."""
        from analysis.whatif import what_if

        return self._once(
            ("what if", line, shots, every_s, floor_pa), lambda: what_if(line, shots=shots, every_s=every_s, floor_pa=floor_pa)
        )

    def carry_off(self, line: Line, volume_m3: float) -> CarryOff:
        """What a receiver serves off the line."""
        from analysis.carry_off import carry_off

        return self._once(("carry off", line, volume_m3), lambda: carry_off(line, volume_m3=volume_m3))

    def filling(self, name: str, line: Line, volume_m3: float) -> FillCheck:
        """Hold a recorded filling against the model."""
        from analysis.carry_off import check_filling

        recording = self._for_hours(name, None)
        return self._once(
            ("filling", *_version(self.session(name)), line, volume_m3),
            lambda: check_filling(line, recording.t_s, recording.p_pa, channel=recording.channel, volume_m3=volume_m3),
        )

    def water(self, line: Line, given: Mapping[str, float], kind: str, weather: str = "") -> tuple[WaterVariant, ...]:
        """Follow the water along a line and its variants; `given` holds what the reader entered, in SI, by the name of its entry.

        Raises
        ------
        ValueError
            If the session that is to tell the weather does not.
        """
        from dashboard.water_asked import water_asked
        from logger.weather import read_weather

        return water_asked(line, given, kind, read_weather(str(self.session(weather).folder)) if weather else None)


def _readings_version(session: Session) -> tuple[Any, ...]:
    """What tells one state of a finished session's readings from another, whatever was marked in it or written about it."""
    file = session.folder / READINGS_FILE
    return str(file), file.stat().st_mtime_ns, file.stat().st_size, session.channels


def _version(session: Session) -> tuple[str, int, int]:
    """What tells one state of a session on disk from another."""
    files = [f.stat() for f in session.folder.iterdir() if f.suffix in {".parquet", ".arrows", ".toml", ".jsonl"}]
    return str(session.folder), max((f.st_mtime_ns for f in files), default=0), sum(f.st_size for f in files)
