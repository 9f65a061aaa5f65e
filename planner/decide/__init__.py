"""What is done with one note, and why? Beside `planner.rules`."""
