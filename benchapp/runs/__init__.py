"""Runs: procedures (data files), the plan for one tool, the step machine of a run. Pure."""
