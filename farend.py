"""Front door of farend: one command per job. It parses, calls and prints; everything else lives in the three packages.

Data go to stdout, messages to stderr. Exit 0: done; 1: the data cannot answer, or were refused; 2: usage.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from analysis.units import UnitError, parse_quantity
from dashboard.reader import UNIT_SETS
from logger.logbook import SERVICE

if TYPE_CHECKING:
    from analysis.line import Line, Part
    from analysis.record import ShotRecord
    from logger.long import LongRecording
    from logger.open import Recording

Opened = TypeVar("Opened", "Recording", "LongRecording", "Recording | LongRecording")
Value = TypeVar("Value")
LONGEST_LISTENING_S = 3600.0  # by choice: far more than a sensor needs to show what it sends
WHAT = "a session's name or folder, or a CSV file"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    # Small matrices by the thousand: threads of the linear algebra would only wait for each other. It is read when numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    parser = _parser()
    args = parser.parse_args(argv)
    if args.version:
        from importlib.metadata import version

        print(f"farend {version('farend')}")
        return 0
    if args.command is None:
        parser.print_help()
        return 2
    try:
        code = int(args.run(args) or 0)
        sys.stdout.flush()
        return code
    except UnitError as problem:
        return _complain(str(problem), code=2)
    except BrokenPipeError:  # whoever read our words, such as `head`, has read enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nothing more is sent at exit either
        return 0
    except (ValueError, OSError) as problem:
        return _complain(_plain(problem), code=1)
    except EOFError:
        return _complain("A question was asked and nobody answered. Run it in a terminal.", code=1)
    except KeyboardInterrupt:
        return _complain("Stopped.", code=130)


def _plain(problem: ValueError | OSError) -> str:
    """Say a problem in the words of a person."""
    if isinstance(problem, FileNotFoundError) and problem.filename:
        return f"{problem.filename}: there is no such file. Check the name, or see `farend sessions`."
    if isinstance(problem, OSError) and problem.filename:
        return f"{problem.filename}: {problem.strerror}."
    return str(problem)


def _complain(message: str, *, code: int) -> int:
    print(f"farend: {message}", file=sys.stderr)
    return code


def _home() -> Path:
    from logger.home import home

    return home()


def _reader(args: argparse.Namespace) -> Any:
    from dashboard.reader import Reader

    return Reader(args.show)


def _open(what: str, args: argparse.Namespace) -> Recording | LongRecording:
    """Open what the user named, without holding a long session; say on stderr what he should know of it."""
    return _noted(_opened(what, args))


def _open_stretch(what: str, args: argparse.Namespace) -> Recording:
    """Open what the user named; of a long session the stretch in which most happens, as the pages do."""
    from logger.open import Recording

    opened = _opened(what, args)
    return _noted(opened if isinstance(opened, Recording) else opened.stretch())


def _open_hours(what: str, args: argparse.Namespace) -> tuple[Recording, Callable[[], ShotRecord]]:
    """Open what the user named for what looks at hours: of a long session means; and a way to its shots."""
    from logger.open import Recording

    opened = _opened(what, args)
    return _noted(opened if isinstance(opened, Recording) else opened.averaged()), opened.shots


def _opened(what: str, args: argparse.Namespace) -> Recording | LongRecording:
    from logger.long import open_light

    return open_light(what, channel=args.channel, unit=args.unit, marks=args.marks)


def _noted(recording: Opened) -> Opened:
    """Say on stderr what the user should know of a recording."""
    for warning in recording.warnings:
        print(f"{recording.name}: {warning}", file=sys.stderr)
    return recording


def _line(path: Path) -> Line:
    from analysis.line import parse_line
    from logger.home import line_file

    file = line_file(path)
    try:
        return parse_line(file.read_text(encoding="utf-8"))
    except UnicodeDecodeError:
        msg = f"{file} is no text. Give the path of a TOML file that describes the line."
        raise ValueError(msg) from None
    except ValueError as problem:
        msg = f"{file}, {problem}"
        raise ValueError(msg) from None


def _answer(args: argparse.Namespace, answer: dict[str, Any], sentences: Sequence[str]) -> int:
    """Print an answer: one JSON object, or sentences and then the warnings."""
    if args.json:
        json.dump(answer, sys.stdout, allow_nan=False)
        print()
    else:
        print("\n".join(sentences))
        for warning in answer.get("warnings", []):
            print(f"Note: {warning}", file=sys.stderr)
    return 0


# One function a command


def _demo(args: argparse.Namespace) -> int:
    from dashboard.demo import run_demo

    home = run_demo(_home() / "demo", _reader(args))
    if args.no_serve:
        return 0
    from dashboard.app import serve

    serve(home, port=args.port, open_browser=not args.no_browser)
    return 0


def _ports(args: argparse.Namespace) -> int:
    from logger.sources import describe_ports

    found = describe_ports(args.listen, [(port, "given by hand") for port in args.port] or None, args.baud)
    if args.json:
        json.dump({"ports": [port.as_json() for port in found]}, sys.stdout)
        print()
    elif found:
        print("\n".join(port.sentence() for port in found))
    else:
        print("No serial port is connected. Plug the sensor's board in; a network device is given as socket://HOST:PORT.")
    return 0


def _record(args: argparse.Namespace) -> int:
    if not args.port and not args.mqtt:
        return _complain("record needs --port or --mqtt; `farend ports` says what is connected.", code=2)
    from logger.record_command import record_from_command

    folder = record_from_command(
        home=_home(),
        port=[*args.port, *(f"mqtt://{place}" for place in args.mqtt)],
        baud=args.baud,
        name=args.name,
        for_s=args.for_s,
        until=args.until,
        rotate_s=args.rotate,
        registers=args.registers,
        columns=args.columns,
        unit=args.unit,
        line=args.line or "",
    )
    print(folder)
    return 0


def _calibrate(args: argparse.Namespace) -> int:
    from logger.calibrate import calibrate_from_command, recalibrate_session

    if args.session:
        from logger.kept import find_session

        named = Path(args.session)
        print("\n".join(recalibrate_session(_home(), named if named.is_dir() else find_session(_home(), args.session).folder)))
        return 0
    if not args.port:
        return _complain("calibrate needs --port, or --session to apply a calibration to what was recorded.", code=2)
    said = calibrate_from_command(
        home=_home(),
        port=args.port,
        baud=args.baud,
        sensor=args.sensor,
        channel=args.channel,
        name=args.name,
        kind=args.kind,
        span=tuple(args.span) if args.span else None,
        full_count=args.full_count,
        at=args.at,
        columns=args.columns,
        unit=args.unit,
    )
    print("\n".join(said))
    return 0


def _import(args: argparse.Namespace) -> int:
    from dashboard import answers, wording
    from logger.csv_in import read_csv
    from logger.kept import save_imported
    from logger.long import look_through
    from logger.session import open_session

    for file in args.file:
        reading = read_csv(Path(file), name=Path(file).stem, unit=args.unit)
        folder = save_imported(_home(), args.name or Path(file).stem, reading)
        look_through(open_session(folder), _home())
        _answer(args, answers.imported(reading), wording.imported(reading, folder))
    return 0


def _export(args: argparse.Namespace) -> int:
    from logger.export import export_recording
    from logger.session import SESSION_FILE

    output = _output(args.output)
    if output.resolve() == Path(args.what).resolve() or (output.absolute().parent / SESSION_FILE).exists():
        msg = f"{output} is what was recorded, or lies in a session's folder, which stays as it is. Write to another file."
        raise ValueError(msg)
    rows = export_recording(_open(args.what, args), output, unit=args.to_unit)
    print(f"{output}: {rows} readings.", file=sys.stderr)
    return 0


def _sessions(args: argparse.Namespace) -> int:
    from dashboard import answers, wording
    from logger.kept import list_sessions, recover_unfinished

    for name in recover_unfinished(_home()):
        print(f"{name}: was not closed properly; its readings were brought to safety.", file=sys.stderr)
    found = list_sessions(_home())
    return _answer(args, answers.sessions(found), wording.sessions(found))


def _shots(args: argparse.Namespace) -> int:
    from analysis.shot_step import air_of_a_shot
    from analysis.shots import summarise
    from dashboard import answers, wording
    from logger.open import Recording

    recording = _open(args.what, args)
    record = recording.shots(lag_s=args.lag)
    summary = summarise(record, window_pa=_window(args.window))
    if args.volume is not None:
        part = recording if isinstance(recording, Recording) else recording.stretch()
        summary = replace(summary, air_per_shot_m3=air_of_a_shot(record, part.t_s, part.p_pa, volume_m3=args.volume))
    return _answer(args, answers.shots(recording.channel, record, summary), wording.shots(record, summary, _reader(args)))


def _window(ends_pa: Sequence[float] | None) -> tuple[float, float] | None:
    """Read a tool's window [Pa], where one was given."""
    if ends_pa is None:
        return None
    low, high = ends_pa
    if not low < high:
        msg = "The lower end of the --window comes first, e.g. --window '80 psi' '100 psi'."
        raise ValueError(msg)
    return low, high


