"""What could be changed on a line: each change as the line it would become, and how far the ratings allow it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from analysis.line import Line, Part
from analysis.line_check import PartCheck, check_parts
from analysis.units import INCH_M, US_GALLON_M3

COMMON_M3: Final = (0.005, 0.010, 0.020, 0.024, 11 * US_GALLON_M3, 0.050, 0.080)  # volumes that are sold; common practice, no source
BORES_M: Final = tuple(x * INCH_M for x in (1 / 4, 5 / 16, 3 / 8, 1 / 2, 3 / 4, 1.0))  # sold hose bores; common practice, no source
WIDER_AT_LEAST: Final = 1.1  # the next bore up is at least so many times as wide
WIDE_COUPLER: Final = 4.0e-8  # sonic conductance of a wide (full-bore) coupler [m3/(s Pa)]; common practice, no source
SHORTER_M: Final = 10.0
RAISED_PA: Final = 1e5  # how far the compressor's switch is set higher
SET_HIGHER_PA: Final = 0.5e5  # how far a regulator is set higher
LEAST_RAISE_PA: Final = 0.2e5  # a smaller raise is not worth the walk

Kind = Literal["bore", "length", "receiver", "place", "regulator", "coupler", "switch", "set"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change to a line.

    Attributes
    ----------
    kind : str
        What is changed: a hose's "bore" or "length", a "receiver" fitted or exchanged, its "place", the "regulator" moved past it, a
        "coupler", the compressor's "switch", or what a regulator is "set" to.
    part : str
        Name of the part that is changed.
    before, after : float
        Bore or length [m], volume [m3], conductance [m3/(s Pa)] or pressure [Pa gauge]; alike for a move, which keeps the volume.
    where : str
        Of a move: to which side of what.
    line : Line
        The line as it would be.
    """

    kind: Kind
    part: str
    before: float
    after: float
    line: Line
    where: str = ""


def with_receiver(line: Line, volume_m3: float) -> Line:
    """Return the line with a receiver of this volume [m3].

    A line that has a receiver gets the new volume there (the one nearest to the tool). Otherwise the receiver is put in before the
    tool's last hose when there are two hoses or more (the whip hose stays behind it), else before the restriction that leads to the
    tool. A volume of zero takes the receiver out.
    """
    parts = list(line.parts)
    at = next((i for i in reversed(range(len(parts))) if parts[i].kind == "receiver"), None)
    if volume_m3 <= 0.0:
        return line if at is None else dataclasses.replace(line, parts=tuple(parts[:at] + parts[at + 1 :]))
    if at is not None:
        return line.with_part(at, volume_m3=volume_m3)
    hoses = [i for i, p in enumerate(parts) if p.kind == "hose"]
    if len(hoses) > 1:
        place = hoses[-1]
    else:
        place = len(parts) - 1
        while place > 0 and parts[place - 1].conductance is not None:
            place -= 1
        if place == 0:  # only restrictions: at least keep the last of them behind the receiver
            place = max(len(parts) - 2, 0)
    receiver = Part(kind="receiver", name="receiver", volume_m3=volume_m3)
    return dataclasses.replace(line, parts=(*parts[:place], receiver, *parts[place:]))


def wider_hoses(line: Line) -> Iterator[Change]:
    """Each hose in the next bore that is sold."""
    for i, part in enumerate(line.parts):
        if part.kind == "hose" and part.bore_m is not None:
            wider = next((d for d in BORES_M if d >= WIDER_AT_LEAST * part.bore_m), None)
            if wider is not None:
                # The rating printed on the old hose says nothing of the new one.
                new = line.with_part(i, bore_m=wider, rated_pa=None)
                yield Change(kind="bore", part=part.name, before=part.bore_m, after=wider, line=new)


def with_bore(line: Line, bore_m: float) -> Line:
    """Return the line with its longest hose in another bore [m]; unchanged where it has no hose."""
    at = longest_hose(line)
    return line if at is None or line.parts[at].bore_m == bore_m else line.with_part(at, bore_m=bore_m, rated_pa=None)


def longest_hose(line: Line) -> int | None:
    """Where the longest hose stands among the parts."""
    hoses = [i for i, p in enumerate(line.parts) if p.kind == "hose"]
    return max(hoses, key=lambda i: line.parts[i].length_m or 0.0) if hoses else None


def shorter_hose(line: Line) -> Iterator[Change]:
    """The longest hose ten metres shorter, where that leaves something of it."""
    at = longest_hose(line)
    if at is not None:
        length = line.parts[at].length_m or 0.0
        if length >= 1.2 * SHORTER_M:
            after = length - SHORTER_M
            yield Change(kind="length", part=line.parts[at].name, before=length, after=after, line=line.with_part(at, length_m=after))


def receivers(line: Line) -> Iterator[Change]:
    """Each receiver that is sold and larger than the line's own, where `with_receiver` puts it."""
    has = line.receiver.volume_m3 or 0.0 if line.receiver is not None else 0.0
    for volume in COMMON_M3:
        if volume > 1.1 * has:
            new = with_receiver(line, volume)
            name = "receiver" if line.receiver is None else line.receiver.name
            yield Change(kind="receiver", part=name, before=has, after=volume, line=new)


