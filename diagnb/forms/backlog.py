"""What was typed and is on disk, but whose results are not worked out yet.

A key press waits for the disk only. A test whose results took a blink the last time is worked out at once. What takes longer
follows when no further key has come for a moment, so fast typing is worked out once, and the journal never stands behind
an evaluation.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping

from diagnb.forms.step_list import Soon

Keys = Mapping[str, tuple[str, ...]]
_TIMES = 3
_LONGEST = 0.25
_BLINK = 0.02
"""Seconds of work that no key after it would notice."""


class Backlog:
    """Calls ``work(keys by step, number)`` on a thread of its own, ``seconds`` after the last entry was added.

    What took long the last time is waited for longer, up to a quarter of a second: then no key of a burst is worked out alone.
    ``number`` is that of the last of these entries in the journal. With ``seconds`` zero nothing is put off:
    :meth:`add` returns False, and the caller works it out itself.
    """

    def __init__(self, work: Callable[[Keys, int], object], seconds: float) -> None:
        self._work, self._seconds = work, seconds
        self._keys: dict[str, tuple[str, ...]] = {}
        self._number = 0
        self._guard = threading.Lock()
        self._one_at_a_time = threading.Lock()
        self._soon = Soon(self._take, seconds)
        self._quick: set[str] = set()

    def add(self, step: str, key: str, number: int) -> bool:
        """Put off what follows from the field ``key`` of this step; False when the caller is to work it out at once."""
        if not self._seconds:
            return False
        with self._guard:
            if _test_of(key) in self._quick and not self._keys and not self._one_at_a_time.locked():
                return False
            self._keys[step] = tuple(dict.fromkeys((*self._keys.get(step, ()), key)))
            self._number = max(self._number, number)
        self._soon()
        return True

    def _take(self) -> None:
        with self._one_at_a_time:
            with self._guard:
                keys, self._keys, number = self._keys, {}, self._number
            if keys:
                begun = time.perf_counter()
                self._work(keys, number)
                every = [key for of_step in keys.values() for key in of_step]
                self.note(every, time.perf_counter() - begun)

    def note(self, keys: Iterable[str], took: float) -> None:
        """How long it took to work these fields out, in seconds: what is put off next time, and for how long."""
        tests = {_test_of(key) for key in keys}
        self._quick = self._quick | tests if took < _BLINK else self._quick - tests
        self._soon.seconds = max(self._seconds, min(_TIMES * took, _LONGEST))

    def forget(self) -> None:
        """Work nothing out any more."""
        self._soon.cancel()


def _test_of(key: str) -> str:
    """``tests.t1`` of ``tests.t1.readings.drop``."""
    return ".".join(key.split(".")[:2])
