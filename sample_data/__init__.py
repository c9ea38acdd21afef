"""Invented sessions and air lines, and how they were made."""
