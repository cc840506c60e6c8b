"""Compilation of kernels by numba: nothing here is imported where their machine code is on disk.

What a kernel calls is only lowered to LLVM's terms; the kernel with all below it is optimised and made
machine code once. No ``fastmath``: results must not depend on the optimiser. No reference counting, which
would cost time.
"""

import ctypes
import os
from collections.abc import Callable
from types import FunctionType
from typing import Any

import numba
from llvmlite import binding, ir
from llvmlite.binding import Linkage
from numba.core import cgutils, types
from numba.core.codegen import CPUCodeLibrary, JITCPUCodegen
from numba.core.compiler import Compiler
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target
from numba.extending import typeof_impl

from shaftloop.kernels import productcode  # noqa: F401  what products mean
from shaftloop.kernels.decorators import Array
from shaftloop.kernels.own import ROOM, Equation, call_at, room
from shaftloop.kernels.viewcode import View, compiled_as
from shaftloop_models.compiled import INLINED

__all__ = ["compile_equation", "compile_kernel"]

_POINTER = ir.DoubleType().as_pointer()
_C = ctypes.CDLL("msvcrt" if os.name == "nt" else None)
_SCALARS = {int: types.int64, float: types.float64, bool: types.boolean}
binding.set_option("shaftloop", "-unroll-runtime=false")  # kernels run most loops a few times only
_DISPATCHERS: dict[Callable[..., Any], Any] = {}


class _Target(JITCPUCodegen):  # type: ignore[misc]
    """The processor, whose gathers are not used: on most they are slower than loads one by one."""

    def _customize_tm_features(self) -> str:
        features = super()._customize_tm_features()
        avoided = ",+prefer-no-gather,+prefer-no-scatter" if "+avx2" in features else ""
        return f"{features}{avoided}"


class _Library(CPUCodeLibrary):  # type: ignore[misc]
    """LLVM code of one function, left as it is until a kernel wants it."""

    apart = False
    """Whether it is that of a routine, which LLVM might inline all the same, with all that is rare in it."""

    def finalize(self) -> None:
        """Leave everything to the kernel."""
        self._finalized = True

    def get_pointer_to_function(self, name: str) -> int:
        """Return that there is no machine code."""
        return 0

    def _finalize_specific(self) -> None:
        pass

    def object_code(self, alone: bool = True) -> bytes:
        """Return the machine code of this function and all below it.

        A later process that takes it from disk is without numba: where it stands alone it must need nothing
        of this one, neither a function nor an address.
        """
        below, wanted = {self: None}, [self]
        while wanted:
            new = [found for found in wanted.pop()._linking_libraries if found not in below]
            below.update(dict.fromkeys(new))
            wanted += [found for found in new if isinstance(found, _Library)]
        # First ours as they are: LLVM leaves out what is `linkonce` and not called by what is there already.
        ours = [library for library in below if isinstance(library, _Library) and library is not self]
        entry = {function.name for function in self._final_module.functions if not function.is_declaration}
        for library in ours:
            for function in library._final_module.functions:
                if library.apart and not function.is_declaration:
                    function.add_function_attribute("noinline")
            self._final_module.link_in(library._final_module, preserve=True)
        for library in below:
            if not isinstance(library, _Library):
                self._final_module.link_in(library._get_module_for_linking(), preserve=True)
        for function in self._final_module.functions:
            if (
                function.linkage == Linkage.external
                and not function.is_declaration
                and function.name not in entry
            ):
                function.linkage = Linkage.linkonce_odr
        self._optimize_final_module()
        self._final_module.verify()
        called = [f.name for f in self._final_module.functions if f.is_declaration]
        wanted = [name for name in called if not name.startswith("llvm.") and not hasattr(_C, name)]
        wanted += [v.name for v in self._final_module.global_variables if v.name.startswith("numba.dynamic")]
        if alone and wanted:
            raise TypeError(
                f"{self.name} needs {', '.join(wanted)}: write it so that it needs nothing of numba"
            )
        return bytes(self._codegen._tm.emit_object(self._final_module))


_TARGET = _Target("shaftloop")


class _Lowering(Compiler):  # type: ignore[misc]
    """Numba's stages, without those behind LLVM's terms."""

    def compile_extra(self, function: Callable[..., Any]) -> Any:
        """Return what was found out about a function."""
        self.state.flags.no_compile = True
        self.state.library = _Library(_TARGET, function.__qualname__)
        self.state.library.apart = not INLINED.get(function, True)
        result = super().compile_extra(function)
        key: Any = [].append  # numba wants a built-in function, equal to no other
        self.state.targetctx.insert_user_function(key, result.fndesc, [result.library])
        return result._replace(entry_point=key)


