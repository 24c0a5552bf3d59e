"""Compiled models kept on disk, keyed by the file's content and the compiler's version.

The files that a model includes are known once it is read: the kept model names them with
the digest of their content, and whoever loads it says whether that still holds.

A kept file is a checksum followed by a pickle that may hold nothing but this
package's own values and numpy arrays; what the arrays hold follows it and is used where it
lies, not copied. It is written aside and moved into place, so
that two processes starting at once both find a whole file; one that is damaged,
stale or unreadable is made anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import pickle
import struct
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from faultfinder.files import open_plain, private_folder, whole_file
from faultfinder.folders import user_place
from faultfinder.inference.compiled import COMPILER_VERSION, CompiledModel

_MAGIC = b"faultfinder compiled model\n"

_BEFORE = len(_MAGIC) + 4
"""Bytes before the parts: the magic and the checksum."""


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
    whole = memoryview(data)
    head = _BEFORE
    if whole[: len(_MAGIC)] != _MAGIC or whole[len(_MAGIC) : head] != _checksum(whole[head:]):
        return None
    try:
        found = _unpacked(whole[head:])
    except Exception:
        return None
    return found if isinstance(found, CompiledModel) else None


def _write(place: Path, made: CompiledModel) -> None:
    body = _packed(made)
    data = _MAGIC + _checksum(body) + body
    with contextlib.suppress(OSError):
        private_folder(place.parent)
        with whole_file(place, private=True) as stream:
            stream.write(data)


def _checksum(body: bytes | memoryview) -> bytes:
    """Tells a damaged file; it is no protection against whoever may write into the folder."""
    return struct.pack("<I", zlib.crc32(body))


def _packed(made: CompiledModel) -> bytes:
    """A pickle, and what each array holds."""
    arrays: list[pickle.PickleBuffer] = []
    pickled = pickle.dumps(made, protocol=5, buffer_callback=arrays.append)
    return _joined([pickled, *(one.raw() for one in arrays)])


def _joined(parts: Sequence[bytes | memoryview]) -> bytes:
    """How many parts, the length of each, and the parts, each at a multiple of 16 bytes from
    the file's beginning."""
    joined = bytearray(struct.pack(f"<Q{len(parts)}Q", len(parts), *map(len, parts)))
    for part in parts:
        joined += bytes(-(len(joined) + _BEFORE) % 16)
        joined += part
    return bytes(joined)


def _unpacked(body: memoryview) -> object:
    (count,) = struct.unpack_from("<Q", body)
    lengths = struct.unpack_from(f"<{count}Q", body, 8)
    begin, parts = 8 + 8 * count, list[memoryview]()
    for length in lengths:
        begin += -(begin + _BEFORE) % 16
        parts.append(body[begin : begin + length])
        begin += length
    return _Unpickler(io.BytesIO(parts[0]), buffers=parts[1:]).load()


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
