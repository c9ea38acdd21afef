"""Takes readings: sources, clocks, calibration, the recorder and the session on disk."""
