"""The write index of a trace: in which chunks each byte is written, how often, and sums over time.

How to think about it. Every byte of a unit's memory and every register is a *cell*. For each
*block*, a full frame chunk or some small ones, the index has a bit for each cell (whether it was
written), for each *stretch* of up to 64 frame chunks the count of writes to each cell, and for each
*span* of up to 1,024 frames a row of sums: time, changed bytes, losses by cause. So a search finds
a write's chunk without reading any other, and a time line is drawn from a few thousand numbers.

A frame is a write if it reaches its unit: the frames of a trace go through the same pipeline as in
a replay, so one that the board's receiver would lose is not a write.

A recorder makes the index as it goes and writes it into the trace (`traces/README.md` has its
format); for a trace without it, or after a cut, the same class makes it from the frames.
"""
