"""The receiver's FIFO, what it takes to serve a frame, and the times in which it cannot."""
