"""A bounded cache of large arrays, shared by threads."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Any, Generic, TypeVar

__all__ = ["BoundedCache"]

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class BoundedCache(Generic[K, V]):
    """Keeps the values used last, up to a number of bytes.

    Parameters
    ----------
    load : callable
        Makes the value of a key. Two threads that ask for one key wait for one call.
    budget_bytes : int
        The oldest values are dropped beyond this; the newest is always kept.
    """

    def __init__(self, load: Callable[[K], V], *, budget_bytes: int) -> None:
        self._load = load
        self._budget = budget_bytes
        self._kept: OrderedDict[K, Future[V]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: K) -> V:
        """The value of a key, made when it is not kept."""
        with self._lock:
            future = self._kept.get(key)
            mine = future is None
            if future is None:
                future = self._kept[key] = Future()
            self._kept.move_to_end(key)
        if mine:
            try:
                future.set_result(self._load(key))
            except BaseException as exc:
                future.set_exception(exc)
                with self._lock:
                    self._kept.pop(key, None)
            else:
                self._shrink()
        return future.result()

    def _shrink(self) -> None:
        with self._lock:
            done = [key for key, future in self._kept.items() if future.done()]
            total = sum(_size(self._kept[key].result()) for key in done)
            for key in done[:-1]:
                if total <= self._budget:
                    break
                total -= _size(self._kept.pop(key).result())


def _size(value: Any) -> int:
    """Bytes of an array or of the arrays in a tuple."""
    if isinstance(value, tuple):
        return sum(_size(part) for part in value)
    return int(getattr(value, "nbytes", 0))
