"""A real InfluxDB 1.6, and before it what 1.8 and newer do by themselves: ``/api/v2/write`` mapped onto ``/write``."""

import http.client
import subprocess
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlencode, urlsplit

from tests.conftest import free_port, need

CONFIG = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
query-log-enabled = false
cache-snapshot-write-cold-duration = "{cold}"
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
[logging]
level = "error"
"""


class Influx:
    """The server and its front; ``url`` is the front's.

    Attributes:
        answers: statuses that the next writes get instead of the server's, the first first. 504: the server takes
            the write, and its answer is lost.
        requests: how many writes have come.

    Args:
        folder: for its files.
        cold: so long after the last write the log becomes files that are kept; a benchmark wants to see these.
    """

    def __init__(self, folder: Path, cold: str = "10m") -> None:
        self.folder, self.port = folder, free_port()
        self.answers: list[int] = []
        self.requests = 0
        self._config = folder / "influxdb.conf"
        self._config.write_text(CONFIG.format(folder=folder, port=self.port, rpc=free_port(), cold=cold))
        self._process: subprocess.Popen[bytes] | None = None
        self.start()
        self._front = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self._front.daemon_threads = True
        threading.Thread(target=self._front.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self._front.server_port}"

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen([need("influxd"), "-config", str(self._config)], stdout=log, stderr=log)
        deadline = time.monotonic() + 60
        while True:
            try:
                if self.ask("GET", "/ping", b"", {})[0] == 204:
                    return
            except OSError:
                pass
            if time.monotonic() > deadline or self._process.poll() is not None:
                raise RuntimeError((self.folder / "log").read_text())
            time.sleep(0.05)

    @property
    def pid(self) -> int | None:
        """Of the server's process, None while there is none."""
        return self._process.pid if self._process else None

    def kill(self) -> None:
        """kill -9."""
        if self._process:
            self._process.kill()
            self._process.wait()
            self._process = None

    def close(self) -> None:
        self._front.shutdown()
        self._front.server_close()
        self.kill()

    def ask(self, method: str, path: str, body: bytes, headers: dict[str, str]) -> tuple[int, dict[str, str], bytes]:
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            line.request(method, path, body, headers)
            answer = line.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            line.close()


def mapped(path: str) -> str:
    """The address of 1.x that does what ``path`` of 2.x does."""
    parts = urlsplit(path)
    if parts.path != "/api/v2/write":
        return path
    given = {key: values[0] for key, values in parse_qs(parts.query).items()}
    database, _, policy = given["bucket"].partition("/")
    precision = {"us": "u"}.get(given.get("precision", "ns"), given.get("precision", "ns"))
    return "/write?" + urlencode({"db": database, "rp": policy, "precision": precision})


def _handler(influx: Influx) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        wbufsize = -1
        disable_nagle_algorithm = True

        def pass_on(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            wanted = 0
            if self.path.startswith("/api/v2/write"):
                influx.requests += 1
                wanted = influx.answers.pop(0) if influx.answers else 0
            kept = {k: v for k, v in self.headers.items() if k in {"Content-Encoding", "Content-Type", "Authorization"}}
            status, headers, answer = wanted, {}, b'{"error":"so the test wants it"}'
            if wanted in {0, 504}:
                try:
                    status, headers, answer = influx.ask(self.command, mapped(self.path), body, kept)
                except OSError:
                    status = 503
                status = wanted or status
            self.send_response(status)
            for key in ("Content-Type", "X-Influxdb-Version"):
                if key in headers:
                    self.send_header(key, headers[key])
            if status != 204:
                self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            if status != 204:
                self.wfile.write(answer)

        do_GET = do_POST = pass_on  # noqa: N815

        def log_message(self, *_: object) -> None:
            pass

    return Handler
