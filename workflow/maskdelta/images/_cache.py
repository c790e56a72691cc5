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
        self._held_bytes = 0
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
                value = self._load(key)
            except BaseException as exc:
                future.set_exception(exc)
                with self._lock:
                    self._kept.pop(key, None)
            else:
                with self._lock:
                    future.set_result(value)
                    self._held_bytes += _size(value)
                    self._drop_oldest(key)
        return future.result()

    def _drop_oldest(self, newest: K) -> None:
        dropped = []
        for key, future in self._kept.items():
            if self._held_bytes <= self._budget:
                break
            if key != newest and future.done():
                self._held_bytes -= _size(future.result())
                dropped.append(key)
        for key in dropped:
            del self._kept[key]


def _size(value: Any) -> int:
    """Bytes of an array or of the arrays in a tuple."""
    if isinstance(value, tuple):
        return sum(_size(part) for part in value)
    return int(getattr(value, "nbytes", 0))
