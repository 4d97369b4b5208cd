"""The write index of a trace: in which chunks each byte is written, how often, and sums over time.

How to think about it. Every byte of a unit's memory and every register is a *cell*. Of each frame
chunk the index keeps one bit for each cell (was it written there?), of each *stretch* of up to 64
frame chunks how often each cell was written, and of each *span* of up to 1,024 frames a row of
sums: when, how many bytes changed, what was lost and by which cause. So whoever asks for a write
finds the chunk without reading any other, and a time line is drawn from a few thousand numbers.

A frame counts as written when it reaches its unit: the frames of a trace go through the same
pipeline as in a replay, so one that a receiver of that board would lose is no write.

A recorder makes the index as it goes and puts it into the trace (`traces/README.md` has its
bytes); for a trace without it, or behind a cut, the same class makes it from the frames.
"""
