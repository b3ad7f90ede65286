"""What records are made from: frozen, slotted, compared field by field; and names of their arrays.

A class of msgspec takes a fiftieth of the time that a frozen dataclass takes to be made (0.01 ms
for 0.5), and a command makes two hundred of them before it does anything. The names of arrays are
for whoever checks types: numpy.typing is not read at a start.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, dataclass_transform

from msgspec import Struct, field
from msgspec.structs import force_setattr, replace

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]
    Complexes = NDArray[np.complex128]
else:
    ArrayLike = NDArray = Floats = Singles = Ints = Bools = Complexes = Any

__all__ = [
    "ArrayLike",
    "Bools",
    "Complexes",
    "Floats",
    "Ints",
    "NDArray",
    "Record",
    "Singles",
    "field",
    "force_setattr",
    "picked",
    "replace",
]


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
class Record(Struct, frozen=True):
    """A frozen record; ``eq=False`` in its head where arrays are among its fields."""


def picked(record: Any, *names: str) -> dict[str, Any]:
    """Return fields of a record by name."""
    return {name: getattr(record, name) for name in names}
