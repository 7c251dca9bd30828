"""Kilter: the bench application that verifies torque tools against a reference transducer."""

__version__ = "0.1.0"
