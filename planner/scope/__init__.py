"""Which one rule moves many notes? Beside `planner.scopes`."""
