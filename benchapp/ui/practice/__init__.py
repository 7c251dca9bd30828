"""Practice: a person pulls, the marks of each pull are shown."""
