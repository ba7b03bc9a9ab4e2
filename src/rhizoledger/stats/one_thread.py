"""Matrices of a few hundred rows: the linear algebra held to one thread while they are at work."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Lock

import numpy.linalg
import scipy.linalg

# The extension modules that link the two copies of OpenBLAS which the wheels carry. A symbol asked
# of their handle is found in the library they depend on, without a search for its file.
_LINKED = (
    (numpy.linalg, "_umath_linalg", "scipy_openblas_{}_num_threads64_"),
    (scipy.linalg, "_flapack", "scipy_openblas_{}_num_threads"),
)

_lock = Lock()
_depth = 0
_before: list[tuple[Callable[[int], None], int]] = []


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold numpy's and scipy's OpenBLAS to one thread; a plain pass-through where that cannot be.

    On busy machines the threads of small products wait for each other far longer than they work.
    The setting belongs to the process: the outermost of overlapping calls puts it back.

    Examples
    --------
    >>> with one_thread():
    ...     pass
    """
    global _depth
    with _lock:
        if not _depth:
            _before[:] = _capped()
        _depth += 1
    try:
        yield
    finally:
        with _lock:
            _depth -= 1
            if not _depth:
                for put, threads in _before:
                    put(threads)


def _capped() -> list[tuple[Callable[[int], None], int]]:
    found: list[tuple[Callable[[int], None], int]] = []
    for package, extension, symbol in _LINKED:
        try:
            library = ctypes.CDLL(getattr(package, extension).__file__)
            threads = int(getattr(library, symbol.format("get"))())
            put = getattr(library, symbol.format("set"))
        except (AttributeError, OSError):
            continue
        put(1)
        found.append((put, threads))
    return found
