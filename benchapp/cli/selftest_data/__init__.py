"""Sealed examples of `kilter selftest`; made by `tests/cli/make_selftest.py`."""
