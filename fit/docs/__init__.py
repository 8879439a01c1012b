"""The documentation that travels with the package, as Markdown."""
