"""Machine code of loops: made once by numba, kept in a file, and later loaded by llvmlite alone.

Loading numba, and what it loads in turn, takes about half a second of processor time, of which LLVM's own library is a
tenth (measured). What was compiled does not need the rest: it is a function of C with known arguments, numba's own:

    int f(void **result, void **error, arguments…)         0: it ended well

    number    itself: int64, double, or a byte for true and false
    array     owner, owner's object (both nothing: we hold on to it), elements, bytes of one, data, shape…, strides…
    tuple     its members, one after the other

What else a function needs of the process must be there: a few functions of C's mathematics. MachineCode that needs more
(because it makes arrays or lists) is not kept here. Each file tells what it was made from: source, numbers known by name,
types of arguments, this computer's processor, version of LLVM; and the sum by which a damaged one is told.
"""

import ctypes
import hashlib
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

ENDING = ".loops"

MATHEMATICS = frozenset(
    ["atan2", "cos", "exp", "expm1", "hypot", "log", "log1p", "memcpy", "memset", "pow", "sin", "sqrt"]
)
"""What kept code may call: functions that every process has."""

BY_LLVM = {f"llvm.{name}.f64": name for name in ("exp", "log", "pow", "sin", "cos")}
MAY_BE_CALLS = ("ceil", "floor", "fmod", "memcpy", "memmove", "memset", "rint", "round", "trunc")
"""LLVM's own operations that become calls, and what others become on processors that cannot do them at once: what is called
and not there ends the whole process."""

LET_GO = re.compile(r"^declare void @NRT_MemInfo_call_dtor\(([^)]*)\).*$", re.MULTILINE)
"""What numba calls when the last owner of an array lets it go. Ours have no owner that it knows of: never called, it
needs no more than to be there."""

AS_NUMBA = {"opt": 3, "codemodel": "jitdefault", "jit": True}
"""How numba has machine code made for the process it runs in."""


Place = tuple[Path, ...]
"""The files in which the code of one function for arguments of some types may be kept."""

Run = Callable[..., None]


@dataclass(frozen=True, slots=True)
class MachineCode:
    """Machine code: an object's file, the function's name in it, and what it calls."""

    data: bytes
    name: str
    calls: tuple[str, ...]


def types_of(args: tuple[Any, ...]) -> str:
    """Return the types of arguments as text: a letter for a number, type, axes and order of an array, tuples bracketed."""
    return "".join(map(_type_of, args))


_LETTERS = {bool: "b", int: "i", float: "d", np.bool_: "b", np.int64: "i", np.float64: "d"}


def _type_of(value: Any) -> str:
    letter = _LETTERS.get(type(value))
    if letter is not None:
        return letter
    if isinstance(value, np.ndarray):
        flags = value.flags
        order = "C" if flags.c_contiguous else "F" if flags.f_contiguous else "A"
        return f"{value.dtype.str}{value.ndim}{order}{'' if flags.writeable else '!'}"
    if isinstance(value, tuple):
        return f"({''.join(map(_type_of, value))})"
    if isinstance(value, (bool, np.bool_)):
        return "b"
    if isinstance(value, (int, np.integer)):
        return "i"
    if isinstance(value, (float, np.floating)):
        return "d"
    raise TypeError(f"compiled loops take numbers, tuples and arrays; not {type(value).__name__}")


def place_of(function: FunctionType, types: str) -> Place:
    """Return where the code of a function is kept for arguments of such types, made from the source as it is now."""
    source = Path(function.__code__.co_filename)
    known = [types, *_processor(), *_numbers(function)]
    told = hashlib.sha256(b"\0".join([source.read_bytes(), *map(str.encode, known)])).hexdigest()[:16]
    name = f"{source.stem}.{function.__name__}.{told}{ENDING}"
    caches = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    return source.parent / "__pycache__" / name, Path(caches).expanduser() / "pastewright" / name


def _numbers(function: FunctionType) -> list[str]:
    """Return the numbers that a function's module knows by name: some come from other files."""
    plain = (bool, int, float, tuple, np.generic)
    named = function.__globals__.items()
    return sorted(f"{name}={value!r}" for name, value in named if isinstance(value, plain))


def loaded(place: Place, args: tuple[Any, ...]) -> Run | None:
    """Return what runs the code that was kept at a place; None where none was, or none that works here."""
    for file in place:
        with suppress(OSError, ValueError, KeyError):
            head, _, data = file.read_bytes().partition(b"\n")
            told = json.loads(head)
            if told["sum"] == hashlib.sha256(data).hexdigest():
                return run_of(MachineCode(data=data, name=told["name"], calls=tuple(told["calls"])), args)
    return None


def keep(place: Place, code: MachineCode) -> None:
    """Keep code in the first file of its place that lets itself be written; where none does it is made again."""
    head = {"name": code.name, "calls": code.calls, "sum": hashlib.sha256(code.data).hexdigest()}
    for file in place:
        with suppress(OSError):
            file.parent.mkdir(parents=True, exist_ok=True)
            handle, begun = tempfile.mkstemp(dir=file.parent, suffix=ENDING)
            with os.fdopen(handle, "wb") as out:
                out.write(json.dumps(head).encode() + b"\n" + code.data)
            Path(begun).chmod(0o644)  # who may run this may read it
            Path(begun).replace(file)
            return


