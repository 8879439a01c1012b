"""The live page: a heat run followed in a browser, read from its run folder only."""
