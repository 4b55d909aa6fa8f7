"""Connections before anybody is known: how many there may be, from one address and in all, and how slow they may be."""

from asyncio import TimerHandle, Transport
from collections import Counter
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["FROM_ONE", "HEADERS_S", "IN_ALL", "CountedConnections"]

# Ours. A phone's browser opens six; a school of them behind one address shares what one may have.
FROM_ONE, IN_ALL = 40, 150
HEADERS_S = 10.0  # for the headers of a request to be there

_open: Counter[str] = Counter()  # of this process, by address


class CountedConnections(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it; connections over the limits are closed at once, those that say nothing soon."""

    _address: str | None = None
    _deadline: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Take a connection, or close it."""
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if isinstance(peer, tuple) else ""
        if _open[address] >= FROM_ONE or _open.total() >= IN_ALL:
            self.transport = transport
            transport.abort()
            return
        self._address = address
        _open[address] += 1
        super().connection_made(transport)
        self._await_headers()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        self._have_headers()
        if self._address is None:
            return
        _open[self._address] -= 1
        if not _open[self._address]:
            del _open[self._address]
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Read on; a request that began must have its headers in time."""
        if self._address is None:
            return
        if self._deadline is None and not self._answering():
            self._await_headers()
        super().data_received(data)
        if self._answering():
            self._have_headers()

    def _answering(self) -> bool:
        cycle: Any = self.cycle
        return cycle is not None and not cycle.response_complete

    def _await_headers(self) -> None:
        self._deadline = self.loop.call_later(HEADERS_S, self._too_slow)

    def _have_headers(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _too_slow(self) -> None:
        self._deadline = None
        if not self._answering():
            self.transport.abort()
