"""Real servers for messages: SMTP (aiosmtpd, a library that speaks RFC 5321) and HTTP, each in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import suppress
from socket import create_connection
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

SMTP = """
import asyncio, json, sys
from email import message_from_bytes
from email.policy import default
from aiosmtpd.controller import Controller

class Keep:
    async def handle_DATA(self, server, session, envelope):
        mail = message_from_bytes(envelope.content, policy=default)
        body = mail.get_body(("plain", "html")).get_content()
        html = mail.get_body(("html",))
        row = {"to": envelope.rcpt_tos, "subject": mail["subject"], "body": body, "html": html and html.get_content()}
        with open(sys.argv[2], "a") as out:
            out.write(json.dumps(row) + "\\n")
        return "250 kept"

Controller(Keep(), hostname="127.0.0.1", port=int(sys.argv[1])).start()
asyncio.new_event_loop().run_forever()
"""

HOOK = """
import sys
from http.server import BaseHTTPRequestHandler, HTTPServer

class Keep(BaseHTTPRequestHandler):
    def do_POST(self):
        row = self.rfile.read(int(self.headers["Content-Length"])).decode()
        with open(sys.argv[2], "a") as out:
            out.write(row.replace("\\n", " ") + "\\n")
        self.send_response(200)
        self.end_headers()
    def log_message(self, *args):
        pass

HTTPServer(("127.0.0.1", int(sys.argv[1])), Keep).serve_forever()
"""


class Server:
    """One of the programs above; what it received is in a file that outlives it."""

    def __init__(self, program: str, port: int, kept: Path) -> None:
        self.port = port
        self._program = program
        self._kept = kept
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen([sys.executable, "-c", self._program, str(self.port), str(self._kept)])
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with suppress(OSError), create_connection(("127.0.0.1", self.port), 0.2):
                return
            time.sleep(0.05)
        raise AssertionError("the server does not answer")

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(60)
            self._process = None

    @property
    def received(self) -> list[dict[str, object]]:
        rows = self._kept.read_text().splitlines() if self._kept.exists() else []
        return [json.loads(row) for row in rows]
