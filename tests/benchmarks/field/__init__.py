"""A product as fields, not lumps, to hold identification against.

    python -m tests.benchmarks.field

Foil and plane of the board conduct and store as sheets, vias stand one by one, the pad presses
point by point, bar and case are sheets, and the inner air joins board, bar and case. All invented.
"""
