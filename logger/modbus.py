"""Pressure transmitters that are asked: Modbus RTU over RS-485, by a register map in a file.

::

    every = "0.1 s"             # how often to ask
    baud = 9600                 # default 9600
    parity = "none"             # none, even or odd; default none
    stop_bits = 1               # default 1
    timeout = "0.2 s"           # how long to wait for an answer; default 0.2 s

    [channels.tool]
    address = 1                 # of the transmitter on the line, 1 to 247
    register = 2                # as the telegram counts: from 0
    table = "input"             # input (function 4) or holding (function 3); default holding
    type = "int16"              # int16, uint16, int32, uint32 or float32
    word_order = "high first"   # of two registers; or "low first"
    scale = 0.01                # reading = scale * number; default 1
    unit = "bar"

A transmitter's sheet counts registers from 0 or, with 30001 or 40001 for the first, from 1: take off the 30001 or 40001.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import struct
import time
import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from analysis.units import parse_quantity
from logger.channel import Channel
from logger.clock import host_seconds
from logger.lines import with_checksum

TYPES: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
FUNCTIONS: Final = {"holding": 3, "input": 4}
PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}
ORDERS: Final = ("high first", "low first")
QUIET_S: Final = 1.0  # after a missing answer the line must be quiet so long: a late answer would pass for the next one's
GIVE_UP_AFTER: Final = 3  # missing answers in a row; then a transmitter is asked seldom, not to hold up the others
SELDOM_S: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """One value of one transmitter.

    Attributes
    ----------
    channel : str
        What to call it.
    address : int
        Of the transmitter, 1 to 247.
    register : int
        First register, from 0.
    table : str
        "holding" or "input".
    kind : str
        One of `TYPES`.
    low_first : bool
        Whether the first of two registers holds the lower half.
    scale : float
        Reading for a register's 1.
    unit : str
        Unit of the reading.
    """

    channel: str
    address: int
    register: int
    table: str = "holding"
    kind: str = "int16"
    low_first: bool = False
    scale: float = 1.0
    unit: str = "kPa"


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterMap:
    """What to ask, how often, and how fast the line is.

    Attributes
    ----------
    registers : tuple of Register
        In the order of the channels.
    every_s : float
        Time from one round of questions to the next [s].
    timeout_s : float
        How long to wait for an answer [s].
    baud, parity, stop_bits
        Of the line; parity is "N", "E" or "O".
    """

    registers: tuple[Register, ...]
    every_s: float = 0.1
    timeout_s: float = 0.2
    baud: int = 9600
    parity: str = "N"
    stop_bits: int = 1


def read_register_map(path: Path) -> RegisterMap:
    """Read a register map.

    Raises
    ------
    ValueError
        If a key is unknown or a value impossible; the message says which, and what is known.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        _known(table, {"every", "timeout", "baud", "parity", "stop_bits", "channels"}, "")
        channels = table.get("channels")
        if not isinstance(channels, dict) or not channels:
            msg = "there is no [channels.NAME]; each value to read needs one, e.g. [channels.tool]."
            raise ValueError(msg)
        found = RegisterMap(
            registers=tuple(_register(name, entry) for name, entry in channels.items()),
            every_s=parse_quantity(str(table.get("every", "0.1 s")), "time"),
            timeout_s=parse_quantity(str(table.get("timeout", "0.2 s")), "time"),
            baud=_whole(table, "baud", 9600, 300, 4_000_000),
            parity=PARITIES[_one_of(table, "parity", "none", PARITIES)],
            stop_bits=_whole(table, "stop_bits", 1, 1, 2),
        )
        if not (0.0 < found.timeout_s <= 10.0 and 0.0 < found.every_s <= 3600.0):
            msg = f"every = {found.every_s:g} s, timeout = {found.timeout_s:g} s; needed are up to an hour, and up to 10 s."
            raise ValueError(msg)
    except OSError as problem:
        msg = f"{path}: {problem.strerror}. --registers names a TOML file that says which registers to read."
        raise ValueError(msg) from None
    except (ValueError, UnicodeDecodeError) as problem:
        msg = f"{path}: {problem}"
        raise ValueError(msg) from None
    return found


def _known(table: dict[str, Any], keys: set[str], where: str) -> None:
    for key in table:
        if key not in keys:
            near = difflib.get_close_matches(key, keys, n=1, cutoff=0.0)[0]
            msg = f"{where}{key!r} is not known; did you mean {near!r}?"
            raise ValueError(msg)


def _whole(table: dict[str, Any], key: str, default: int | None, least: int, most: int, where: str = "") -> int:
    value = table.get(key, default)
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        msg = f"{where}{key} = {value!r}; needed is a whole number from {least} to {most}."
        raise ValueError(msg)
    return value


def _one_of(table: dict[str, Any], key: str, default: str, known: Any, where: str = "") -> str:
    value = table.get(key, default)
    if value not in known:
        msg = f"{where}{key} = {value!r}; it is one of {', '.join(known)}."
        raise ValueError(msg)
    return str(value)


