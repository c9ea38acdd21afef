"""Tests, by capability."""
