"""Front door of farend: one command per job. It calls and prints; everything else lives in the three packages.

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
from typing import TYPE_CHECKING, Any, Final, TypeVar

from analysis.units import UnitError
from dashboard.command_line import parser

if TYPE_CHECKING:
    from analysis.line import Line, Part
    from analysis.record import ShotRecord
    from logger.long import LongRecording
    from logger.open import Recording

Opened = TypeVar("Opened", "Recording", "LongRecording", "Recording | LongRecording")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    # Small matrices by the thousand: threads of the linear algebra would only wait for each other. It is read when numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = parser()
    args = words.parse_args(argv)
    if args.version:
        from importlib.metadata import version

        print(f"farend {version('farend')}")
        return 0
    if args.command is None:
        words.print_help()
        return 2
    try:
        code = COMMANDS[args.command](args)
        print(end="", flush=True)
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
    if isinstance(problem, OSError) and problem.strerror:
        return f"{problem.filename or 'What was found could not be written'}: {problem.strerror}."
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
    from analysis.line_file import parse_line
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
        print(json.dumps(answer, allow_nan=False))
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
        print(json.dumps({"ports": [port.as_json() for port in found]}))
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
    from analysis.cautions import maker_limit
    from analysis.dial_in import dial_in
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
    from analysis.cautions import cautions
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


COMMANDS: Final[dict[str, Callable[[argparse.Namespace], int]]] = {
    "demo": _demo,
    "ports": _ports,
    "record": _record,
    "calibrate": _calibrate,
    "import": _import,
    "export": _export,
    "sessions": _sessions,
    "shots": _shots,
    "leakdown": _leakdown,
    "cycles": _cycles,
    "compare": _compare,
    "setting": _setting,
    "fit": _fit,
    "simulate": _simulate,
    "size": _size,
    "improve": _improve,
    "carry": _carry,
    "water": _water,
    "check": _check,
    "logbook": _logbook,
    "report": _report,
    "dashboard": _dashboard,
}


if __name__ == "__main__":
    raise SystemExit(main())
