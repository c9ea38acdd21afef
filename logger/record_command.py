"""Recording as the command line asks for it: several ports, a time of day, a live line on stderr."""

from __future__ import annotations

import contextlib
import re
import sys
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from logger.device import DeviceSettings, named_port
from logger.kept import recover_unfinished
from logger.recorder import record
from logger.status import Status, live_line


def record_from_command(
    *,
    home: Path | str | None,
    port: str | Sequence[str],
    baud: int | Sequence[int] = 115200,
    name: str | None = None,
    for_s: float | None = None,
    until: str | None = None,
    rotate_s: float | None = None,
    columns: str | Sequence[str] | None = None,
    unit: str | Sequence[str] | None = None,
    registers: str | Sequence[str] | None = None,
    line: str = "",
) -> Path:
    """Record as the command line asks, with a live line on stderr, and return the session's folder.

    Parameters
    ----------
    port, baud, columns, unit, registers
        Of one device or, in the order of the ports, of several; one value is meant for all of them, "" for none.
    home, name, for_s, rotate_s, line
        As for `record`.
    until : str, optional
        A time of day, e.g. "06:30".

    Raises
    ------
    ValueError
        As `record`; or if `until` is no time of day, or there are not as many values as ports.
    """
    devices = device_settings(port, baud=baud, columns=columns, unit=unit, registers=registers)
    end = None if until is None else next_time_of_day(until, datetime.now().astimezone())
    for said in _recovered(home):
        print(said, file=sys.stderr)
    print(f"Recording from {', '.join(d.port for d in devices)}. Stop with Ctrl-C.", file=sys.stderr)
    live = sys.stderr.isatty()
    last = 0.0
    told = 0

    def show(status: Status) -> None:
        nonlocal last, told
        now = time.monotonic()
        for text in status.said[told:]:
            print(f"\r\x1b[K{text}" if live else text, file=sys.stderr, flush=True)
        told = len(status.said)
        if live:
            print(f"\r{live_line(status)}\x1b[K", end="", file=sys.stderr, flush=True)
        elif now - last >= 60.0 or status.state == "finished":
            print(live_line(status), file=sys.stderr, flush=True)
            last = now

    def show_if_heard(status: Status) -> None:
        with contextlib.suppress(OSError):  # the terminal has been closed; the recording does not mind
            show(status)

    session = record(
        devices=devices,
        home=home,
        name=name,
        for_s=for_s,
        until=end,
        rotate_s=rotate_s,
        line=line,
        on_status=show_if_heard,
    )
    if live:
        print(file=sys.stderr)
    for warning in session.warnings:
        print(warning, file=sys.stderr)
    return session.folder


def _recovered(home: Path | str | None) -> list[str]:
    """Bring to safety what a crash left open; trouble with an old session must not keep a new one from beginning."""
    try:
        return [f"{name}: was not closed properly; its readings were brought to safety." for name in recover_unfinished(home)]
    except (OSError, ValueError) as problem:
        return [f"An unfinished session could not be brought to safety now: {problem}"]


def device_settings(
    port: str | Sequence[str],
    *,
    baud: int | Sequence[int] = 115200,
    columns: str | Sequence[str] | None = None,
    unit: str | Sequence[str] | None = None,
    registers: str | Sequence[str] | None = None,
) -> list[DeviceSettings]:
    """Settings of each device from what was given once for all, or once for each.

    Raises
    ------
    ValueError
        If there are not as many values as ports, or one of them makes no sense.
    """
    ports = [port] if isinstance(port, str) else list(port)
    bauds = _for_each(baud, len(ports), "--baud")
    columns_of = _for_each(columns, len(ports), "--columns")
    units = _for_each(unit, len(ports), "--unit")
    maps = _for_each(registers, len(ports), "--registers")
    found = []
    for i, (name, place) in enumerate(named_port(text) for text in ports):
        found.append(
            DeviceSettings(
                port=place,
                name=name,
                baud=int(bauds[i] or 115200),
                columns=columns_of[i] or None,
                unit=units[i] or None,
                registers=Path(maps[i]) if maps[i] else None,
            )
        )
    return found


def _for_each(values: str | int | Sequence[str | int] | None, count: int, option: str) -> list[str]:
    """Return one value a port; "" where there is none."""
    each = [] if values is None else [values] if isinstance(values, str | int) else list(values)
    if len(each) not in {0, 1, count}:
        msg = f"{option} is given {len(each)} times for {count} ports. Give it once for all, or once for each, in their order."
        raise ValueError(msg)
    texts = [str(value) for value in each] or [""]
    return texts * count if len(texts) == 1 else texts


def next_time_of_day(text: str, now: datetime) -> datetime:
    """Return the next instant at which clocks here show this time of day, e.g. 06:30.

    Raises
    ------
    ValueError
        If the text is none.
    """
    match = re.fullmatch(r"([01]?\d|2[0-3])[:.]([0-5]\d)", text.strip())
    if not match:
        msg = f"{text!r} is no time of day. Write it as 06:30."
        raise ValueError(msg)
    then = now.replace(hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0)
    return then if then > now else then + timedelta(days=1)
