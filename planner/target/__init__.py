"""Which note was meant, where does it belong? Beside `planner.a4`, `planner.targets`."""
