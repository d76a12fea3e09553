"""How a force trace is kept: compressed, and found by the hash of what it says."""

import hashlib
import zlib

import numpy as np
from numpy.typing import ArrayLike, NDArray

from station.errors import BadInput, LedgerDamaged

_BYTES_PER_POINT = 16


class StoredTrace(bytes):
    """The stored form of a trace that was made here, with its key: no need to work that out again.

    Made by `encode_trace`.
    """

    key: str


def encode_trace(time_s: ArrayLike, force_n: ArrayLike) -> StoredTrace:
    """Return a trace as it is stored.

    The bytes are zlib over two columns of little-endian float64, all times first, then all forces.

    Parameters
    ----------
    time_s, force_n : array_like, shape (n,)
        Times in seconds and forces in newtons.

    Raises
    ------
    BadInput
        The columns are empty, differ in length, or hold something that is not a finite number.
    """
    try:
        columns = np.array([time_s, force_n], dtype="<f8")
    except (TypeError, ValueError) as error:
        raise BadInput(
            "The trace cannot be kept: its times and forces are not two equal columns of numbers."
        ) from error
    if columns.ndim != 2 or columns.size == 0 or not np.isfinite(columns).all():
        raise BadInput(
            f"The trace cannot be kept: columns of shape {columns.shape[1:]} must be flat, not "
            "empty and without NaN or infinity. Pull again or record it without a trace."
        )
    plain = columns.tobytes()
    stored = StoredTrace(zlib.compress(plain))
    stored.key = hashlib.sha256(plain).hexdigest()
    return stored


def decode_trace(data: bytes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the times (s) and forces (N) of a stored trace, each of shape (n,).

    Raises
    ------
    LedgerDamaged
        The bytes are not a stored trace.
    """
    plain = _plain(data)
    if len(plain) % _BYTES_PER_POINT:
        raise LedgerDamaged(
            f"A trace of {len(plain)} bytes is not two columns of numbers: verify the ledger."
        )
    time_s, force_n = np.frombuffer(plain, dtype="<f8").astype(np.float64).reshape(2, -1)
    return time_s, force_n


def trace_key(data: bytes) -> str:
    """Return the key of a stored trace: the SHA-256, in hexadecimal, of its uncompressed bytes.

    Raises
    ------
    LedgerDamaged
        The bytes cannot be uncompressed.
    """
    if isinstance(data, StoredTrace):
        return data.key
    return hashlib.sha256(_plain(data)).hexdigest()


def _plain(data: bytes) -> bytes:
    try:
        return zlib.decompress(data)
    except zlib.error as error:
        raise LedgerDamaged(
            f"A trace cannot be uncompressed ({error}): verify the ledger."
        ) from error
