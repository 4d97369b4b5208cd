"""The public writer of traces, for a board, a link or a header, with key frames."""

from __future__ import annotations

from pathlib import Path

from busplay.description.board import Board
from busplay.description.link import Link
from busplay.link.load import as_board, as_link
from busplay.trace.header import TraceHeader
from busplay.trace.writer import TraceFileWriter
from busplay.write_index.builder import WriteIndexBuilder


class TraceWriter(TraceFileWriter):
    """Writes a trace, with key frames and an index of its writes; a context manager.

    Leaving the context closes the trace. Leaving it by an exception keeps what was recorded, as a
    cut trace. With only a link there are no key frames and no index.

    Args:
        path: of the trace.
        board: the board that sends the frames, as an object or by the name or path of its file;
            or
        link: likewise, if there is no board; or
        header: the trace's header.

    Raises:
        OutputError: the file cannot be written.
        DescriptionError: the board or link cannot be read.
        ValueError: not exactly one of board, link and header.

    >>> import busplay, numpy as np
    >>> board = busplay.load_board("dunlin")
    >>> words = busplay.FrameLayout(board.link).pack(space=1, address=[0, 1], data=[0x21, 0x43])
    >>> with busplay.TraceWriter("made.trace", board=board) as trace:
    ...     trace.write(busplay.FrameBatch(np.array([0, 8], np.uint64), words), stop_edge=16)
    >>> busplay.info("made.trace").frames
    2
    """

    def __init__(
        self,
        path: str | Path,
        *,
        board: Board | str | Path | None = None,
        link: Link | str | Path | None = None,
        header: TraceHeader | None = None,
    ) -> None:
        if [board, link, header].count(None) != 2:
            raise ValueError("give one of board, link and header")
        if board is not None:
            board = as_board(board)
            header = TraceHeader(link=board.link, board=board)
        elif link is not None:
            header = TraceHeader(link=as_link(link))
        assert header is not None
        # A pipeline of its own, since one that shows the screen may be ahead of a key frame.
        units = None if header.board is None else WriteIndexBuilder(header.board)
        super().__init__(path, header=header, units=units)
