"""Work that takes seconds: never two of a kind at once, so that reading strips goes on meanwhile."""

from collections.abc import Callable
from threading import Lock
from typing import TypeVar

from anyio import to_thread
from starlette.exceptions import HTTPException

from stripread.web.people.people import Person
from stripread.web.state import AppState

__all__ = ["DRAWING", "exclusive"]

DRAWING = Lock()
"""Held while a figure is drawn: matplotlib is not made for two at a time."""

_Made = TypeVar("_Made")


async def exclusive(state: AppState, person: Person, work: Callable[[], _Made]) -> _Made:
    """Do work in a thread when no other such work is done; 429 where somebody asks for it too often."""
    if not state.heavy_tries.allow(person.name):
        raise HTTPException(429)
    return await to_thread.run_sync(work, limiter=state.heavy)
