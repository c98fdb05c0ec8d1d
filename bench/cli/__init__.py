"""The ``umbilical`` command."""
