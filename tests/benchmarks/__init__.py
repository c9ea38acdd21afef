"""Real sizes, timed; run by hand, kept alive by CI."""
