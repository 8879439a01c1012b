"""The commands that work on a recorded run, one module each."""
