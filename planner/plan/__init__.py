"""How do rules, notes and clashes become one plan? Beside `planner.ranking`."""
