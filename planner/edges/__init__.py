"""What opens, hears and writes in one run? Beside `planner.run`."""
