"""Allowable power and temperatures of a measured product."""