def _vessel(args: argparse.Namespace, recording: Recording) -> dict[str, Any]:
    """What leak-down and cycles need to know besides the pressure."""
    return {
        "volume_m3": args.volume,
        "temp_k": recording.temp_k,
        "p_amb_pa": recording.ambient_pa if args.altitude is None else _at_altitude(recording, args),
        "reference_pa": args.reference,
    }


def _at_altitude(recording: Recording, args: argparse.Namespace) -> Any:
    """Ambient pressure [Pa abs]: the barometer's, else the standard atmosphere's at the height that is given."""
    from analysis.air import ambient_pressure

    if recording.p_amb_series_pa is not None:
        return recording.p_amb_series_pa
    return ambient_pressure(args.altitude)


def _plan(args: argparse.Namespace) -> int:
    """Say how long to leave a line shut in."""
    from analysis.leak_plan import plan_leakdown
    from dashboard import answers, wording

    if not args.volume:
        msg = "A plan needs the air that will be shut in: --volume '30 L'."
        raise ValueError(msg)
    plan = plan_leakdown(args.volume, args.leak, noise_pa=args.noise, temperature=not args.no_thermometer, reference_pa=args.reference)
    return _answer(args, answers.leak_plan(plan), wording.leak_plan(plan, args.leak, _reader(args)))


