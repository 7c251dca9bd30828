"""Metrology: deviation, permissible deviation, uncertainty, decision rules, reference correction. Pure."""
