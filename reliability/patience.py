"""Connections that never finish asking or never take what they asked for: closed, lest they use up the service."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_SECONDS = 10.0
"""a request's head must have arrived within so many seconds"""
BODY_SECONDS = 30.0
"""so long may a body pause"""
READ_SECONDS = 60.0
"""so long may an answer lie there of which nothing is taken"""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that waits a limited time for whoever is at the other end.

    uvicorn waits without end for a head or a body that comes a byte at a time ("slowloris"), and for a
    client that does not read ("slow read"), as its own limit counts between requests only.
    """

    _late: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None
    _upgraded = False

    def connection_made(self, transport: Any) -> None:
        """A client has come: its first head is awaited."""
        super().connection_made(transport)
        self._await(HEAD_SECONDS)

    def connection_lost(self, exc: Exception | None) -> None:
        """The client has gone."""
        self._stop_waiting()
        super().connection_lost(exc)  # it goes on writing, to nobody
        self._taken()

    def data_received(self, data: bytes) -> None:
        """Some bytes: of a head, which must end in time, or of a body, which may pause only."""
        super().data_received(data)
        if self._upgraded or self.transport.is_closing():
            return
        if self._idle():
            if self._late is None:
                self._await(HEAD_SECONDS)
        elif self.cycle.more_body:
            self._await(BODY_SECONDS)
        else:
            self._stop_waiting()

    def handle_websocket_upgrade(self, event: Any) -> None:
        """The connection becomes a WebSocket: no head is awaited any more."""
        self._stop_waiting()
        super().handle_websocket_upgrade(event)
        self._upgraded = True

    def on_response_complete(self) -> None:
        """An answer is written: what is left of its request's body is awaited no more."""
        self._stop_waiting()
        super().on_response_complete()

    def timeout_keep_alive_handler(self) -> None:
        """The connection is closed once the last answer is taken."""
        super().timeout_keep_alive_handler()
        self._await_reader()

    def pause_writing(self) -> None:
        """The client does not take its answer as fast as it is written."""
        super().pause_writing()
        self._await_reader()

    def resume_writing(self) -> None:
        """It has taken some of it."""
        super().resume_writing()
        self._taken()

    def _await_reader(self) -> None:
        """The connection ends if nothing at all is taken for a while."""
        self._taken()
        left = self.transport.get_write_buffer_size()
        self._unread = self.loop.call_later(READ_SECONDS, self._look_again, left)

    def _look_again(self, before: int) -> None:
        if self.transport.get_write_buffer_size() < before:
            self._await_reader()
        else:
            self.transport.abort()

    def _taken(self) -> None:
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def _idle(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _await(self, seconds: float) -> None:
        self._stop_waiting()
        self._late = self.loop.call_later(seconds, self._drop)

    def _stop_waiting(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _drop(self) -> None:
        self._late = None
        if self._upgraded or self.transport.is_closing():
            return
        if self.flow.read_paused and not self._idle():
            self._await(BODY_SECONDS)  # it is we who do not take the body
        else:
            self.transport.abort()
