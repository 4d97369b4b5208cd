"""The version, where every module can read it without loading the rest."""

from __future__ import annotations

VERSION = "0.1.0"
