"""The References: transducers and their calibrations."""
