"""What a column of a file is, from the words over it: name, unit, gauge or absolute.

``tool (psi)``, ``tool_psi``, ``psi``, ``p [bar]``, ``Hose end, gauge [bar]``, ``supply psia``: people write units in many
places. A name that stays silent stays without a unit; nothing is guessed from the numbers.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

_WORDS: Final = {
    "Pa": "pa pascal pascals",
    "kPa": "kpa kilopascal kilopascals",
    "MPa": "mpa megapascal n/mm2",
    "bar": "bar bars",
    "mbar": "mbar millibar hpa",
    "psi": "psi lbf/in2 lb/in2 lbs/in2",
    "kgf/cm2": "ksc",
    "inHg": "inhg in.hg",
    "mmHg": "mmhg",
    "K": "k kelvin degk",
    "degC": "c degc °c celsius degcelsius ºc",
    "degF": "f degf °f fahrenheit degfahrenheit ºf",
    "%RH": "%rh rh rh% %rf %hr",
    "%": "% percent pct",
    "V": "v volt volts",
    "mV": "mv millivolt millivolts",
    "mA": "ma milliamp milliamps milliampere",
    "counts": "counts count cnt cts adc lsb",
    "s": "s sec secs second seconds sek sekunde sekunden",
    "ms": "ms msec msecs millis millisecond milliseconds millisekunden",
    "us": "us usec usecs micros microsecond microseconds mikrosekunden",
    "ns": "ns nsec nanoseconds",
    "min": "min mins minute minutes minuten",
    "h": "h hr hrs hour hours stunden",
    "d": "day days tage",
}
UNIT_WORDS: Final = {word: unit for unit, words in _WORDS.items() for word in words.split()}
QUANTITIES: Final = (
    dict.fromkeys(("Pa", "kPa", "MPa", "bar", "mbar", "psi", "kgf/cm2", "inHg", "mmHg"), "pressure")
    | dict.fromkeys(("K", "degC", "degF"), "temperature")
    | dict.fromkeys(("s", "ms", "us", "ns", "min", "h", "d"), "time")
    | {"%RH": "humidity", "%": "fraction", "V": "voltage", "mV": "voltage", "mA": "current", "counts": "counts"}
)
SI_SUFFIX: Final = {"pressure": "pa", "temperature": "k", "humidity": "rh", "voltage": "v", "current": "a", "counts": "counts"}
KNOWN_UNITS: Final = "Pa, kPa, MPa, bar, mbar, psi, kgf/cm2, inHg, mmHg, degC, degF, K, %RH, V, mA, counts"

_ABSOLUTE: Final = frozenset({"abs", "absolute", "absolut"})
_GAUGE: Final = frozenset({"gauge", "gage", "rel", "relative", "relativ", "g"})
_TIME_NAMES: Final = re.compile(
    r"(local|date)?time(stamp|date)?|date(time)?|t|clock|elapsed|zeit(stempel)?|uhrzeit|datum|epoch|unix|ts|stamp|utc|heure|temps|hora|tempo"
    r"|tiempo|tijd|tid|czas|aika"
)
_COUNTERS: Final = re.compile(r"samples?|index|idx|n|no|nr|number|row|rec(ord)?|id|seq(uence)?|reading|line|count|i")
_FOREIGN: Final = re.compile(r"cmhg|torr|atm|(in|mm|cm)h2o|dbar|n?l/min|lpm|l/s|m3/h|s?cfm|rpm|k?hz|dba?|kg|mm|cm|ft|kwh?")
_PRESSURE_OR = r"(?:k|m|h)?pa|m?bar|psi|ksc|(?:in|mm)hg"
_MARKED: Final = re.compile(rf"^({_PRESSURE_OR})[\s_.\-]*(a|abs|absolute|absolut|g|gauge|gage|rel|relative)\.?$")
_PAREN_MARK: Final = re.compile(rf"(?i)({_PRESSURE_OR})\s*\(\s*(abs|absolute|gauge|[ag])\.?\s*\)")
_BRACKET: Final = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_SPLIT: Final = re.compile(r"[\s_,;:/.\-|=]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of the file as its header describes it.

    Attributes
    ----------
    index : int
        Place in the line, from 0.
    header : str
        The header as written; empty if there is none.
    name : str
        Header without unit, as a plain identifier; empty where the header is a unit alone.
    unit : str
        Canonical unit, empty if none is named.
    absolute : bool
        A pressure said to be absolute.
    """

    index: int
    header: str
    name: str
    unit: str = ""
    absolute: bool = False

    @property
    def quantity(self) -> str:
        """What the unit measures; empty without a unit."""
        return QUANTITIES.get(self.unit, "")

    @property
    def is_time_named(self) -> bool:
        """Whether the header says that this is time."""
        return self.quantity == "time" or any(_TIME_NAMES.fullmatch(w) for w in self.name.split("_"))

    @property
    def is_counter_named(self) -> bool:
        """Whether the header says that this numbers the lines."""
        return self.header.strip() == "#" or bool(_COUNTERS.fullmatch(self.name))

    @property
    def names_foreign_unit(self) -> bool:
        """Whether the header names a unit that is not among the known ones."""
        return any(_FOREIGN.fullmatch(w) for w in re.split(r"[\s_,;:()\[\]{}]+", _folded(self.header)))

    @property
    def shown(self) -> str:
        """The header, or the place of a column without one."""
        return self.header.strip() or f"column {self.index + 1}"


