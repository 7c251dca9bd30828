"""Looking at curves: pulls laid over each other, one click from near, what was noticed."""