def _register(name: str, entry: Any) -> Register:
    where = f"[channels.{name}] "
    if not isinstance(entry, dict):
        msg = f"{where}is no table."
        raise ValueError(msg)
    _known(entry, {"address", "register", "table", "type", "word_order", "scale", "unit"}, where)
    scale = entry.get("scale", 1.0)
    if not isinstance(scale, int | float) or isinstance(scale, bool) or not math.isfinite(scale) or scale == 0.0:
        msg = f"{where}scale = {scale!r}; needed is a number other than 0."
        raise ValueError(msg)
    channel = Channel(name=name, unit=str(entry.get("unit", "")))  # refuses an impossible name or unit
    return Register(
        channel=name,
        address=_whole(entry, "address", None, 1, 247, where),
        register=_whole(entry, "register", None, 0, 65535, where),
        table=_one_of(entry, "table", "holding", FUNCTIONS, where),
        kind=_one_of(entry, "type", "int16", TYPES, where),
        low_first=_one_of(entry, "word_order", "high first", ORDERS, where) == "low first",
        scale=float(scale),
        unit=channel.unit,
    )


class ModbusSource:
    """Transmitters on a line, asked in turn; to the recorder they look like a board that sends lines.

    A transmitter that does not answer, or answers with a wrong checksum, leaves its value out of the line; nothing is guessed.

    Parameters
    ----------
    port : str
        Serial port or pyserial URL.
    registers : Path
        The register map.

    Attributes
    ----------
    bad : Counter
        Questions without a good answer, by the reason.
    """

    def __init__(self, port: str, registers: Path) -> None:
        import minimalmodbus
        import serial

        self._map = read_register_map(registers)
        self._faults: tuple[type[Exception], ...] = (minimalmodbus.ModbusException, ValueError)
        self._no_answer = minimalmodbus.NoResponseError
        self._refused = minimalmodbus.SlaveReportedException
        line = serial.serial_for_url(
            port,
            baudrate=self._map.baud,
            parity=self._map.parity,
            stopbits=self._map.stop_bits,
            timeout=self._map.timeout_s,
            write_timeout=1.0,
        )
        self._line: Any = line
        self._instruments: dict[int, Any] = {}
        for address in {r.address for r in self._map.registers}:
            instrument = minimalmodbus.Instrument(line, address)
            instrument.clear_buffers_before_each_transaction = True
            self._instruments[address] = instrument
        self._due_s = host_seconds()
        self._missed: Counter[int] = Counter()  # answers in a row, by address
        self._asked_s: dict[int, float] = {}
        self._unsettled = False
        self._asked = True
        self.bad: Counter[str] = Counter()

    @property
    def description(self) -> str:
        """What a board would say of itself."""
        columns = ",".join(["t_us", *(r.channel for r in self._map.registers)])
        units = ",".join(r.unit for r in self._map.registers)
        return f"#farend columns={columns} unit={units} rate={1.0 / self._map.every_s:g} checksum=xor"

    def read(self) -> bytes:
        """Ask every transmitter once, when it is time, and return a line."""
        if self._asked:
            self._asked = False
            return f"\n{self.description}\n".encode()
        wait_s = self._due_s - host_seconds()
        if wait_s > 0.0:
            time.sleep(min(wait_s, 0.05))
            return b""
        if self._unsettled:
            self._settle()
        begun_s = host_seconds()
        self._due_s = max(self._due_s + self._map.every_s, begun_s)  # too slow for the wish: as fast as it goes
        asked = {a for a in self._instruments if self._missed[a] < GIVE_UP_AFTER or begun_s - self._asked_s[a] >= SELDOM_S}
        self._asked_s.update(dict.fromkeys(asked, begun_s))
        values = [self._ask_one(r) if r.address in asked and not self._unsettled else "" for r in self._map.registers]
        if all(v == "" for v in values):
            return b""
        # The host's clock, which goes on when the port is opened anew; the answer is of about the middle of the round.
        middle_us = round((begun_s + host_seconds()) / 2.0 * 1e6) % 2**32
        return (with_checksum(f"{middle_us},{','.join(values)}") + "\n").encode()

    def _settle(self) -> None:
        """Let a late answer come in and throw it away."""
        quiet_since = begun = host_seconds()
        while host_seconds() - quiet_since < QUIET_S and host_seconds() - begun < 5.0 * QUIET_S:
            if self._line.read(256):
                quiet_since = host_seconds()
        self._unsettled = False

    def _ask_one(self, r: Register) -> str:
        instrument, function = self._instruments[r.address], FUNCTIONS[r.table]
        try:
            if TYPES[r.kind] == 1:
                number = float(instrument.read_register(r.register, 0, function, r.kind == "int16"))
            else:
                words = instrument.read_registers(r.register, 2, function)
                number = _two_words(words[::-1] if r.low_first else words, r.kind)
        except self._no_answer:
            self._missed[r.address] += 1
            self._unsettled = True
            self.bad[f"no answer of transmitter {r.address}"] += 1
            return ""
        except self._faults as fault:
            self._unsettled = not isinstance(fault, self._refused)
            self.bad[f"answer of transmitter {r.address} not understood"] += 1
            return ""
        self._missed[r.address] = 0
        value = number * r.scale
        return f"{value:.9g}" if math.isfinite(value) else ""

    def ask(self) -> None:
        """Describe itself again."""
        self._asked = True

    def close(self) -> None:
        """Give the line back."""
        with contextlib.suppress(OSError):
            self._line.close()


def _two_words(words: list[int], kind: str) -> float:
    data = struct.pack(">HH", *words)
    return float(struct.unpack({"int32": ">i", "uint32": ">I", "float32": ">f"}[kind], data)[0])
