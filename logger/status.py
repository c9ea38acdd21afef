"""How a recording stands, and the line that says so."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.units import from_si


@dataclass(slots=True, kw_only=True)
class Status:
    """How the recording stands: what the live line shows.

    Attributes
    ----------
    state : str
        "waiting", "recording", "silent", "device away" or "finished"; of several devices the worst.
    name : str
        Of the session, once there is one.
    time_s : float
        Session time of the last reading [s].
    channel : str
        Channel of `pressure_pa`.
    pressure_pa : float
        Last pressure of the tool's channel [Pa gauge]; NaN if there is none.
    rate_hz : float
        Readings a second over the last seconds, of all devices together.
    readings, bad_lines, shots, gaps : int
        Counts so far; gaps are times that a device was away.
    last_dip_pa : float
        Dip of the last shot [Pa].
    problems : dict of str to int
        Lines and readings left out, by the reason.
    warning : str
        What needs attention now.
    said : list of str
        What was found out by the way and need not be repeated: advice on a sensor, an old calibration.
    """

    state: str = "waiting"
    name: str = ""
    time_s: float = 0.0
    channel: str = ""
    pressure_pa: float = float("nan")
    rate_hz: float = 0.0
    readings: int = 0
    bad_lines: int = 0
    shots: int = 0
    gaps: int = 0
    last_dip_pa: float = float("nan")
    problems: dict[str, int] = field(default_factory=dict)
    warning: str = ""
    said: list[str] = field(default_factory=list)


def live_line(status: Status) -> str:
    """One line that says how the recording stands."""
    minutes, seconds = divmod(int(status.time_s), 60)
    parts = [status.state, f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"]
    if status.pressure_pa == status.pressure_pa:
        # The reader's units are the dashboard's affair; here both usual ones are shown.
        parts.append(f"{status.channel} {from_si(status.pressure_pa, 'bar'):.2f} bar, {from_si(status.pressure_pa, 'psi'):.1f} psi")
    parts += [f"{status.rate_hz:.0f}/s", counted(status.readings, "reading"), counted(status.shots, "shot")]
    if status.bad_lines:
        parts.append(counted(status.bad_lines, "bad line"))
    if status.warning:
        parts.append(status.warning)
    return " | ".join(parts)


def counted(count: int, what: str) -> str:
    """Write how many there are of something: ``1 shot``, ``2 shots``."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
