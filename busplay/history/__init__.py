"""The history of a recording: which write made what the screen shows, and when."""
