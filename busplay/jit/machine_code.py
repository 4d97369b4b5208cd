"""LLVM's text to object code, and object code to callable addresses.

Object code is for this processor. It is loaded through ORC, which reports link errors; the older
MCJIT aborts the process.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import count

import llvmlite
import llvmlite.binding as llvm

OPTIMISATION = 2

_numbers = count()


class LoadedCode:
    """Object code in memory, for the lifetime of this object.

    Attributes:
        addresses: by symbol.

    Raises:
        RuntimeError: this is not object code for this processor, or it cannot be linked.
    """

    def __init__(self, code: bytes, symbols: Sequence[str]) -> None:
        builder = llvm.JITLibraryBuilder().add_object_img(code).add_current_process()
        for symbol in symbols:
            builder.export_symbol(symbol)
        self._tracker = builder.link(_linker(), f"code{next(_numbers)}")
        self.addresses = {symbol: int(self._tracker[symbol]) for symbol in symbols}


def compile_text(text: str, *, is_optimised: bool = False) -> bytes:
    """Compile LLVM's text to object code.

    Args:
        is_optimised: the text has been through the optimiser.

    Raises:
        RuntimeError: LLVM does not accept the text.
    """
    machine = _target_machine()
    module = llvm.parse_assembly(text)
    if not is_optimised:
        module.triple = machine.triple
        module.data_layout = str(machine.target_data)
        module.verify()
        options = llvm.create_pipeline_tuning_options(speed_level=OPTIMISATION)
        builder = llvm.create_pass_builder(machine, options)
        builder.getModulePassManager().run(module, builder)
    code: bytes = machine.emit_object(module)
    return code


def target_text() -> str:
    """Return what object code depends on besides its text: LLVM and the processor."""
    return "\0".join(
        (
            llvmlite.__version__,
            str(llvm.llvm_version_info),
            llvm.get_process_triple(),
            llvm.get_host_cpu_name(),
            llvm.get_host_cpu_features().flatten(),
            str(OPTIMISATION),
        )
    )


@cache
def _linker() -> llvm.LLJIT:
    return llvm.create_lljit_compiler(_target_machine())


def _target_machine() -> llvm.TargetMachine:
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    # All calls stay within the object, so the small code model works at any address.
    return llvm.Target.from_triple(llvm.get_process_triple()).create_target_machine(
        cpu=llvm.get_host_cpu_name(),
        features=llvm.get_host_cpu_features().flatten(),
        opt=OPTIMISATION,
        reloc="pic",
        codemodel="small",
    )
