"""Traces: frames in time, kept in a file of chunks. The format stands in traces/README.md.

What the other parts call:

    from busplay.trace.header import TraceHeader
    from busplay.trace.key_log import KeyPress
    from busplay.trace.reader import TraceReader
    from busplay.trace.writer import TraceWriter, UnitStates

    TraceHeader(*, link: Link, board: Board | None, program_name: str | None,
                program_sha256: str | None, busplay_version: str)
        .cycles_at(edge) -> int            whole processor cycles done by an edge
        .edge_at(cycle) -> int
        .units -> tuple[Unit, ...], .clock_hz -> int | None

    class UnitStates(Protocol):            who knows the units' state for key frames
        def feed_frames(self, frames: FrameBatch, *, stop_edge: int) -> None
        def states(self) -> dict[str, bytes]

    with TraceWriter(path, *, header: TraceHeader, units: UnitStates | None = None) as writer:
        writer.write(frames: FrameBatch, *, stop_edge: int, stores: int | None = None,
                     cycles: int | None = None, lost_edges: UInt64Column | None = None)
        writer.press(cycle: int, code: int)
        writer.close(*, summary: Mapping[str, int] | None = None)
        writer.abandon()
        writer.path, writer.recording_path, writer.frames, writer.stored_bytes

    with TraceReader(path, *, keep_going: bool = False) as reader:
        reader.header, .complete, .cut_reason, .frames, .stores, .cycles, .stop_edge
        reader.key_presses() -> tuple[KeyPress, ...]
        reader.summary() -> dict[str, int]
        reader.chunks() -> Iterator[FrameBatch]
        reader.seek(edge) -> SeekPoint(edge, frames_before, states, chunks)
        reader.frames_between(first_edge, stop_edge) -> Iterator[FrameBatch]
        reader.chunk_rows() -> Iterator[ChunkRow]
        reader.verify() -> None

The writer feeds `units` itself, chunk by chunk, so that a key frame holds the state after
exactly the frames before it, however the caller cuts its batches. Give it a pipeline of its own
(receiver and displays), or only displays where the frames are known to be delivered.

`stop_edge`: every frame of the batch starts before it, and nothing (frame, lost store, key
press) that comes later belongs before it. `stores` and `cycles` are totals so far; the last
ones told stand at the trace's end. A cut trace works them out from what it has: cycles from
the last chunk's stop edge, stores as frames plus the `lost_edges` told so far.
"""
