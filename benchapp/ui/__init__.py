"""The window: pages, plot, ladder, capture card. Shows state, sends commands."""
