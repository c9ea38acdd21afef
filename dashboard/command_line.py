"""The words of the command line: which command takes what, and how an option's text is read."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path
from typing import Final, NoReturn, TypeVar

from analysis.units import parse_quantity
from dashboard.reader import UNIT_SETS
from logger.logbook import SERVICE

Value = TypeVar("Value")
WHAT: Final = "a session's name or folder, or a CSV file"
LONGEST_LISTENING_S: Final = 3600.0  # by choice: far more than a sensor needs to show what it sends


def parser() -> argparse.ArgumentParser:
    """Make the parser of the command line; the name of the command is in `command`, None where none is given."""
    made = _Parser(
        prog="farend",
        description="Measure the air at the far end of the hose: record line pressure, find shots, recovery and leaks, "
        "size a receiver and check that it helped.",
        epilog="Quantities are text with a unit: '42.7 L', '5 gal', '85 psi', '0.4 s'. Readings and settings are kept under "
        "FAREND_HOME (default: the folder farend in your home folder).",
    )
    made.add_argument("--version", action="store_true", help="say which farend this is")
    words = _Words(made)
    for add in (_readings, _recordings, _lines, _pages):
        add(words)
    return made


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


class _Words:
    """What the commands have in common.

    Attributes
    ----------
    show, one, line, serving
        Options of commands that answer, take a recording, need an air line, serve the pages.
    """

    def __init__(self, parser: _Parser) -> None:
        self._commands = parser.add_subparsers(dest="command", metavar="COMMAND")
        self.show = _Parser(add_help=False)
        self.show.add_argument("--json", action="store_true", help="print one JSON object instead of sentences")
        self.show.add_argument("--show", choices=UNIT_SETS, default=os.environ.get("FAREND_UNITS", "bar"), help="units of the sentences")

        self.one = _Parser(add_help=False)
        self.one.add_argument("--channel", metavar="NAME", help="which pressure, where there are several")
        self.one.add_argument("--unit", help="unit of the pressures in a file that names none, e.g. psi")
        self.one.add_argument("--marks", metavar="FILE.jsonl", type=Path, help="marks that go with a CSV file")

        self.line = _Parser(add_help=False)
        self.line.add_argument("--line", required=True, type=Path, metavar="LINE", help="air-line file, or the name of one that is kept")

        self.serving = _Parser(add_help=False)
        self.serving.add_argument("--no-browser", action="store_true", help="do not open a browser")

    def command(self, name: str, text: str, *parents: _Parser) -> _Parser:
        """Add a command."""
        return self._commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", parents=list(parents))


def _readings(words: _Words) -> None:
    """Add the commands that take readings, and keep them."""
    p = words.command("demo", "play an invented session, record and analyse it, and open the dashboard", words.serving)
    p.add_argument("--show", choices=UNIT_SETS, default=os.environ.get("FAREND_UNITS", "bar"), help="units of the findings")
    p.add_argument("--no-serve", action="store_true", help="stop after the findings")
    p.add_argument("--port", type=_port_number, default=8050, help="port of the dashboard")

    p = words.command("ports", "say what is connected and what it sends", words.show)
    p.add_argument(
        "port", nargs="*", metavar="PORT", help="listen on these only, serial ports or pyserial URLs; by default on all there are"
    )
    p.add_argument("--listen", type=_seconds, default=2.0, metavar="SECONDS", help="how long to listen on each port")
    p.add_argument("--baud", type=int, help="listen at this speed only; by default at each usual one until text comes")

    p = words.command("record", "record a sensor into a session")
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

    p = words.command("calibrate", "set a sensor's zero, or two points of it against a reference gauge")
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

    p = words.command("import", "bring CSV files in as sessions", words.show)
    p.add_argument("file", nargs="+")
    p.add_argument("--name", help="name of the session (default: the file's)")
    p.add_argument("--unit", help="unit of the pressures in a file that names none, e.g. psi")

    p = words.command("export", "write a session as CSV or Parquet")
    p.add_argument("what", metavar="SESSION", help=WHAT)
    p.add_argument("-o", "--output", required=True, metavar="FILE.csv|.parquet")
    p.add_argument("--unit", dest="to_unit", help="unit of the pressures written (default: kPa)")
    p.set_defaults(channel=None, unit=None, marks=None)

    words.command("sessions", "list the sessions, after finishing what a crash left open", words.show)


def _recordings(words: _Words) -> None:
    """Add the commands that say what is in a recording."""
    p = words.command("shots", "find the shots: pressure at each, depth of the dip, time to recover", words.show, words.one)
    p.add_argument("what", metavar="WHAT", help=WHAT)
    p.add_argument(
        "--window", type=_pressure, nargs=2, metavar=("LOW", "HIGH"), help="the tool's window, to say how many shots started inside it"
    )
    p.add_argument("--volume", type=_volume, help="air behind the sensor, e.g. of the receiver, to weigh the air per shot")
    p.add_argument("--lag", type=_time, default="0 s", help="time constant of the sensor, e.g. '5 ms': what it smooths away is given back")

    p = words.command("leakdown", "say whether a shut-in line leaks, how much, and how sure that is", words.show, words.one)
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

    p = words.command("cycles", "read the pump's cycles: duty, delivery and leak", words.show, words.one)
    p.add_argument("what", metavar="WHAT", nargs="+", help=f"{WHAT}; several of the same tank tell what grows or falls")
    p.add_argument("--volume", type=_volume, help="tank and all that is open to it; without it flows are not given")
    p.add_argument("--reference", type=_pressure, default="90 psi", help="gauge pressure at which flows are stated")
    p.add_argument("--altitude", type=_length, help="height of the site, e.g. '1600 m', where no barometer was recorded")

    p = words.command("compare", "did it help? compare two sessions at equal work", words.show, words.one)
    p.add_argument("before", metavar="BEFORE", help=WHAT)
    p.add_argument("after", metavar="AFTER", help=WHAT)
    p.add_argument("--line-before", type=Path, metavar="LINE", help="air line as it was, for the model's prediction (file or kept name)")
    p.add_argument("--line-after", type=Path, metavar="LINE", help="air line as it is; a session's own line counts where one is left out")

    p = words.command("setting", "which pressure sets the nail flush, from judged shots", words.show, words.one)
    p.add_argument("what", metavar="WHAT", help=WHAT)
    p.add_argument("--limit", type=_pressure, metavar="PRESSURE", help="the tool maker's highest pressure, e.g. '120 psi'")
    p.add_argument("--line", type=Path, metavar="LINE", help="air-line file whose tool says the limit")
    p.add_argument("--tool", metavar="NAME", help="one of your tools, for its limit (tools.toml, or the tool of a kept line)")
    p.add_argument("--work", metavar="TEXT", help="which fastener and wood, as the judgements name them (default: the most judged)")


def _lines(words: _Words) -> None:
    """Add the commands that need to know the air line."""
    p = words.command(
        "fit", "read bore, restrictions, volume and air per shot of a line from a recording", words.show, words.one, words.line
    )
    p.add_argument("what", metavar="WHAT", help=WHAT)
    p.add_argument("--flow", type=_flow, default="4.65 L/s", help="free-air flow at which the loss of the line is stated")
    p.add_argument("--inlet", type=_pressure, default="620.5 kPa", help="supply pressure at which the loss of the line is stated")
    p.add_argument("--unknown", action="append", metavar="NAME", help="fit only this, such as hose.bore; may be given several times")

    p = words.command(
        "simulate", "what the line should do when shots are fired, and what a sensor would show of it", words.show, words.one, words.line
    )
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

    p = words.command("size", "the smallest receiver that keeps a burst above a floor", words.show, words.line)
    p.add_argument("--shots", type=int, required=True, help="shots in the burst")
    p.add_argument("--every", type=_time, required=True, help="time from shot to shot, e.g. '0.3 s'")
    p.add_argument("--floor", type=_pressure, required=True, help="lowest pressure at which a shot may start, e.g. '85 psi'")

    p = words.command("improve", "what each improvement of the line would buy for a job, the best first", words.show, words.line)
    p.add_argument("--shots", type=int, required=True, help="shots in the burst")
    p.add_argument("--every", type=_time, required=True, help="time from shot to shot, e.g. '0.3 s'")
    p.add_argument(
        "--floor", type=_pressure, help="lowest pressure at which a shot may start (default: the lower end of the tool's window)"
    )

    p = words.command(
        "carry", "fill a receiver and take it off: how long, how many tyres, how many brads", words.show, words.one, words.line
    )
    p.add_argument("--volume", type=_volume, help="of the receiver (default: the line's own)")
    p.add_argument("--floor", type=_pressure, help="lowest pressure at which a nail may start")
    p.add_argument("--tyre", type=_volume, metavar="VOLUME", help="air space of a tyre (default: 30 L)")
    p.add_argument("--brad-air", type=_volume, metavar="VOLUME", help="free air of a brad nailer's shot (default: 0.57 L)")
    p.add_argument("--filled", metavar="WHAT", help="a recording of the receiver, or of the tank, being filled: is it as modelled?")

    p = words.command("water", "how much water comes with the air, where it falls out, when to drain", words.show, words.line)
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

    words.command("check", "hold every part's rating against the highest pressure it can see", words.show, words.line)

    p = words.command("logbook", "what a kept line has done, what is due, and what changes over time", words.show)
    p.add_argument("--line", required=True, metavar="NAME", help="air line that is kept; its sessions name it")
    p.add_argument("--done", choices=SERVICE, help="write down that this was done now")
    p.add_argument("--water", type=_quantity("volume"), metavar="VOLUME", help="with --done: water that came out, e.g. '80 mL'")
    p.add_argument("--note", help="with --done: your words")
    p.add_argument("--csv", metavar="FILE", help="write sessions and entries as a table")
    p.add_argument("--calendar", metavar="FILE.ics", help="write what is due as a calendar")


def _pages(words: _Words) -> None:
    """Add the commands that show more than a few sentences."""
    p = words.command("report", "write a report to keep or hand on, of one session or several", words.one)
    p.add_argument("what", metavar="WHAT", nargs="+", help=f"{WHAT}; two of work are compared, the first as before")
    p.add_argument("-o", "--output", required=True, metavar="FILE", help="FILE.html or FILE.pdf")
    p.add_argument("--line", type=Path, metavar="LINE", help="add a chapter on this air line, by the model")
    p.add_argument("--volume", type=_volume_as_text, help="air that was shut in, for a leak-down, e.g. '100 L'")
    p.add_argument("--title", help="heading of the report")
    p.add_argument("--paper", choices=["a4", "letter"], default="a4")
    p.add_argument("--show", choices=UNIT_SETS, default=os.environ.get("FAREND_UNITS", "bar"), help="units of the report")

    p = words.command("dashboard", "serve the pages on this computer, or to a phone in the same network", words.serving)
    p.add_argument("--port", type=_port_number, default=8050)
    p.add_argument("--lan", action="store_true", help="let others in this network in, with an access code that is printed")
