"""A checksum of records, whatever they hold: equal values give equal sums.

It is a sum of the values, not of how they lie in memory: a number that numpy made and the same
number read back from a file give the same.
"""

import dataclasses
import hashlib
from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from enum import Enum
from fractions import Fraction

import numpy as np


def sum_of(*values: object) -> str:
    """Give the SHA-256 of some values, as hexadecimal digits.

    values
        None, truth values, numbers, texts, arrays of numbers, and records (dataclasses),
        sequences, sets and mappings of these.

    Raises TypeError if something else is inside: what cannot be summed must not pass as equal.
    """
    summed = hashlib.sha256()
    for piece in _pieces(values):
        # The length goes first, so that no two runs of pieces read alike.
        summed.update(f"{len(piece)}:".encode())
        summed.update(piece)
    return summed.hexdigest()


def _pieces(value: object) -> Iterator[bytes]:
    if value is None or isinstance(value, (bool, np.bool_)):
        yield str(value).encode()
    elif isinstance(value, (int, np.integer)):
        yield f"int {int(value)}".encode()
    elif isinstance(value, (float, np.floating)):
        yield f"float {float(value)!r}".encode()
    elif isinstance(value, Fraction):
        yield f"fraction {value}".encode()
    elif isinstance(value, str) and not isinstance(value, Enum):
        yield f"text {value}".encode(errors="surrogatepass")
    elif isinstance(value, np.ndarray) and value.dtype.kind in "biuf":
        yield f"array {value.dtype.str} {value.shape}".encode()
        yield value.tobytes()
    else:
        yield from _pieces_inside(value)


def _pieces_inside(value: object) -> Iterator[bytes]:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        yield f"record {type(value).__name__} {len(fields)}".encode()
        for field in fields:
            yield field.name.encode()
            yield from _pieces(getattr(value, field.name))
    elif isinstance(value, (tuple, list)):
        yield f"sequence {len(value)}".encode()
        for one in value:
            yield from _pieces(one)
    elif isinstance(value, Mapping):
        yield f"mapping {len(value)}".encode()
        yield from sorted(sum_of(*item).encode() for item in value.items())
    elif isinstance(value, AbstractSet):
        yield f"set {len(value)}".encode()
        yield from sorted(sum_of(one).encode() for one in value)
    else:
        raise TypeError(f"no sum is known of {type(value).__name__}")
