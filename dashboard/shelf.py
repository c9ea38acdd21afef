"""What a home folder keeps: sessions, air lines, tools, sensors and the log book."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logger.home import bin_folder, lines_folder, safe_name, tools_file
from logger.kept import delete, find_session, list_sessions, rename, restore, save_imported
from logger.long import look_through
from logger.session import Session, change_session, open_session

if TYPE_CHECKING:
    from analysis.line import Line, Part
    from logger.logbook import Entry
    from logger.sensors import Sensor

TEXT_MOST = 4000  # characters of a session's notes


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A file that was imported: the session's name, and what was understood, in sentences."""

    name: str
    sentences: tuple[str, ...]


class Shelf:
    """One home folder.

    Parameters
    ----------
    home : Path
        Folder with ``sessions`` and ``lines``.
    """

    def __init__(self, home: Path) -> None:
        self.home = home

    # Sessions

    def sessions(self) -> tuple[Session, ...]:
        """Sessions that are kept, newest first."""
        return tuple(reversed(list_sessions(self.home)))

    def session(self, name: str) -> Session:
        """Find a session by its name.

        Raises
        ------
        ValueError
            If there is none; the message says so.
        """
        return find_session(self.home, name)

    def take_in(self, file_name: str, data: bytes, unit: str | None) -> Taken:
        """Import one file that was dropped on the page: a CSV file, or a session that was packed.

        Raises
        ------
        ValueError
            If the file is refused; the message says what was seen and what is needed.
        """
        from dashboard import wording
        from dashboard.access import PACKED, check_upload
        from logger.csv_in import read_csv
        from logger.pack import unpack

        check_upload(file_name, data)
        if file_name.lower().endswith(PACKED):
            session = unpack(self.home, data)
            return Taken(name=session.name, sentences=(f"{session.name}: a packed session, {session.count} readings.",))
        stem = Path(file_name.replace("\\", "/")).stem
        reading = read_csv(data, name=stem, unit=unit or None)
        folder = save_imported(self.home, stem, reading)
        look_through(open_session(folder), self.home)
        return Taken(name=folder.name, sentences=tuple(wording.imported(reading, folder)))

    def edit(self, name: str, new_name: str, *, notes: str, line: str, site: str) -> str:
        """Change what is said of a session, and return its name as kept.

        Raises
        ------
        ValueError
            If the name cannot be kept or is taken, or the session is being recorded.
        """
        kept = rename(self.session(name).folder, new_name)
        change_session(kept.folder, notes=notes.strip()[:TEXT_MOST], line=line.strip()[:200], site=site.strip()[:200])
        return kept.name

    def delete(self, name: str) -> Path:
        """Move a session to the bin and return where it is there."""
        return delete(self.session(name).folder, self.home)

    def restore(self, binned: str) -> str:
        """Bring a session back from the bin and return its name.

        Raises
        ------
        ValueError
            If there is nothing of that name in the bin.
        """
        folder = bin_folder(self.home) / Path(binned).name
        return restore(folder, self.home).name

    # Air lines and tools

    def lines(self) -> dict[str, str]:
        """Air-line files by the name of the file: the text of each."""
        folder = lines_folder(self.home)
        return {p.stem: p.read_text(encoding="utf-8") for p in sorted(folder.glob("*.toml"))} if folder.is_dir() else {}

    def line(self, name: str) -> Line:
        """Read a kept air line.

        Raises
        ------
        ValueError
            If there is none of that name, or its file cannot be used.
        """
        from analysis.line_file import parse_line

        kept = self.lines()
        if name not in kept:
            msg = f"There is no air line {name!r}. Choose one of the list, or write one on the Setup page."
            raise ValueError(msg)
        return parse_line(kept[name])

    def line_of(self, name: str) -> str:
        """Name of the kept air line that a session was recorded on; empty where it names none that is kept."""
        from analysis.line_file import parse_line

        wanted = self.session(name).line
        for kept, text in self.lines().items():
            with contextlib.suppress(ValueError):
                if wanted and wanted in {kept, parse_line(text).name}:
                    return kept
        return ""

    def save_line(self, name: str, text: str) -> str:
        """Check an air-line file and keep it under a name; return the name as kept."""
        from analysis.line_file import parse_line

        parse_line(text)
        kept = safe_name(name.removesuffix(".toml"))
        folder = lines_folder(self.home)
        folder.mkdir(parents=True, exist_ok=True)
        beside = folder / f".{kept}.toml.new"
        beside.write_text(text, encoding="utf-8")
        beside.replace(folder / f"{kept}.toml")
        return kept

    def tools_text(self) -> str:
        """The file of the builder's own tools; empty where there is none."""
        path = tools_file(self.home)
        return path.read_text(encoding="utf-8") if path.is_file() else ""

    def save_tools(self, text: str) -> int:
        """Check a file of tools and keep it; return how many there are.

        Raises
        ------
        ValueError
            If it cannot be used; nothing is kept then.
        """
        from analysis.line_file import parse_tools
        from logger.durable import write_text

        count = len(parse_tools(text))
        self.home.mkdir(parents=True, exist_ok=True)
        write_text(tools_file(self.home), text)
        return count

    def tools(self) -> dict[str, Part]:
        """Tools by name: the builder's own, and those of the kept air lines. Of two that are called alike the lower limit counts."""
        from analysis.cautions import lower_limit
        from analysis.line_file import parse_line, parse_tools

        found: dict[str, Part] = {}
        with contextlib.suppress(ValueError):
            found = {tool.name: tool for tool in parse_tools(self.tools_text())}
        for text in self.lines().values():
            with contextlib.suppress(ValueError):
                tool = parse_line(text).tool
                found[tool.name] = lower_limit(found[tool.name], tool) if tool.name in found else tool
        return found

    # Log book and sensors

    def write_down(
        self, line: str, kind: str, *, answers: Mapping[str, bool] | None = None, water_m3: float | None = None, note: str = ""
    ) -> None:
        """Write into the log book what was done to a line, or found before work, with the time."""
        from logger.logbook import Entry, write_entry

        now = datetime.now().astimezone()
        write_entry(
            self.home, Entry(when=now, line=line, kind=kind, answers=answers or {}, water_m3=water_m3, note=note.strip()[:TEXT_MOST])
        )

    def entries(self, line: str) -> tuple[Entry, ...]:
        """What the log book says of a line, in order of time."""
        from logger.logbook import read_entries

        return read_entries(self.home, line)

    def sensors(self) -> dict[str, Sensor]:
        """Sensors that are known, by name."""
        from logger.sensors import read_sensors

        return read_sensors(self.home)