def _leakdown(args: argparse.Namespace) -> int:
    if args.plan:
        return _plan(args)
    if args.volume_from:
        return _volume_from(args)
    if not args.what:
        return _complain("leakdown needs a recording, or --plan, or --volume-from.", code=2)
    if len(args.what) > 1:
        return _segments(args)

    from analysis.cycles import find_cycles
    from analysis.leak_cost import leak_cost
    from analysis.shut_in import judge
    from dashboard import answers, wording

    recording, find = _open_hours(args.what[0], args)
    judged = judge(recording.t_s, recording.p_pa, find, **_vessel(args, recording))
    per_m3 = {} if args.energy is None else {"specific_power_j_per_m3": 3.6e6 * args.energy}
    cost = leak_cost(judged.leak.leak_m3_per_s, tariff_per_kwh=args.tariff, **per_m3)
    answer = answers.leakdown(judged.leak, cost, args.delivery)
    words = wording.leakdown(judged.leak, cost, _reader(args), args.delivery)
    if judged.pumped and not judged.shots:
        found = find_cycles(recording.t_s, recording.p_pa, **_vessel(args, recording))
        answer["cycles"] = answers.cycles(found)
        words = ["The pump was left on; its runs tell the leak.", *wording.cycles(found, _reader(args))]
    return _answer(args, answer, words)


def _segments(args: argparse.Namespace) -> int:
    """Share a leak out over the segments of a line, from several recordings."""
    from analysis.leak_segments import SegmentTest, leak_by_segment, stated_open
    from analysis.shut_in import judge
    from dashboard import leak_answers

    volumes = dict(args.segment)
    tests: list[SegmentTest] = []
    for i, what in enumerate(args.what):
        recording, find = _open_hours(what, args)
        names = tuple(n.strip() for n in args.open[i].split(",")) if i < len(args.open) else stated_open(recording.marks)
        if not names or not set(names) <= set(volumes):
            msg = (
                f"{what}: give each segment with its volume (--segment 'tank=50 L'), and for each recording those that were open "
                "(--open 'tank, hose'), or mark the session 'open: tank, hose'."
            )
            raise ValueError(msg)
        vessel = _vessel(args, recording) | {"volume_m3": sum(volumes[n] for n in names)}
        judged = judge(recording.t_s, recording.p_pa, find, **vessel)
        tests.append(SegmentTest(name=recording.name, open=names, leak_m3_per_s=judged.leak.leak_m3_per_s))
    found = leak_by_segment(tuple(volumes), tests)
    return _answer(args, leak_answers.segments(found, tests), leak_answers.segments_words(found, args.reference, _reader(args)))


def _volume_from(args: argparse.Namespace) -> int:
    """Measure the air that a line holds."""
    from analysis.shut_in_volume import find_step, volume_by_draw, volume_by_receiver
    from dashboard import leak_answers

    kind, known_m3 = args.volume_from
    if args.what:
        recording, _ = _open_hours(args.what[0], args)
        step = find_step(recording.t_s, recording.p_pa)
        before_pa, after_pa = step.before_pa, step.after_pa
    elif args.before is not None and args.after is not None:
        before_pa, after_pa = args.before, args.after
    else:
        msg = "--volume-from needs a recording of the step, or the pressures --before and --after it."
        raise ValueError(msg)
    if kind == "air":
        volume = volume_by_draw(known_m3, before_pa, after_pa)
    else:
        volume = volume_by_receiver(known_m3, before_pa, args.line_before, after_pa)
    return _answer(args, leak_answers.volume(volume), leak_answers.volume_words(volume, _reader(args)))


def _cycles(args: argparse.Namespace) -> int:
    from analysis.shut_in import read_cycles
    from dashboard import answers, leak_answers, wording

    opened = [_open_hours(what, args) for what in args.what]
    recordings = [recording for recording, _ in opened]
    found = [read_cycles(find, r.t_s, r.p_pa, **_vessel(args, r)) for r, find in opened]
    if len(found) == 1:
        return _answer(args, answers.cycles(found[0]), wording.cycles(found[0], _reader(args)))
    # Sessions know when they were; files stand in their order.
    started = [r.session.started.timestamp() if r.session else float(i) for i, r in enumerate(recordings)]
    named = [r.name for r in recordings]
    return _answer(args, leak_answers.trend(named, started, found), leak_answers.trend_words(named, started, found, _reader(args)))


def _compare(args: argparse.Namespace) -> int:
    from analysis.compare import compare
    from analysis.predict import predict_change
    from dashboard import answers, compare_words, wording

    before, after = _open_stretch(args.before, args), _open_stretch(args.after, args)
    comparison, reader = compare(before.trace(), after.trace()), _reader(args)
    said = [*wording.compare(comparison, reader), *compare_words.left_out_words(comparison)]
    expected = None
    if args.line_before or args.line_after:
        lines = [
            _line(named or _own_line(recording, option))
            for named, recording, option in ((args.line_before, before, "--line-before"), (args.line_after, after, "--line-after"))
        ]
        expected = predict_change(*lines)
        said += compare_words.prediction_words(comparison, expected, before.channel, reader)
    return _answer(args, answers.compare(comparison, compare_words.predicted(expected)), said)


def _own_line(recording: Recording, option: str) -> Path:
    """Name of the air line on which a session was recorded."""
    if recording.session is None or not recording.session.line:
        msg = f"{recording.name} names no air line of its own; give it with {option}."
        raise ValueError(msg)
    return Path(recording.session.line)


