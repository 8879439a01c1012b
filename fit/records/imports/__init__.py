"""Other loggers' delimited files made into run folders."""
