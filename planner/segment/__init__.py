"""Where does a note begin and end, and is it one? Beside `planner.segmenter`."""
