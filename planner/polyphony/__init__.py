"""Which notes sound at once, and what are the cents of each? Beside `planner.chords`."""
