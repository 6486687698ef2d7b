"""Checks an array's shape and makes it read-only, so that frozen records stay frozen."""

from typing import Any, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

Number = TypeVar("Number", bound=np.generic)


def lock(value: Any, dtype: DTypeLike, *shape: int | None, name: str = "array") -> NDArray[Any]:
    """`value` as a read-only C-contiguous array of `dtype` whose shape fits `shape`.

    None in `shape` stands for any length. An array that is already right is taken as it is and
    set read-only; nothing is copied.

    Raises
    ------
    ValueError : the shape does not fit
    """
    array = np.ascontiguousarray(value, dtype=dtype)
    if array.size == 0 and len(shape) > 1:
        array = array.reshape([0 if s is None else s for s in shape])
    fits = array.ndim == len(shape) and all(
        want is None or have == want for have, want in zip(array.shape, shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{name} has shape {array.shape}, expected {shape}")
    array.setflags(write=False)
    return array


def still(array: NDArray[Number]) -> NDArray[Number]:
    """A read-only view: a compiled loop that gets nothing else is compiled but once."""
    view = array.view()
    view.setflags(write=False)
    return view


def lock_fields(record: object, **arrays: NDArray[Any]) -> None:
    """Sets fields of a frozen dataclass from its own `__post_init__`."""
    for field, array in arrays.items():
        object.__setattr__(record, field, array)
