"""What is drawn and heard on the review page? Beside `planner.page`."""
