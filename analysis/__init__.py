"""What is known about air, lines, shots and leaks: pure functions, no files, no clock, no web."""
