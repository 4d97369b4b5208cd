"""Traces: frames in time, kept in a file of chunks. The format stands in traces/README.md.

The writer feeds `units` itself, chunk by chunk, so that a key frame holds the state after
exactly the frames before it, however the caller cuts its batches. Give it a pipeline of its own
(receiver and displays), or only displays where the frames are known to be delivered.

`stop_edge`: every frame of the batch starts before it, and nothing (frame, lost store, key
press) that comes later belongs before it. `stores` and `cycles` are totals so far; the last
ones told stand at the trace's end. A cut trace works them out from what it has: cycles from
the last chunk's stop edge, stores as frames plus the `lost_edges` told so far.
"""
