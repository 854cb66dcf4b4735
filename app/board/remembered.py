"""What is reckoned once and stays true: answers about days that are over. Kept in the process, lost with it, and reckoned again."""

import threading
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")
_MOST = 64


class Remembered:
    """Answers by key, the oldest forgotten first. Two who ask at once wait for one reckoning."""

    def __init__(self) -> None:
        self._answers: dict[Hashable, Any] = {}
        self._lock = threading.RLock()  # an answer may ask for another

    def get(self, key: Hashable, reckon: Callable[[], T]) -> T:
        with self._lock:
            if key not in self._answers:
                self._answers[key] = reckon()
                while len(self._answers) > _MOST:
                    del self._answers[next(iter(self._answers))]
            found: T = self._answers[key]
            return found
