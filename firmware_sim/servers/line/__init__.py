"""The line protocol as the board speaks it, written from its grammar in BOARD.md.

The controller has a codec of its own; the two share nothing but the contract's tables, so that one
misreading cannot hide on both sides.
"""
