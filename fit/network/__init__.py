"""Thermal networks as algebra: it knows no data."""
