"""Which of the periods that a frame offers is the pitch? Beside `planner.tracker`."""
