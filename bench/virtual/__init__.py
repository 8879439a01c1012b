"""Instruments that are not there: a virtual prototype behind real serial ports."""
