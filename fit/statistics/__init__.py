"""Several runs: differences, trends, batches."""
