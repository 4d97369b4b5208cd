"""Call the command line in this process."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from click.testing import Result

from busplay.cli.main import main

Plan = Callable[..., Result]


def run_busplay(*words: object) -> int:
    """Run a command; return its exit status."""
    with pytest.raises(SystemExit) as left:
        main([str(word) for word in words])
    code = left.value.code
    return code if isinstance(code, int) else 0
