"""Umbilical: a bench controller for wiring harnesses and air brakes."""

__version__ = "0.1.0"
