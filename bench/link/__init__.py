"""Bytes to and from the board: line protocol, Modbus, in process."""
