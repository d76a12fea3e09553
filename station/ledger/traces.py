"""How a force trace or a photo is kept: compressed, and found by the hash of what it says."""

import hashlib
import zlib
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from station.errors import BadInput, LedgerDamaged
from station.ledger.entries import Payload, PhotoTaken, SampleFinished

_BYTES_PER_POINT = 16


def encode_trace(time_s: ArrayLike, force_n: ArrayLike) -> bytes:
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
    return packed(columns.tobytes())


def packed(plain: bytes) -> bytes:
    """Return the stored form of a trace's columns or of a photo's file."""
    return zlib.compress(plain)


def decode_trace(data: bytes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the times (s) and forces (N) of a stored trace, each of shape (n,).

    Raises
    ------
    LedgerDamaged
        The bytes are not a stored trace.
    """
    plain = unpacked(data)
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
    return hashlib.sha256(unpacked(data)).hexdigest()


def unpacked(data: bytes) -> bytes:
    """Return what was `packed`; LedgerDamaged where it cannot be."""
    try:
        return zlib.decompress(data)
    except zlib.error as error:
        raise LedgerDamaged(
            f"A trace cannot be uncompressed ({error}): verify the ledger."
        ) from error


def named_traces(payload: Payload) -> list[str]:
    """Return the keys of the traces that a payload names; of a photo, its own."""
    if isinstance(payload, PhotoTaken):
        return [payload.sha256]
    if not isinstance(payload, SampleFinished):
        return []
    return [pull.trace_sha256 for pull in payload.pulls if pull.trace_sha256 is not None]


def check_traces(payload: Payload, traces: Mapping[str, bytes]) -> None:
    """Refuse traces that a payload does not name, or that have another key (BadInput)."""
    named = named_traces(payload) if traces else []
    for key, data in traces.items():
        if key not in named:
            raise BadInput(f"The trace {key} is not named by the {payload.KIND} entry it is with.")
        try:
            found = trace_key(data)
        except LedgerDamaged as error:
            raise BadInput(
                f"The trace {key} is not in its stored form: encode it first."
            ) from error
        if found != key:
            raise BadInput(f"The trace {key} has the hash {found}: give it under its own hash.")
