"""The test bench: instruments, time, a file being written, the command line as a whole."""
