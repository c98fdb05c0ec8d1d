"""Ordinary Modbus modules as a board: relays and analogue inputs, and on this side what a board's firmware would do.

Nothing out there knows the contract: no watchdog, no current limit, no protection but a fuse in each
channel. So the board says that it can do little, and the session refuses what needs more. What is
played here (`standin.py`) is the contract's bookkeeping: claim, settings, arming, states, events.
"""

from bench.link.mapped.link import MappedLink

__all__ = ["MappedLink"]
