"""Figures, the report, words and JSON."""
