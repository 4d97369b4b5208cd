"""The version, in a module that loads nothing else."""

from __future__ import annotations

VERSION = "0.1.0"