def moved_receiver(line: Line, volume_m3: float) -> Iterator[Change]:
    """The receiver at each other end of a hose, and half way along the longest one."""
    fitted = with_receiver(line, volume_m3)
    at = next(i for i in reversed(range(len(fitted.parts))) if fitted.parts[i].kind == "receiver")
    receiver, rest = fitted.parts[at], (*fitted.parts[:at], *fitted.parts[at + 1 :])

    def moved(parts: tuple[Part, ...], where: str) -> Change:
        new = dataclasses.replace(line, parts=parts)
        return Change(kind="place", part=receiver.name, before=volume_m3, after=volume_m3, line=new, where=where)

    hoses = [i for i, p in enumerate(rest) if p.kind == "hose"]
    places = [(i, f"ahead of {rest[i].name}") for i in hoses]
    if hoses:
        places.append((hoses[-1] + 1, f"behind {rest[hoses[-1]].name}"))
    for i, where in places:
        if i != at:
            yield moved((*rest[:i], receiver, *rest[i:]), where)
    longest = max(hoses, key=lambda i: rest[i].length_m or 0.0, default=None)
    if longest is not None and (rest[longest].length_m or 0.0) >= 1.2 * SHORTER_M:
        half = dataclasses.replace(rest[longest], length_m=0.5 * (rest[longest].length_m or 0.0))
        yield moved((*rest[:longest], half, receiver, half, *rest[longest + 1 :]), f"half way along {half.name}")


def moved_regulator(line: Line, volume_m3: float) -> Iterator[Change]:
    """The first regulator on the other side of the receiver."""
    fitted = with_receiver(line, volume_m3)
    kinds = [p.kind for p in fitted.parts]
    if "regulator" not in kinds:
        return
    at, receiver = kinds.index("regulator"), len(kinds) - 1 - kinds[::-1].index("receiver")
    regulator, rest = fitted.parts[at], (*fitted.parts[:at], *fitted.parts[at + 1 :])
    # Behind the receiver the list has lost the regulator before it; ahead of it, it has not.
    place, where = (receiver, "behind") if at < receiver else (receiver, "ahead of")
    new = dataclasses.replace(line, parts=(*rest[:place], regulator, *rest[place:]))
    name = f"{where} {fitted.parts[receiver].name}"
    yield Change(kind="regulator", part=regulator.name, before=volume_m3, after=volume_m3, line=new, where=name)


def wide_couplers(line: Line) -> Iterator[Change]:
    """All couplers exchanged for wide ones."""
    at = [i for i, p in enumerate(line.parts) if p.kind == "coupler" and (p.conductance or 0.0) < WIDE_COUPLER / WIDER_AT_LEAST]
    if at:
        new = line
        for i in at:
            new = new.with_part(i, conductance=WIDE_COUPLER, rated_pa=None, assumed=("conductance",))
        narrowest = min(line.parts[i].conductance or 0.0 for i in at)
        names = " and ".join(dict.fromkeys(line.parts[i].name for i in at))
        yield Change(kind="coupler", part=names, before=narrowest, after=WIDE_COUPLER, line=new)


def higher_switch(line: Line) -> Iterator[Change]:
    """The compressor's switch set a bar higher, or as far as the ratings allow."""
    c = line.compressor

    def raised(by: float) -> Line:
        return dataclasses.replace(line, compressor=dataclasses.replace(c, cut_in_pa=c.cut_in_pa + by, cut_out_pa=c.cut_out_pa + by))

    by = RAISED_PA
    while newly_broken(line, raised(by)) and by > LEAST_RAISE_PA:
        by -= 0.1e5
    if newly_broken(line, raised(by)):
        by = RAISED_PA  # none is allowed: shown as it is, with its caution
    yield Change(kind="switch", part="compressor", before=c.cut_in_pa, after=c.cut_in_pa + by, line=raised(by))


def higher_setting(line: Line) -> Iterator[Change]:
    """The last regulator set half a bar higher."""
    at = next((i for i in reversed(range(len(line.parts))) if line.parts[i].set_pa is not None), None)
    if at is not None:
        before = line.parts[at].set_pa or 0.0
        new = line.with_part(at, set_pa=before + SET_HIGHER_PA)
        yield Change(kind="set", part=line.parts[at].name, before=before, after=before + SET_HIGHER_PA, line=new)


def newly_broken(line: Line, new: Line) -> tuple[PartCheck, ...]:
    """Parts that a change brings above their rating in normal work: those that were not before, or are by more now.

    A tool counts as broken above the top of its window too, even where its rating is higher.
    """
    before = {(c.name, c.kind): c.normal_pa for c in check_parts(line) if _over(line, c)}
    return tuple(c for c in check_parts(new) if _over(new, c) and c.normal_pa > before.get((c.name, c.kind), -1.0) + 1.0)


def _over(line: Line, check: PartCheck) -> bool:
    window = line.tool.window_pa
    return check.verdict == "too low" or (check.kind == "tool" and window is not None and check.normal_pa > window[1])


def newly_at_risk(line: Line, new: Line) -> tuple[PartCheck, ...]:
    """Parts that a change brings above their rating when a regulator fails open, or whose rating is not known any more."""
    before = {(c.name, c.kind) for c in check_parts(line) if c.verdict in RISKS}
    return tuple(c for c in check_parts(new) if c.verdict in RISKS and (c.name, c.kind) not in before)


RISKS: Final = ("too low when a regulator fails", "rating not known")
