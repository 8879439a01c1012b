"""Demonstration data, invented: a sealed charge controller for a mountain weather station."""
