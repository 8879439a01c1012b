"""Measured spans held against a budget: decision, cause, advice."""
