"""What has become of the plan in the bounces? Beside `planner.check`."""
