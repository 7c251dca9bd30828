"""The Bench: instruction, ladder, plot with corridor, live figure, capture card, verdict."""
