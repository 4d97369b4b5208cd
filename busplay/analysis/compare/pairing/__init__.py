"""Two recordings of one run, frame by frame in time."""
