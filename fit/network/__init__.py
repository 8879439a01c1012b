"""Thermal networks as algebra, without data."""
