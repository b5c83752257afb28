"""The phone's stand-in: a local web server that takes the notification library's JSON posts and keeps them."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final

__all__ = ["Receiver"]

_LONGEST: Final = 1 << 20


class Receiver:
    """Listens on a free port of this machine. `notices` holds what came, in order; `path` gets a line for each.

    heard : called with each notice, in the server's thread
    """

    def __init__(self, path: Path, heard: Callable[[dict[str, Any]], None] = dict) -> None:
        self.notices: list[dict[str, Any]] = []
        self._path = path
        self._heard = heard
        self._lock = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers.get("Content-Length") or 0)
                body = self.rfile.read(min(length, _LONGEST))
                try:
                    notice = json.loads(body)
                except ValueError:
                    self.send_error(400, "a JSON body is wanted")
                    return
                receiver._take(notice)
                self.send_response(204)
                self.end_headers()

            def log_message(self, *args: object) -> None:
                """Nothing: the notices are the log."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        """Its address in the form of the notification library."""
        return f"json://127.0.0.1:{self._server.server_address[1]}/bench"

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)

    def _take(self, notice: dict[str, Any]) -> None:
        with self._lock:
            self.notices.append(notice)
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(notice, ensure_ascii=False) + "\n")
        self._heard(notice)
