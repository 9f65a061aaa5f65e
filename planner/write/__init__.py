"""What do list, summary and guide say? Beside `planner.editlist` and `planner.guide`."""
