"""Results as a person reads them in a terminal, one command a module."""
