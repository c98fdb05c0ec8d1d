"""The board on paper: quantities, commands, refusals and limits, and how they travel.

Standard library only. Everything that talks to a board, plays one or documents one reads
these tables; nobody types an address or a scale twice.
"""
