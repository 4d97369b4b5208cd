"""The history of a recording: which write made what is on the screen, and what happened when."""
