"""Templates of the report."""
