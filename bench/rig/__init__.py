"""rig.toml: instruments, channels, and how the heat run goes."""
