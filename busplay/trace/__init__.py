"""Traces: frames in time, in a file of chunks. traces/README.md specifies the format.

The writer feeds `units` itself, chunk by chunk, so that a key frame holds the state after
exactly the frames before it, however the caller cuts its batches. Pass it a pipeline of its own
(receiver and displays), or only displays if the frames are known to be delivered.

`stop_edge`: every frame of the batch starts before it, and every later frame, lost store and key
press is at or after it. `stores` and `cycles` are totals so far; the last ones are stored at the
trace's end. In a cut trace they are derived: cycles from the last chunk's stop edge, stores as
frames plus `lost_edges` so far.
"""
