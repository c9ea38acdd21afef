"""Front door of farend: one command per job; parses, calls, prints."""

from __future__ import annotations


def main() -> int:
    """Run the command line and return its exit code."""
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