def _dispatcher(function: Callable[..., Any], **options: Any) -> Any:
    wrappers = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    return numba.njit(error_model="numpy", pipeline_class=_Lowering, **wrappers, **options)(function)


@typeof_impl.register(FunctionType)
def _type_of(function: Any, _: Any) -> Any:
    """Return the type of a function that kernels may call, nothing for any other."""
    if function not in INLINED:
        return None
    if function not in _DISPATCHERS:
        # Said aloud where not: what is left open a function takes over from its caller.
        _DISPATCHERS[function] = _dispatcher(function, forceinline=INLINED[function], _nrt=False)
    return types.Dispatcher(_DISPATCHERS[function])


@global_compiler_lock
def compile_kernel(function: Callable[..., Any], kinds: tuple[Any, ...], result: Any) -> tuple[str, bytes]:
    """Return the name and the machine code of a kernel that takes a buffer of words."""
    returned, context = _typed(result) if result else types.none, cpu_target.target_context
    compiled = _dispatcher(function, _nrt=False)._compiler.compile(tuple(map(_typed, kinds)), returned)
    library, name = compiled.library, compiled.fndesc.llvm_func_name
    module = library.create_ir_module("entry")
    kind = context.call_conv.get_function_type(returned, compiled.fndesc.argtypes)
    entry = ir.Function(
        module, ir.FunctionType(ir.VoidType(), [ir.IntType(64).as_pointer()]), f"entry.{name}"
    )
    builder, (words,) = ir.IRBuilder(entry.append_basic_block()), entry.args
    room, error, *wanted = kind.args
    first = len(result) or 1 if isinstance(result, tuple) else 1
    given = [
        builder.load(builder.bitcast(builder.gep(words, [ir.IntType(64)(first + i)]), part.as_pointer()))
        for i, part in enumerate(wanted)
    ]
    unused = builder.alloca(error.pointee)  # no kernel raises
    builder.call(ir.Function(module, kind, name), [builder.bitcast(words, room), unused, *given])
    builder.ret_void()
    library.add_ir_module(module)
    return entry.name, library.object_code()


@global_compiler_lock
def compile_equation(equation: Equation, counted: bool) -> tuple[str, bytes]:
    """Return the name and the machine code of an equation that takes the addresses of its arrays.

    With references counted it may make arrays, but its code needs numba in the process.
    """
    inner, call, pointer = _dispatcher(equation), equation, View(types.float64, 1, False)
    if counted:
        pointer = types.CPointer(types.float64)  # type: ignore[attr-defined]

        def call(x: Any, p: Any, y: Any) -> None:
            inner(numba.carray(x, (ROOM,)), numba.carray(p, (ROOM,)), numba.carray(y, (ROOM,)))

    compiled = _dispatcher(call, _nrt=counted)._compiler.compile((pointer,) * 3, types.none)
    return compiled.fndesc.llvm_func_name, compiled.library.object_code(alone=not counted)


def _typed(kind: Any) -> Any:
    """Return numba's type of a kind of argument."""
    if isinstance(kind, tuple):
        return types.BaseTuple.from_types([_typed(part) for part in kind])  # type: ignore[attr-defined]
    if not isinstance(kind, Array):
        return _SCALARS[kind]
    entry = numba.from_dtype(kind.dtype)
    return View(entry, 1, False) if kind.dimensions == 1 else types.Array(entry, kind.dimensions, "C")


def _room(_: Any) -> Any:
    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return cgutils.alloca_once(builder, ir.DoubleType(), size=3 * ROOM)

    return View(types.float64, 1, False)(), generate


def _call_at(_: Any, address: Any, values: Any) -> Any:
    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        unused = ir.IntType(8).as_pointer().as_pointer()
        kind = ir.FunctionType(ir.IntType(32), [unused, unused, *[_POINTER] * 3])
        result, error = (cgutils.alloca_once(builder, unused.pointee) for _ in range(2))
        places = [builder.gep(args[1], [ir.IntType(64)(i * ROOM)]) for i in range(3)]
        status = builder.call(builder.inttoptr(args[0], kind.as_pointer()), [result, error, *places])
        # One that raises leaves NaN, which ends the run.
        with cgutils.if_unlikely(builder, cgutils.is_not_null(builder, status)):
            cgutils.memset(builder, places[2], ir.IntType(64)(8 * ROOM), 0xFF)
        return context.get_dummy_value()

    return types.none(types.int64, values), generate


compiled_as(room, _room)
compiled_as(call_at, _call_at)
