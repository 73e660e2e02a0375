"""Connections that never finish asking: closed, so that they cannot use up the service."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_SECONDS = 10.0
"""a request's head must have arrived within so many seconds"""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that waits a limited time for the head of each request.

    uvicorn waits without end for a head that comes a byte at a time ("slowloris"), as its own limit
    counts between requests only.
    """

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """A client has come: its first head is awaited."""
        super().connection_made(transport)
        self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """The client has gone."""
        self._stop_waiting()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Some bytes: if they complete a head the wait is over, if they begin one it starts."""
        before = self.cycle
        super().data_received(data)
        if self.cycle is not before:
            self._stop_waiting()
        elif self._idle() and self._late is None and not self.transport.is_closing():
            self._await_head()

    def handle_websocket_upgrade(self, event: Any) -> None:
        """The connection becomes a WebSocket: no head is awaited any more."""
        self._stop_waiting()
        super().handle_websocket_upgrade(event)
        self._upgraded = True

    _upgraded = False

    def _idle(self) -> bool:
        return not self._upgraded and (self.cycle is None or self.cycle.response_complete)

    def _await_head(self) -> None:
        self._late = self.loop.call_later(HEAD_SECONDS, self._drop)

    def _stop_waiting(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _drop(self) -> None:
        self._late = None
        if self._idle() and not self.transport.is_closing():
            self.transport.abort()
