"""Where farend keeps things: one folder, `FAREND_HOME`, by default `farend` in the home folder."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Final

from logger.durable import sync_folder

# Names that Windows keeps for itself.
_RESERVED: Final = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{d}{i}" for d in ("com", "lpt") for i in range(1, 10)),
}


def home(given: Path | str | None = None) -> Path:
    """Return the folder under which everything is kept.

    Parameters
    ----------
    given : path, optional
        A folder given by the caller; without it the environment variable ``FAREND_HOME``, else ``~/farend``.

    Raises
    ------
    ValueError
        If this user has no home folder.
    """
    if given is not None:
        return Path(given)
    named = os.environ.get("FAREND_HOME", "").strip() or "~/farend"
    try:
        return Path(named).expanduser()
    except RuntimeError:
        msg = f"{named}: no home folder of this user is known. Set FAREND_HOME to the folder where farend may keep things."
        raise ValueError(msg) from None


def sessions_folder(given: Path | str | None = None) -> Path:
    """Folder of the sessions, a folder each."""
    return home(given) / "sessions"


def lines_folder(given: Path | str | None = None) -> Path:
    """Folder of the air-line files."""
    return home(given) / "lines"


def bin_folder(given: Path | str | None = None) -> Path:
    """Folder to which deleted sessions go, so that a deletion can be undone."""
    return home(given) / "bin"


def locks_folder(given: Path | str | None = None) -> Path:
    """Folder of the locks by which two recorders on one device are refused."""
    return home(given) / "locks"


def cache_folder(given: Path | str | None = None) -> Path:
    """Folder of what can be worked out again from the sessions; it may be deleted at any time."""
    return home(given) / "cache"


def tools_file(given: Path | str | None = None) -> Path:
    """File of the tools and their pressure windows."""
    return home(given) / "tools.toml"


def sensors_file(given: Path | str | None = None) -> Path:
    """File of the sensors and the history of their calibrations."""
    return home(given) / "sensors.toml"


def line_file(named: Path | str, given: Path | str | None = None) -> Path:
    """Find an air-line file: a path as it is, else the name of one that is kept under `lines/`.

    Raises
    ------
    ValueError
        If there is neither; the message names the lines that are kept.
    """
    path = Path(named)
    if path.is_file():
        return path
    folder = lines_folder(given)
    if path.name == str(path):  # a bare name, so that no path leads out of the folder
        for kept in (folder / path.name, folder / f"{path.name}.toml"):
            if kept.is_file():
                return kept
    kept_names = sorted(p.stem for p in folder.glob("*.toml")) if folder.is_dir() else []
    known = f" Kept lines: {', '.join(kept_names)}." if kept_names else ""
    msg = f"{named}: there is no such air-line file.{known} Give the path of a TOML file that describes the line."
    raise ValueError(msg)


def safe_name(name: str) -> str:
    """Return the name as a folder's name that every usual file system takes and that leads nowhere else.

    Raises
    ------
    ValueError
        If nothing is left of it, or it is a name that a system keeps for itself.
    """
    kept = "".join("-" if c in '<>:"/\\|?*' or ord(c) < 32 or ord(c) == 127 else c for c in name)
    kept = kept.encode("utf-8", "ignore")[:120].decode("utf-8", "ignore").strip().strip(".").strip()
    if not kept.strip("-. ") or kept.split(".")[0].strip().casefold() in _RESERVED:
        msg = f"{name!r} cannot be the name of a session. Use words, e.g. 'deck, no receiver'."
        raise ValueError(msg)
    return kept


def new_session_folder(given: Path | str | None, name: str) -> Path:
    """Make the folder of a new session; a name that is taken gets a number behind."""
    root = sessions_folder(given)
    root.mkdir(parents=True, exist_ok=True)
    wanted = safe_name(name)
    for number in range(1, 10_000):
        folder = root / (wanted if number == 1 else f"{wanted} {number}")
        with contextlib.suppress(FileExistsError):
            folder.mkdir()
            sync_folder(root)
            return folder
    msg = f"There are already 10 000 sessions named {wanted!r}; choose another name."
    raise ValueError(msg)