def _fit(args: argparse.Namespace) -> int:
    from analysis.fit import fit_line
    from dashboard import answers, fit_words

    recording = _open_stretch(args.what, args)
    fitted = fit_line(
        recording.t_s,
        recording.pressures,
        _line(args.line),
        recording.marks,
        flow_m3_per_s=args.flow,
        inlet_pa=args.inlet,
        unknown=args.unknown,
    )
    reader = _reader(args)
    return _answer(args, answers.fit(fitted, fit_words.findings(fitted, reader)), fit_words.fit(fitted, reader))


def _simulate(args: argparse.Namespace) -> int:
    from analysis.model import simulate
    from analysis.schedule import bursts, like
    from analysis.sensor_view import Sensor, view
    from dashboard import answers, wording

    line = _line(args.line)
    if args.like:
        shots_s = like([s.time_s for s in _open(args.like, args).shots().shots])
    else:
        shots_s = bursts(args.shots, args.every, repeats=args.bursts, pause_s=args.pause)
    sensor = Sensor(place=args.sensor, lag_s=args.lag, resolution_pa=args.resolution)
    duration_s = float(shots_s[-1]) + args.after
    simulation = simulate(line, shots_s, duration_s=duration_s, output_rate_hz=args.rate, places=[sensor.place])
    seen = view(simulation, sensor)
    return _answer(args, answers.simulation(line, simulation, seen), wording.simulation(line, simulation, _reader(args), seen))


def _size(args: argparse.Namespace) -> int:
    from analysis.sizing import size_receiver
    from dashboard import answers, wording

    sizing = size_receiver(_line(args.line), shots=args.shots, every_s=args.every, floor_pa=args.floor)
    return _answer(args, answers.sizing(sizing), wording.sizing(sizing, _reader(args)))


def _improve(args: argparse.Namespace) -> int:
    from analysis.whatif import what_if
    from dashboard import answers, wording

    line, floor_pa = _line(args.line), args.floor
    if floor_pa is None:
        if line.tool.window_pa is None:
            msg = "The line's tool has no window; say the lowest pressure at which a shot may start, e.g. --floor '85 psi'."
            raise ValueError(msg)
        floor_pa = line.tool.window_pa[0]
    found = what_if(line, shots=args.shots, every_s=args.every, floor_pa=floor_pa)
    return _answer(args, answers.what_if(found), wording.what_if(found, _reader(args)))


def _carry(args: argparse.Namespace) -> int:
    from analysis.carry_off import carry_off, check_filling
    from dashboard import answers, wording

    line = _line(args.line)
    found = carry_off(line, volume_m3=args.volume, floor_pa=args.floor, tyre_m3=args.tyre, brad_air_m3=args.brad_air)
    check = None
    if args.filled:
        recording, _ = _open_hours(args.filled, args)
        check = check_filling(line, recording.t_s, recording.p_pa, channel=recording.channel, volume_m3=args.volume)
    said = wording.carry_off(found, check, _reader(args))
    return _answer(args, answers.carry_off(found, check), [*said, *wording.CARRY_NOTES, f"Mind: {wording.CAUTIONS['rated']}"])


def _water(args: argparse.Namespace) -> int:
    from dashboard import dry_answers
    from dashboard.water_asked import water_asked
    from logger.weather import read_weather

    line = _line(args.line)
    asked = ("shots", "air", "hours", "temperature", "humidity", "coldest", "bowl", "desiccant")
    given = {name: value for name in asked if (value := getattr(args, name)) is not None}
    weather = read_weather(args.weather, home=_home()) if args.weather else None
    variants = water_asked(line, given, args.desiccant_kind, weather)
    return _answer(args, dry_answers.water(variants), dry_answers.water_words(line, variants, _reader(args)))


def _setting(args: argparse.Namespace) -> int:
    from analysis.dial_in import dial_in
    from analysis.line import maker_limit
    from dashboard import dry_answers

    recording = _open(args.what, args)
    limits = [
        args.limit,
        maker_limit(_line(args.line).tool) if args.line else None,
        maker_limit(_tool(args.tool)) if args.tool else None,
    ]
    limit_pa = min((p for p in limits if p is not None), default=None)
    record = recording.shots()
    found = dial_in(*recording.around_judged(record), record, recording.marks, limit_pa=limit_pa, work=args.work)
    return _answer(args, dry_answers.setting(found), dry_answers.setting_words(found, _reader(args)))


def _tool(name: str) -> Part:
    """Find one of the builder's tools by its name."""
    from dashboard.work import Work

    tools = Work(_home()).tools()
    if name not in tools:
        known = f" Known are: {', '.join(tools)}." if tools else " None is known: write them on the page Setup, or into tools.toml."
        msg = f"There is no tool {name!r}.{known}"
        raise ValueError(msg)
    return tools[name]


def _check(args: argparse.Namespace) -> int:
    from analysis.line import cautions
    from analysis.line_check import check_parts, rating_cautions
    from dashboard import dry_answers

    line = _line(args.line)
    parts, said = check_parts(line), (*cautions(line), *rating_cautions(line))
    return _answer(args, dry_answers.check(parts, said), dry_answers.check_words(line, parts, said, _reader(args)))


