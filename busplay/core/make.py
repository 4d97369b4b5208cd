"""Make cores by name, ours and those of other packages.

A core for another processor (or a faster one for these) takes one class and one entry point. The
class satisfies `busplay.core.interface.Core`: `kind`, `processors`, and a constructor that takes
`(processor, memory_map, host_port)`. Its package has in `pyproject.toml`:

    [project.entry-points."busplay.cores"]
    mine = "my_package.my_core:MyCore"

Then `make_core("mine", "6809")` and `core_for_board(board, kind="mine")` return one, and the board
file may name any processor of the class. The name must equal the class's `kind`. A class that can
run undocumented instructions has `runs_undocumented = True` and takes a keyword `undocumented`,
`"stop"` or `"run"`, see `RunsUndocumented`; one that can run a board with devices has
`takes_devices = True` and takes a keyword `devices`, see `TakesDevices`. Others need neither.

Besides its methods' docstrings a class must follow the tables of `MemoryMap` for every write, and
access the host port through `HostPortDevice.read` (operand reads, with their cycle) and
`HostPortDevice.write`. Nothing else in the pipeline knows the processor.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from typing import TYPE_CHECKING

from busplay.core.devices.bus import DeviceBus
from busplay.core.devices.make import devices_of_board
from busplay.core.host_port import HostPortDevice
from busplay.core.interface import Core
from busplay.core.memory_map import MemoryMap
from busplay.description.board import Board, Undocumented
from busplay.errors import InputError

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

ENTRY_POINT_GROUP = "busplay.cores"

# Ours need no installed metadata; modules load when a core is made.
_OURS = {
    "compiled": "busplay.core.compiled.core:CompiledCore",
    "reference": "busplay.core.reference:ReferenceCore",
}


def core_kinds() -> tuple[str, ...]:
    """Return the names of all cores: ours first, then those of other packages."""
    others = {point.name for point in _entry_points()}
    return (*_OURS, *sorted(others - set(_OURS)))


def find_core_class(kind: str) -> type[Core]:
    """Return the core class of a name.

    Raises:
        InputError: no core has that name, or its package does not load.
    """
    target = _OURS.get(kind)
    if target is not None:
        module_name, class_name = target.split(":")
        ours: type[Core] = getattr(import_module(module_name), class_name)
        return ours
    for point in _entry_points():
        if point.name != kind:
            continue
        try:
            theirs: type[Core] = point.load()
        except Exception as error:  # another package's import can fail in any way
            raise InputError(
                f"core {kind!r} ({point.value}) does not load: {error};"
                " repair or remove its package"
            ) from error
        return theirs
    raise InputError(found=f"core {kind!r}", wanted=f"there is {', '.join(core_kinds())}")


def _entry_points() -> Iterable[EntryPoint]:
    # Imported here, as it takes 12 ms and most boards need only ours.
    from importlib.metadata import entry_points

    return entry_points(group=ENTRY_POINT_GROUP)


def make_core(kind: str, processor: str, *, undocumented: Undocumented = "stop") -> Core:
    """Make a core over 64 KiB of plain RAM, all of it one window, without a host port.

    Args:
        kind: `compiled`, `reference`, or the name of another package's core.
        processor: `6502` or `65c02`, or another of the core's class.
        undocumented: `stop` at undocumented instructions, or `run` the stable ones.

    Raises:
        InputError: no such core, it lacks the processor, or it cannot run undocumented
            instructions.
    """
    return _build(kind, processor, MemoryMap.plain_ram(), None, undocumented=undocumented)


def core_for_board(board: Board, *, kind: str = "compiled") -> Core:
    """Make the core of a board in its power-on state; images are not loaded yet.

    Raises:
        InputError: no such core, it lacks the board's processor, or it cannot run undocumented
            instructions or devices and the board has them; or a device cannot be made.
    """
    described = board.host_port
    memory_map = MemoryMap.of_board(board)
    host_port = None if described is None else HostPortDevice(described, clock_hz=board.clock_hz)
    return _build(
        kind,
        board.processor,
        memory_map,
        host_port,
        undocumented=board.undocumented,
        devices=devices_of_board(board, memory_map),
        file=board.file or None,
    )


def _build(
    kind: str,
    processor: str,
    memory_map: MemoryMap,
    host_port: HostPortDevice | None,
    *,
    undocumented: Undocumented,
    devices: DeviceBus | None = None,
    file: str | None = None,
) -> Core:
    core_class = find_core_class(kind)
    if processor not in core_class.processors:
        raise InputError(
            found=f"processor {processor!r}",
            wanted=f"the {kind} core is one of {', '.join(sorted(core_class.processors))}",
        )
    # By attribute, so that cores may lack it.
    options: dict[str, object] = {}
    if undocumented == "run":
        if not getattr(core_class, "runs_undocumented", False):
            raise InputError(
                file=file,
                place="undocumented",
                found='"run"',
                wanted=f"the {kind} core stops at undocumented instructions, so take the compiled"
                ' core or say "stop"',
            )
        options["undocumented"] = undocumented
    if devices is not None:
        if not getattr(core_class, "takes_devices", False):
            raise InputError(
                file=file,
                place="devices",
                found="a board with devices or banks",
                wanted=f"the {kind} core runs none, so take the compiled or the reference core",
            )
        options["devices"] = devices
    made: Core = core_class(processor, memory_map, host_port, **options)
    return made
