"""What descriptions mean, as plain values and as text: everything that `busplay check` prints."""

from __future__ import annotations

from busplay.explain.board import BoardFacts, board_facts, board_text
from busplay.explain.link import LinkFacts, link_facts, link_text

__all__ = ["BoardFacts", "LinkFacts", "board_facts", "board_text", "link_facts", "link_text"]
