"""Running one coroutine to its end, also where an event loop is running already (a notebook)."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")

for _name in ("pyhanko", "pyhanko_certvalidator"):
    # Without a handler of their own these libraries write tracebacks about hostile files to stderr.
    logging.getLogger(_name).addHandler(logging.NullHandler())


def finish(coroutine: Coroutine[Any, Any, T]) -> T:
    """The coroutine's result. Under a running loop it gets a thread and a loop of its own."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return asyncio.run(coroutine)
    with ThreadPoolExecutor(max_workers=1) as pool:
        return pool.submit(asyncio.run, coroutine).result()
