"""How far is one note off, where in it, and how sure is that? Beside `planner.analyzer`."""