def _report(args: argparse.Namespace) -> int:
    from datetime import datetime
    from tempfile import TemporaryDirectory

    from dashboard.report import chapters_for, report_html, stage, to_pdf
    from dashboard.work import Work

    output = _output(args.output)
    if output.suffix.lower() not in {".html", ".pdf"}:
        msg = f"{output}: a report is written as .html or .pdf; name the file so."
        raise ValueError(msg)
    with TemporaryDirectory(prefix="farend-report-") as folder:
        names = stage(Path(folder), args.what, unit=args.unit, marks=args.marks, line=args.line, home=_home())
        work = Work(Path(folder))
        line_name = next(iter(work.lines()), "")
        chapters = chapters_for(work, names, line_name=line_name, volume=args.volume or "", channel=args.channel or "")
        made = datetime.now().astimezone()
        document = report_html(work, chapters, _reader(args), made=made, title=args.title or "", paper=args.paper)
    output.write_bytes(to_pdf(document) if output.suffix.lower() == ".pdf" else document.encode())
    print(f"{output}: {len(chapters)} chapter{'s' * (len(chapters) > 1)}.", file=sys.stderr)
    return 0


def _output(named: str) -> Path:
    """Path of a file to write, in a folder that is there."""
    output = Path(named)
    if not output.absolute().parent.is_dir():
        msg = f"{output}: there is no folder {output.parent}. Make it first, or choose another."
        raise ValueError(msg)
    return output


def _logbook(args: argparse.Namespace) -> int:
    from datetime import datetime

    from dashboard import book
    from dashboard.work import Work
    from logger.home import line_file, lines_folder

    work, now = Work(_home()), datetime.now().astimezone()
    file = line_file(args.line, _home())
    if file.resolve().parent != lines_folder(_home()).resolve():
        msg = f"{file} is not among the lines that are kept, so it has no log book. Copy it into {lines_folder(_home())} first."
        raise ValueError(msg)
    name = file.stem
    line = work.line(name)
    if args.done:
        work.write_down(line.name, args.done, water_m3=args.water, note=args.note or "")
        print(f"Written down of {line.name}: {args.done}.", file=sys.stderr)
    found = book.book_of(work, name, now)
    if args.csv:
        _output(args.csv).write_text(book.as_csv(found, work.entries(line.name), _reader(args)), encoding="utf-8")
    if args.calendar:
        _output(args.calendar).write_bytes(book.as_calendar(line.name, found, now))
    return _answer(args, book.answer(found), book.words(line.name, found, now))


def _dashboard(args: argparse.Namespace) -> int:
    from dashboard.app import serve

    serve(_home(), port=args.port, lan=args.lan, open_browser=not args.no_browser)
    return 0


# The words of the command line


