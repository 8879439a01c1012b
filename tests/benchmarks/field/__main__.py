"""`python -m tests.benchmarks.field`."""

from tests.benchmarks.field.score import main

if __name__ == "__main__":
    main()
