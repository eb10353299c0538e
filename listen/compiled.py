"""Compiled loops, and how they are kept on disk so that only the first start has to wait for them.

Conventions
-----------
A *form* is one kernel compiled for arguments of one kind: arrays that lie in one piece, arrays with gaps.
Each form is one file of its own, named by what it takes and the computer it is for, and sealed: the seal
covers the code in it and all that it was made from. Whatever else lies there is compiled anew: a form of
another kernel's text, one for other arguments, a file cut short by a power cut. So it does not matter how
many processes start at once, who writes last, or whether the folder is shared between computers.

numba's own files name the forms in a list that each process reads, adds to and writes back: two that do so
at once may leave the code of one form under the name of another, and that code then reads an array with
gaps as if it had none. Only its names and files are replaced here; what it keeps, and where, is its own.
"""

import hashlib
import pickle
from collections.abc import Callable
from contextlib import suppress
from inspect import getfile
from pathlib import Path
from typing import Any
from uuid import uuid4

import numba
import numpy as np
from numba.core.caching import FunctionCache
from numba.core.dispatcher import Dispatcher
from numba.core.serialize import dumps

PLAIN = (int, float, tuple, np.generic)  # what a kernel takes in as it is when it is compiled
SEAL_BYTES = hashlib.sha256().digest_size
Function = Callable[..., Any]


def compiled(*, error_model: str = "python", nogil: bool = False) -> Callable[[Function], Any]:
    """Compile a function at its first call, and keep each form on disk.

    Parameters
    ----------
    error_model : str
        "python" tests each division for zero and raises; "numpy" gives infinity.
    nogil : bool
        Let other threads run meanwhile.

    Returns
    -------
    callable
        A decorator. Where no folder can be written, each process compiles for itself.
    """

    def compile_later(function: Function) -> Any:
        loop = numba.njit(error_model=error_model, nogil=nogil)(function)
        with suppress(RuntimeError):  # numba's word for: no folder to keep it in
            loop._cache = FormsOnDisk(function)
        return loop

    return compile_later


class FormsOnDisk(FunctionCache):  # type: ignore[misc]  # numba is not typed
    """The forms of one kernel, where numba would keep them; no error of the disk stops the program."""

    def __init__(self, function: Function) -> None:
        super().__init__(function)
        self._function = function
        self._own_text = self._impl.locator.get_source_stamp()
        self._cache_file = SealedFiles(Path(self.cache_path), self._impl.filename_base, self.made_from)

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep a form; a full disk only means that it is compiled again."""
        with suppress(OSError):
            super().save_overload(sig, data)

    def made_from(self) -> str:
        """What a form depends on: its file, the values there, and the other files whose kernels it calls."""
        named = self._function.__globals__
        values = {name: value for name, value in named.items() if isinstance(value, PLAIN)}
        called = {getfile(one.py_func): one for one in named.values() if isinstance(one, Dispatcher)}
        called.pop(getfile(self._function), None)
        caches = [one._cache for one in called.values()]  # type: ignore[attr-defined]
        others = [cache.made_from() for cache in caches if isinstance(cache, FormsOnDisk)]
        return repr((numba.__version__, self._own_text, sorted(values.items()), sorted(others)))


class SealedFiles:
    """One file a form: a seal, then the form.

    Parameters
    ----------
    folder : Path
    base : str
        With which the name of each file begins.
    made_from : callable
        Gives, in words, what a form depends on; asked only when the first is loaded or saved.
    """

    def __init__(self, folder: Path, base: str, made_from: Callable[[], str]) -> None:
        self._folder = folder
        self._base = base
        self._made_from = made_from

    def load(self, key: tuple[Any, ...]) -> Any:
        """The form of this key, None where it is not there or not whole."""
        try:
            kept = self._path(key).read_bytes()
        except OSError:
            return None
        form = kept[SEAL_BYTES:]
        return pickle.loads(form) if kept[:SEAL_BYTES] == self._seal(key, form) else None

    def save(self, key: tuple[Any, ...], data: Any) -> None:
        """Put a form in its place in one step."""
        form = dumps(data)
        path = self._path(key)
        part = path.with_name(f"{path.name}.{uuid4().hex[:8]}")
        try:
            part.write_bytes(self._seal(key, form) + form)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)

    def flush(self) -> None:
        """Forget all forms of this kernel."""
        for path in self._folder.glob(f"{self._base}.*"):
            path.unlink(missing_ok=True)

    def _path(self, key: tuple[Any, ...]) -> Path:
        arguments, computer, _ = key
        named = hashlib.sha256(repr((arguments, computer)).encode()).hexdigest()
        return self._folder / f"{self._base}.{named[:16]}.nbc"

    def _seal(self, key: tuple[Any, ...], form: bytes) -> bytes:
        return hashlib.sha256(repr((key, self._made_from())).encode() + form).digest()
