"""The Logbook: runs and their evidence."""
