"""Which moves clear most beating, and what is let be? Beside `planner.clashes`."""
