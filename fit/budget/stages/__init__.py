"""The kinds of stage, one file each."""
