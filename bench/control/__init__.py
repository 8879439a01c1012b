"""What a heat run does next and what ends it."""
