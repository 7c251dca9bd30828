"""Torque: units, direction, traces, trace files. Pure."""
