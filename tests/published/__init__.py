"""Results that someone else printed, each with its source."""
