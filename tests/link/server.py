"""A pretend controller behind a real port: a TCP socket (`socket://…`) or a pseudo-terminal, in a thread of the test."""

import os
import select
import socket
import threading
import time
import tty
from types import TracebackType

from harness import Peer


class Server:
    """Serves `peer` until it is left; hosts may come, vanish and come again. `line_s` slows its answers down."""

    def __init__(self, peer: Peer, *, pty: bool = False, line_s: float = 0.0) -> None:
        self.peer, self._line_s = peer, line_s
        self._stop = threading.Event()
        self.wire: list[tuple[float, bytes]] = []
        self.keep_wire = False
        self.lock = threading.Lock()
        """Held while the peer is at work: who looks at it from another thread takes it."""
        if pty:
            self._controller, self._host = os.openpty()
            tty.setraw(self._controller)
            tty.setraw(self._host)
            self.url = os.ttyname(self._host)
            self._thread = threading.Thread(target=self._serve_pty, daemon=True)
        else:
            self._listener = socket.create_server(("127.0.0.1", 0))
            self._listener.settimeout(0.05)
            self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
            self._thread = threading.Thread(target=self._serve_tcp, daemon=True)
        self._pty = pty

    def __enter__(self) -> "Server":
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join(5)
        if self._pty:
            os.close(self._controller)
            os.close(self._host)
        else:
            self._listener.close()

    def _answer(self, data: bytes) -> bytes:
        now_s = time.monotonic()
        if self.keep_wire:
            self.wire.append((now_s, data))
        if data:
            with self.lock:
                self.peer.feed(data, now_s)
        if self._line_s and b"\n" in data:
            time.sleep(self._line_s * data.count(b"\n"))
        with self.lock:
            return self.peer.take(time.monotonic())

    def _serve_tcp(self) -> None:
        while not self._stop.is_set():
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            with connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        while not self._stop.is_set():
            try:
                if select.select([connection], [], [], 0.01)[0]:
                    data = connection.recv(4096)
                    if not data:
                        return
                else:
                    data = b""
                if answer := self._answer(data):
                    connection.sendall(answer)
            except OSError:
                return

    def _serve_pty(self) -> None:
        while not self._stop.is_set():
            if select.select([self._controller], [], [], 0.01)[0]:
                data = os.read(self._controller, 4096)
            else:
                data = b""
            if answer := self._answer(data):
                os.write(self._controller, answer)
