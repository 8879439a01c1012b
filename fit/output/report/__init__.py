"""The report: one HTML file that refers to nothing outside itself."""