def made(function: FunctionType, args: tuple[Any, ...]) -> MachineCode | None:
    """Return a function compiled for arguments of such types; None where it needs more than mathematics."""
    import llvmlite.binding as llvm

    numba: Any = import_module("numba")
    compiler: Any = import_module("numba.core.compiler")
    target: Any = import_module("numba.core.registry").cpu_target
    flags = compiler.Flags()
    flags.error_model, flags.nrt = "numpy", True
    flags.no_cpython_wrapper = flags.no_cfunc_wrapper = True
    kinds = tuple(numba.typeof(value) for value in args)
    result = compiler.compile_extra(
        target.typing_context, target.target_context, function, kinds, None, flags, {}
    )
    text = LET_GO.sub(
        r"define internal void @NRT_MemInfo_call_dtor(\1) { ret void }", result.library.get_llvm_str()
    )
    module = llvm.parse_assembly(text)
    calls = {one.name for one in module.functions if one.is_declaration}
    calls = {BY_LLVM.get(name, name) for name in calls if name in BY_LLVM or not name.startswith("llvm.")}
    if result.signature.return_type != numba.types.none or not calls <= MATHEMATICS:
        return None
    return MachineCode(
        data=_machine().emit_object(module), name=result.fndesc.llvm_func_name, calls=tuple(sorted(calls))
    )


def run_of(code: MachineCode, args: tuple[Any, ...]) -> Run | None:
    """Return what runs machine code with arguments of such types; None where this process lacks what the code calls."""
    import llvmlite.binding as llvm

    machine = _machine()  # each engine's own, and gone with it
    if not all(_there(name) for name in (*code.calls, *MAY_BE_CALLS)):
        return None
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
    engine.add_object_file(llvm.ObjectFileRef.from_data(code.data))
    engine.finalize_object()
    address = engine.get_function_address(code.name)
    if not address:
        return None
    kinds = (ctypes.c_void_p, ctypes.c_void_p, *_kinds(args))
    function = ctypes.CFUNCTYPE(ctypes.c_int32, *kinds)(address)
    result, error = (ctypes.c_void_p * 1)(), (ctypes.c_void_p * 1)()

    def run(*args: Any, _holds: Any = engine) -> None:
        flat: list[Any] = []
        _flatten(args, flat)
        if function(result, error, *flat):
            raise ArithmeticError(f"the compiled {code.name} ended badly")

    return run


@cache
def _there(name: str) -> bool:
    """Tell whether this process has a function of C's; where it has, LLVM knows of it from then on."""
    import llvmlite.binding as llvm

    if llvm.address_of_symbol(name) is not None:
        return True
    with suppress(OSError, AttributeError, TypeError):  # no such function; on some systems nobody to be asked
        address = ctypes.cast(getattr(ctypes.CDLL(None), name), ctypes.c_void_p).value
        if address:
            llvm.add_symbol(name, address)
            return True
    return False


def _machine() -> Any:
    """Return an LLVM description of this computer, as numba has it for the process it runs in."""
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    triple = llvm.get_process_triple()
    name, features, *_ = _processor()
    reloc = (
        "static" if triple.startswith(("x86", "i686")) else "pic" if triple.startswith("ppc") else "default"
    )
    return llvm.Target.from_triple(triple).create_target_machine(
        cpu=name, features=features, reloc=reloc, **AS_NUMBA
    )


@cache
def _processor() -> tuple[str, ...]:
    """Return this computer's processor, what it has, and the LLVM that makes its code."""
    import llvmlite
    import llvmlite.binding as llvm

    version = (llvmlite.__version__, *map(str, llvm.llvm_version_info))
    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten(), *version


def _kinds(args: tuple[Any, ...]) -> Iterator[Any]:
    """Give C's types of flattened arguments."""
    for value in args:
        if isinstance(value, tuple):
            yield from _kinds(value)
        elif isinstance(value, np.ndarray):
            yield from (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int64, ctypes.c_int64, ctypes.c_void_p)
            yield from [ctypes.c_int64] * (2 * value.ndim)
        elif isinstance(value, (bool, np.bool_)):
            yield ctypes.c_uint8
        else:
            yield ctypes.c_int64 if isinstance(value, (int, np.integer)) else ctypes.c_double


def _flatten(args: tuple[Any, ...], flat: list[Any]) -> None:
    """Write arguments out as numba's functions want them."""
    for value in args:
        if type(value) is float:
            flat.append(value)
        elif isinstance(value, np.ndarray):
            data = value.__array_interface__["data"][0]
            flat += (None, None, value.size, value.itemsize, data, *value.shape, *value.strides)
        elif isinstance(value, tuple):
            _flatten(value, flat)
        elif isinstance(value, (float, np.floating)):
            flat.append(value)
        else:
            flat.append(int(value))
