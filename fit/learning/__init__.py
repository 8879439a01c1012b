"""What measured runs teach of a budget: for the next unit, and for the next design."""