def unit_of(text: str) -> tuple[str, bool | None]:
    """Read a text that should be a unit and nothing else.

    Returns
    -------
    tuple
        The canonical unit (empty if it is none) and whether it says absolute (None if it says nothing).
    """
    word = re.sub("kgf?/cm2", "ksc", _folded(text).strip(" .'\""))
    word = _BRACKET.sub(lambda m: m[1], _PAREN_MARK.sub(r"\1 \2", word)).strip(" .") if word not in UNIT_WORDS else word
    squeezed = re.sub(r"(?<=deg)[\s_.]+|(?<=[°º%])\s+|\s+(?=%)|(?<=rh)\s+", "", word).replace("degrees", "deg").replace("deg.", "deg")
    if squeezed in UNIT_WORDS:
        return UNIT_WORDS[squeezed], None
    marked = _MARKED.match(re.sub(r"[,(\s]+", " ", word).strip(") "))
    if marked:
        return UNIT_WORDS[marked[1]], marked[2].startswith("a")
    return "", None


def describe(headers: Sequence[str], units_row: Sequence[str] = ()) -> list[Column]:
    """Read the headers of a file, with the row of units under them where there is one."""
    columns = []
    for index, header in enumerate(headers):
        stem, unit, absolute = _split_header(header)
        if index < len(units_row) and units_row[index].strip():
            row_unit, row_absolute = unit_of(units_row[index])
            unit, absolute = unit or row_unit, absolute if absolute is not None else row_absolute
        name = identifier(stem)
        # The weather's pressure is only ever stated absolute.
        if QUANTITIES.get(unit) == "pressure" and re.search(r"baro|atmos|luftdruck|ambient_p", name) and absolute is None:
            absolute = True
        columns.append(Column(index=index, header=header.strip(), name=name, unit=unit, absolute=bool(absolute)))
    return [_not_a_series(column, columns) for column in columns]


def identifier(text: str) -> str:
    """Turn a name into a plain lower-case identifier, e.g. ``Hose end`` into ``hose_end``."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
    return f"n{name}" if name[:1].isdigit() else name


def _folded(text: str) -> str:
    text = unicodedata.normalize("NFKC", text.replace("Â°", "°").replace("�", "°"))
    return text.replace("μ", "u").replace("µ", "u").replace("²", "2").casefold()


def _split_header(header: str) -> tuple[str, str, bool | None]:
    """Split a header into its name, its unit and whether it says absolute or gauge."""
    text = re.sub(r"(?i)kgf?/cm[2²]", "ksc", header.strip().strip("\"'"))  # its stroke would part the words
    text = _PAREN_MARK.sub(r"\1 \2", text)
    unit, absolute, stem = "", None, text
    whole, whole_absolute = unit_of(text)
    if whole:
        return "", whole, whole_absolute
    for bracket in reversed(list(_BRACKET.finditer(text))):
        found, says = unit_of(bracket[1])
        if not found:
            found, says, _ = _from_tail(bracket[1])
        if found and not unit:
            unit, absolute = found, says
            stem = stem.replace(bracket[0], " ", 1)
    if not unit:
        unit, absolute, stem = _from_tail(text)
    words = [w for w in re.split(r"[\s_,;:/.\-()\[\]{}]+", stem) if w]
    folded = [_folded(w) for w in words]
    if QUANTITIES.get(unit, "pressure") == "pressure":
        if absolute is None and _ABSOLUTE & set(folded):
            absolute = True
        words = [w for w, f in zip(words, folded, strict=True) if f not in _ABSOLUTE and (f not in _GAUGE or f == "g")]
    if words and _folded(words[-1]) == "in":
        words.pop()
    return " ".join(words), unit, absolute


def _from_tail(text: str) -> tuple[str, bool | None, str]:
    """Find the unit in the last one to three words of a header."""
    words = [w for w in _SPLIT.split(text) if w]
    for take in (3, 2, 1):
        if len(words) >= take:
            found, says = unit_of(" ".join(words[-take:]))
            if found:
                return found, says, " ".join(words[:-take])
    return "", None, text


def _not_a_series(column: Column, columns: Sequence[Column]) -> Column:
    """Undo a one-letter unit that is only a letter: of sensor_a, sensor_b, sensor_c, the last is not in degC."""
    letters = re.fullmatch(r"(.*[^A-Za-z])([A-Za-z])", column.header)
    if not letters or not column.unit:
        return column
    series = {
        m[2].casefold()
        for c in columns
        if (m := re.fullmatch(r"(.*[^A-Za-z])([A-Za-z])", c.header)) and m[1].casefold() == letters[1].casefold()
    }
    if len(series) > 1 and any(letter not in UNIT_WORDS for letter in series):
        return replace(column, unit="", name=identifier(column.header), absolute=False)
    return column
