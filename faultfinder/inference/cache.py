"""Compiled models kept on disk, keyed by the file's content and the compiler's version.

The files that a model includes are known once it is read: the kept model names them with
the digest of their content, and whoever loads it says whether that still holds.

A kept file is a checksum followed by a pickle that may hold nothing but this
package's own values and numpy arrays. It is written aside and moved into place, so
that two processes starting at once both find a whole file; one that is damaged,
stale or unreadable is made anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

from faultfinder.files import open_plain, private_folder, whole_file
from faultfinder.folders import user_place
from faultfinder.inference.compiled import COMPILER_VERSION, CompiledModel

_MAGIC = b"faultfinder compiled model\n"


def cache_folder() -> Path:
    """FAULTFINDER_CACHE, or the user's cache folder (XDG_CACHE_HOME, ~/.cache)."""
    return user_place("FAULTFINDER_CACHE", "XDG_CACHE_HOME", "~/.cache")


def key_of(content: bytes, origin: str) -> str:
    """Name of the kept file: content, file name, compiler and Python layout version."""
    import sys

    import numpy

    digest = hashlib.sha256(content)
    versions = f"{COMPILER_VERSION}|{sys.version_info[:2]}|{numpy.__version__}|{origin}"
    digest.update(versions.encode("utf-8", "surrogateescape"))
    return digest.hexdigest()[:32]


def load_or_compile(
    content: bytes,
    origin: str,
    make: Callable[[], CompiledModel],
    folder: Path | None = None,
    still_good: Callable[[CompiledModel], bool] = lambda kept: True,
) -> CompiledModel:
    """The compiled model for `content`: the kept one while it is `still_good`, or `make()`,
    which is then kept.

    A cache that cannot be read or written costs time, never an error.
    """
    place = (folder or cache_folder()) / f"{key_of(content, origin)}.model"
    kept = _read(place)
    if kept is not None and still_good(kept):
        return kept
    made = make()
    _write(place, made)
    return made


def _read(place: Path) -> CompiledModel | None:
    try:
        with open_plain(place) as stream:
            data = stream.read()
    except OSError:
        return None
    head = len(_MAGIC) + 32
    if (
        data[: len(_MAGIC)] != _MAGIC
        or hashlib.sha256(data[head:]).digest() != data[len(_MAGIC) : head]
    ):
        return None
    try:
        found = _Unpickler(io.BytesIO(data[head:])).load()
    except Exception:
        return None
    return found if isinstance(found, CompiledModel) else None


def _write(place: Path, made: CompiledModel) -> None:
    body = pickle.dumps(made, protocol=5)
    data = _MAGIC + hashlib.sha256(body).digest() + body
    with contextlib.suppress(OSError):
        private_folder(place.parent)
        with whole_file(place, private=True) as stream:
            stream.write(data)


class _Unpickler(pickle.Unpickler):
    """Reads this package's values and numpy arrays, and refuses all else."""

    _NUMPY = frozenset(
        {
            ("numpy", "ndarray"),
            ("numpy", "dtype"),
            ("numpy._core.multiarray", "_reconstruct"),
            ("numpy._core.multiarray", "scalar"),
            ("numpy._core.numeric", "_frombuffer"),
            ("numpy.core.multiarray", "_reconstruct"),
            ("builtins", "frozenset"),
        }
    )

    def find_class(self, module: str, name: str) -> Any:
        package = ("faultfinder.model.", "faultfinder.inference.")
        if (module, name) in self._NUMPY or (module.startswith(package) and "." not in name):
            found = super().find_class(module, name)
            if isinstance(found, type) or module.startswith("numpy"):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} has no place in a compiled model")
