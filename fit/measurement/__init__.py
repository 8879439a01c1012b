"""Resistance of each span with its uncertainty, and which spans a record does not resolve."""
