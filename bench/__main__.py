"""`python -m bench`: the `heatrun` command."""

from bench.cli import main

if __name__ == "__main__":
    main()
