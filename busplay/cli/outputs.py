"""Files that a run writes beside its figures, looked at before anything runs."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from busplay.cli.playing import require_folder
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.losses.loss_file import LossFile
    from busplay.pipeline.pipeline import Pipeline


def require_outputs(outputs: Mapping[str, Path | None]) -> None:
    """Refuse outputs whose folder is not there, or two of one name.

    Args:
        outputs: by the options that name them.

    Raises:
        InputError: one of them cannot be written.
    """
    taken: dict[Path, str] = {}
    for option, path in outputs.items():
        if path is None:
            continue
        require_folder(path, option=option)
        other = taken.setdefault(path.resolve(), option)
        if other != option:
            raise InputError(
                place=option, found=str(path), wanted=f"{other} writes there; give another file"
            )


def open_loss_file(path: Path | None, pipeline: Pipeline, stack: ExitStack) -> LossFile | None:
    """Begin to gather a pipeline's losses for a file, if one was asked for.

    Raises:
        OutputError: nothing can be written there.
    """
    if path is None:
        return None
    from busplay.losses.loss_file import LossFile

    file = stack.enter_context(LossFile(path))
    pipeline.watch_losses(file.add)
    return file