class _Parser(argparse.ArgumentParser):
    """Says in a line what is wrong with the words of a command, and where the others are explained."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message.removesuffix('.')}. `{self.prog} --help` says more.\n")


def _option(read: Callable[[str], Value]) -> Callable[[str], Value]:
    """Let a problem of an option's text be told in its own words, with the option's name."""

    def told(text: str) -> Value:
        try:
            return read(text)
        except ValueError as problem:
            raise argparse.ArgumentTypeError(str(problem)) from None

    return told


def _quantity(kind: str, *, above_zero: bool = False) -> Callable[[str], float]:
    """Make the type of an option that is a quantity with a unit: it gives SI, and what is not above zero it may refuse."""

    @_option
    def read(text: str) -> float:
        value = parse_quantity(text, kind)
        if above_zero and not value > 0.0:
            msg = f"{text!r} cannot be; needed is a {kind} above zero"
            raise ValueError(msg)
        return value

    return read


_flow, _mass, _volume = (_quantity(kind, above_zero=True) for kind in ("flow", "mass", "volume"))
_humidity, _length, _pressure, _temperature, _time = (_quantity(kind) for kind in ("humidity", "length", "pressure", "temperature", "time"))


def _volume_as_text(text: str) -> str:
    """Let a volume be as it was written: a page takes it so."""
    _volume(text)
    return text


@_option
def _segment(text: str) -> tuple[str, float]:
    """Read NAME=VOLUME: the name and the volume [m3]."""
    name, _, volume = text.partition("=")
    if not name.strip() or not volume:
        msg = f"{text!r} is no name and volume; write it as 'tank=50 L'"
        raise ValueError(msg)
    return name.strip(), _volume(volume)


@_option
def _known_air(text: str) -> tuple[str, float]:
    """Read what a volume is measured by: receiver or air, and how much of it [m3]."""
    kind, _, amount = text.strip().partition(" ")
    if kind not in {"receiver", "air"} or not amount:
        msg = f"{text!r} is neither 'receiver 24 L' (a known one was let over) nor 'air 10 L' (free air was drawn)"
        raise ValueError(msg)
    return kind, _volume(amount)


@_option
def _port_number(text: str) -> int:
    """Read the number of a port of the network."""
    if not text.isdecimal() or not 0 < int(text) < 65536:
        msg = f"{text!r} is no port of this computer; needed is a number from 1 to 65535, e.g. 8050"
        raise ValueError(msg)
    return int(text)


@_option
def _seconds(text: str) -> float:
    """Read how long to listen [s]."""
    value = parse_quantity(text, "number")
    if not 0.0 < value <= LONGEST_LISTENING_S:
        msg = f"{text!r} cannot be; needed are seconds to listen, up to {LONGEST_LISTENING_S:g}"
        raise ValueError(msg)
    return value


def _parser() -> _Parser:
    parser = _Parser(
        prog="farend",
        description="Measure the air at the far end of the hose: record line pressure, find shots, recovery and leaks, "
        "size a receiver and check that it helped.",
        epilog="Quantities are text with a unit: '42.7 L', '5 gal', '85 psi', '0.4 s'. Readings and settings are kept under "
        "FAREND_HOME (default: the folder farend in your home folder).",
    )
    parser.add_argument("--version", action="store_true", help="say which farend this is")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    show = _Parser(add_help=False)
    show.add_argument("--json", action="store_true", help="print one JSON object instead of sentences")
    show.add_argument("--show", choices=UNIT_SETS, default=os.environ.get("FAREND_UNITS", "bar"), help="units of the sentences")

    one = _Parser(add_help=False)
    one.add_argument("--channel", metavar="NAME", help="which pressure, where there are several")
    one.add_argument("--unit", help="unit of the pressures in a file that names none, e.g. psi")
    one.add_argument("--marks", metavar="FILE.jsonl", type=Path, help="marks that go with a CSV file")

    line = _Parser(add_help=False)
    line.add_argument("--line", required=True, type=Path, metavar="LINE", help="air-line file, or the name of one that is kept")

    serving = _Parser(add_help=False)
    serving.add_argument("--no-browser", action="store_true", help="do not open a browser")

    def command(name: str, run: Any, text: str, *parents: _Parser) -> _Parser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", parents=list(parents))
        sub.set_defaults(run=run)
        return sub

    p = command("demo", _demo, "play an invented session, record and analyse it, and open the dashboard", serving)
    p.add_argument("--show", choices=UNIT_SETS, default=os.environ.get("FAREND_UNITS", "bar"), help="units of the findings")
    p.add_argument("--no-serve", action="store_true", help="stop after the findings")
    p.add_argument("--port", type=_port_number, default=8050, help="port of the dashboard")

    p = command("ports", _ports, "say what is connected and what it sends", show)
    p.add_argument(
        "port", nargs="*", metavar="PORT", help="listen on these only, serial ports or pyserial URLs; by default on all there are"
    )
    p.add_argument("--listen", type=_seconds, default=2.0, metavar="SECONDS", help="how long to listen on each port")
    p.add_argument("--baud", type=int, help="listen at this speed only; by default at each usual one until text comes")

    p = command("record", _record, "record a sensor into a session")
    p.add_argument(
        "--port",
        action="append",
        default=[],
        metavar="[NAME=]PORT",
        help="serial port or pyserial URL, see `farend ports`; repeat it for several devices, and name them to tell their channels apart",
    )
    p.add_argument("--mqtt", action="append", default=[], metavar="BROKER/TOPIC", help="a sensor that publishes, as a further port")
    p.add_argument("--registers", action="append", default=[], metavar="MAP.toml", help="ask Modbus RTU transmitters by this map")
    once = "; once for all ports or once for each"
    p.add_argument("--baud", type=int, action="append", default=[], help=f"default 115200{once}")
    p.add_argument("--name", help="name of the session")
    p.add_argument("--for", type=_time, dest="for_s", metavar="TIME", help="how long, e.g. '10 min'")
    p.add_argument("--until", metavar="HH:MM", help="until this time of day")
    p.add_argument("--rotate", type=_time, metavar="TIME", help="begin a new session each so long, e.g. '1 h'; no reading is lost between")
    p.add_argument("--columns", action="append", default=[], help=f"what a line's values are, if the device does not say: t_us,tool{once}")
    p.add_argument("--unit", action="append", default=[], help=f"unit of the pressures, if the device does not say{once}")
    p.add_argument("--line", metavar="NAME", help="name of the air line that it is recorded on, kept with the session")

    p = command("calibrate", _calibrate, "set a sensor's zero, or two points of it against a reference gauge")
    p.add_argument("--session", help="apply the sensors' present calibrations to this session instead")
    p.add_argument("--port", help="serial port or pyserial URL, see `farend ports`")
    p.add_argument("--baud", type=int, default=115200)
    p.add_argument("--channel", help="which of the device's channels")
    p.add_argument("--sensor", help="name to keep it under")
    p.add_argument("--name", help="what sessions shall call the channel; 'tool' is what the analysis looks for")
    p.add_argument("--kind", choices=["ratiometric", "loop"], help="0.5 to 4.5 V of 5 V, or 4 to 20 mA")
    p.add_argument("--span", nargs=2, metavar=("LOW", "HIGH"), help="the sensor's range, e.g. '0 psi' '150 psi'")
    p.add_argument("--full-count", type=float, help="what the device sends for its full supply, e.g. 1023")
    p.add_argument("--at", action="append", default=[], metavar="PRESSURE", help="a pressure of the reference gauge; give it twice")
    p.add_argument("--columns", help="what the values of a line are, where the device does not say")
    p.add_argument("--unit", help="unit of the values, where the device does not say")

    p = command("import", _import, "bring CSV files in as sessions", show)
    p.add_argument("file", nargs="+")
    p.add_argument("--name", help="name of the session (default: the file's)")
    p.add_argument("--unit", help="unit of the pressures in a file that names none, e.g. psi")

    p = command("export", _export, "write a session as CSV or Parquet")
    p.add_argument("what", metavar="SESSION", help=WHAT)
    p.add_argument("-o", "--output", required=True, metavar="FILE.csv|.parquet")
    p.add_argument("--unit", dest="to_unit", help="unit of the pressures written (default: kPa)")
    p.set_defaults(channel=None, unit=None, marks=None)

    command("sessions", _sessions, "list the sessions, after finishing what a crash left open", show)

    p = command("shots", _shots, "find the shots: pressure at each, depth of the dip, time to recover", show, one)
    p.add_argument("what", metavar="WHAT", help=WHAT)
    p.add_argument(
        "--window", type=_pressure, nargs=2, metavar=("LOW", "HIGH"), help="the tool's window, to say how many shots started inside it"
    )
    p.add_argument("--volume", type=_volume, help="air behind the sensor, e.g. of the receiver, to weigh the air per shot")
    p.add_argument("--lag", type=_time, default="0 s", help="time constant of the sensor, e.g. '5 ms': what it smooths away is given back")

    p = command("leakdown", _leakdown, "say whether a shut-in line leaks, how much, and how sure that is", show, one)
    p.add_argument("what", metavar="WHAT", nargs="*", help=f"{WHAT}; several, with different valves shut, tell the segment")
    p.add_argument(
        "--segment",
        type=_segment,
        action="append",
        default=[],
        metavar="NAME=VOLUME",
        help="one for each part of the line, from the supply on",
    )
    p.add_argument("--open", action="append", default=[], metavar="NAMES", help="parts open in a recording; once for each recording")
    p.add_argument(
        "--volume-from", type=_known_air, metavar="KNOWN", help="measure the volume: 'receiver 24 L' let into the line, or 'air 10 L' drawn"
    )
    p.add_argument(
        "--before", type=_pressure, metavar="PRESSURE", help="with --volume-from, without a recording: of the receiver, or before drawing"
    )
    p.add_argument("--after", type=_pressure, metavar="PRESSURE", help="with --volume-from, without a recording: when it stood still again")
    p.add_argument(
        "--line-before", type=_pressure, default="0 bar", metavar="PRESSURE", help="with a receiver: of the line before it was let in"
    )
    p.add_argument("--plan", action="store_true", help="say beforehand how long to leave it shut in")
    p.add_argument("--leak", type=_flow, default="0.01 L/s", help="with --plan: the leak that must show, free air")
    p.add_argument("--noise", type=_pressure, default="0.005 bar", help="with --plan: noise of one reading of the sensor")
    p.add_argument("--no-thermometer", action="store_true", help="with --plan: no temperature will be recorded")
    p.add_argument("--volume", type=_volume, help="air that is shut in; without it only rates are given")
    p.add_argument("--reference", type=_pressure, default="90 psi", help="gauge pressure at which the leak is stated")
    p.add_argument("--altitude", type=_length, help="height of the site, e.g. '1600 m', where no barometer was recorded")
    p.add_argument("--tariff", type=float, default=0.20, help="price of a kWh, in your currency")
    p.add_argument("--energy", type=float, metavar="KWH", help="kWh that the compressor takes for a m3 of free air (default: 0.106)")
    p.add_argument("--delivery", type=_flow, help="free air that the compressor delivers, e.g. '240 L/min', to say the leak's share of it")

    p = command("cycles", _cycles, "read the pump's cycles: duty, delivery and leak", show, one)
    p.add_argument("what", metavar="WHAT", nargs="+", help=f"{WHAT}; several of the same tank tell what grows or falls")
    p.add_argument("--volume", type=_volume, help="tank and all that is open to it; without it flows are not given")
    p.add_argument("--reference", type=_pressure, default="90 psi", help="gauge pressure at which flows are stated")
    p.add_argument("--altitude", type=_length, help="height of the site, e.g. '1600 m', where no barometer was recorded")

    p = command("compare", _compare, "did it help? compare two sessions at equal work", show, one)
    p.add_argument("before", metavar="BEFORE", help=WHAT)
    p.add_argument("after", metavar="AFTER", help=WHAT)
    p.add_argument("--line-before", type=Path, metavar="LINE", help="air line as it was, for the model's prediction (file or kept name)")
    p.add_argument("--line-after", type=Path, metavar="LINE", help="air line as it is; a session's own line counts where one is left out")

    p = command("fit", _fit, "read bore, restrictions, volume and air per shot of a line from a recording", show, one, line)
    p.add_argument("what", metavar="WHAT", help=WHAT)
    p.add_argument("--flow", type=_flow, default="4.65 L/s", help="free-air flow at which the loss of the line is stated")
    p.add_argument("--inlet", type=_pressure, default="620.5 kPa", help="supply pressure at which the loss of the line is stated")
    p.add_argument("--unknown", action="append", metavar="NAME", help="fit only this, such as hose.bore; may be given several times")

    p = command("simulate", _simulate, "what the line should do when shots are fired, and what a sensor would show of it", show, one, line)
    p.add_argument("--shots", type=int, default=1, help="how many, in a burst")
    p.add_argument("--every", type=_time, default="0.5 s", help="time from shot to shot")
    p.add_argument("--bursts", type=int, default=1, help="how many bursts")
    p.add_argument("--pause", type=_time, default="10 s", help="time between bursts")
    p.add_argument("--like", metavar="WHAT", help="fire when the shots of a session or CSV file were fired, instead")
    p.add_argument("--after", type=_time, default="3 s", help="how long to go on after the last")
    p.add_argument(
        "--sensor", default="tool", metavar="PLACE", help="where the sensor sits: supply, receiver, tool (default), or e.g. 'hose 12 m'"
    )
    p.add_argument("--lag", type=_time, default="0 s", help="time constant of the sensor, e.g. '5 ms'")
    p.add_argument("--resolution", type=_pressure, default="0 bar", help="step of its readings, e.g. '0.1 psi'")
    p.add_argument("--rate", type=float, default=200.0, metavar="HZ", help="readings a second")

    p = command("size", _size, "the smallest receiver that keeps a burst above a floor", show, line)
    p.add_argument("--shots", type=int, required=True, help="shots in the burst")
    p.add_argument("--every", type=_time, required=True, help="time from shot to shot, e.g. '0.3 s'")
    p.add_argument("--floor", type=_pressure, required=True, help="lowest pressure at which a shot may start, e.g. '85 psi'")

    p = command("improve", _improve, "what each improvement of the line would buy for a job, the best first", show, line)
    p.add_argument("--shots", type=int, required=True, help="shots in the burst")
    p.add_argument("--every", type=_time, required=True, help="time from shot to shot, e.g. '0.3 s'")
    p.add_argument(
        "--floor", type=_pressure, help="lowest pressure at which a shot may start (default: the lower end of the tool's window)"
    )

    p = command("carry", _carry, "fill a receiver and take it off: how long, how many tyres, how many brads", show, one, line)
    p.add_argument("--volume", type=_volume, help="of the receiver (default: the line's own)")
    p.add_argument("--floor", type=_pressure, help="lowest pressure at which a nail may start")
    p.add_argument("--tyre", type=_volume, metavar="VOLUME", help="air space of a tyre (default: 30 L)")
    p.add_argument("--brad-air", type=_volume, metavar="VOLUME", help="free air of a brad nailer's shot (default: 0.57 L)")
    p.add_argument("--filled", metavar="WHAT", help="a recording of the receiver, or of the tank, being filled: is it as modelled?")

    p = command("water", _water, "how much water comes with the air, where it falls out, when to drain", show, line)
    p.add_argument("--shots-per-day", dest="shots", type=float, metavar="N", help="shots on a working day (default: 1000)")
    p.add_argument("--air", type=_volume, metavar="VOLUME", help="free air on a working day, instead of shots, e.g. '3 m3'")
    p.add_argument("--hours", type=_time, metavar="TIME", help="hours of work a day (default: 8 h)")
    p.add_argument("--temperature", type=_temperature, help="of the air drawn in (default: the site's)")
    p.add_argument("--humidity", type=_humidity, help="of the air drawn in, e.g. '70 %%' (default: the site's)")
    p.add_argument("--weather", metavar="WHAT", help="session or CSV file in which temperature and humidity were measured")
    p.add_argument("--coldest", type=_temperature, metavar="TEMPERATURE", help="coldest place from the first hose on, e.g. '4 degC'")
    p.add_argument("--bowl", type=_volume, metavar="VOLUME", help="water that may gather before it is drained, e.g. '0.2 L'")
    p.add_argument("--desiccant", type=_mass, metavar="MASS", help="dry filling of the dryer, e.g. '500 g'")
    p.add_argument("--desiccant-kind", choices=["silica gel", "molecular sieve"], default="silica gel")

    p = command("setting", _setting, "which pressure sets the nail flush, from judged shots", show, one)
    p.add_argument("what", metavar="WHAT", help=WHAT)
    p.add_argument("--limit", type=_pressure, metavar="PRESSURE", help="the tool maker's highest pressure, e.g. '120 psi'")
    p.add_argument("--line", type=Path, metavar="LINE", help="air-line file whose tool says the limit")
    p.add_argument("--tool", metavar="NAME", help="one of your tools, for its limit (tools.toml, or the tool of a kept line)")
    p.add_argument("--work", metavar="TEXT", help="which fastener and wood, as the judgements name them (default: the most judged)")

    command("check", _check, "hold every part's rating against the highest pressure it can see", show, line)

    p = command("logbook", _logbook, "what a kept line has done, what is due, and what changes over time", show)
    p.add_argument("--line", required=True, metavar="NAME", help="air line that is kept; its sessions name it")
    p.add_argument("--done", choices=SERVICE, help="write down that this was done now")
    p.add_argument("--water", type=_quantity("volume"), metavar="VOLUME", help="with --done: water that came out, e.g. '80 mL'")
    p.add_argument("--note", help="with --done: your words")
    p.add_argument("--csv", metavar="FILE", help="write sessions and entries as a table")
    p.add_argument("--calendar", metavar="FILE.ics", help="write what is due as a calendar")

    p = command("report", _report, "write a report to keep or hand on, of one session or several", one)
    p.add_argument("what", metavar="WHAT", nargs="+", help=f"{WHAT}; two of work are compared, the first as before")
    p.add_argument("-o", "--output", required=True, metavar="FILE", help="FILE.html or FILE.pdf")
    p.add_argument("--line", type=Path, metavar="LINE", help="add a chapter on this air line, by the model")
    p.add_argument("--volume", type=_volume_as_text, help="air that was shut in, for a leak-down, e.g. '100 L'")
    p.add_argument("--title", help="heading of the report")
    p.add_argument("--paper", choices=["a4", "letter"], default="a4")
    p.add_argument("--show", choices=UNIT_SETS, default=os.environ.get("FAREND_UNITS", "bar"), help="units of the report")

    p = command("dashboard", _dashboard, "serve the pages on this computer, or to a phone in the same network", serving)
    p.add_argument("--port", type=_port_number, default=8050)
    p.add_argument("--lan", action="store_true", help="let others in this network in, with an access code that is printed")
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
