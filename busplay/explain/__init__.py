"""What descriptions mean, as data and in words."""

from __future__ import annotations

from busplay.explain.board import board_summary, board_text
from busplay.explain.board_facts import BoardFacts, board_facts
from busplay.explain.link import link_text
from busplay.explain.link_facts import LinkFacts, link_facts

__all__ = [
    "BoardFacts",
    "LinkFacts",
    "board_facts",
    "board_summary",
    "board_text",
    "link_facts",
    "link_text",
]
