"""Shows what was measured: answers in words and JSON, figures and pages."""
