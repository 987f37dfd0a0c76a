"""Headers of every answer: nothing inline, nothing from outside, no sniffing, no framing by strangers."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask, Response

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
"""Content Security Policy, W3C CSP Level 3."""


def add_headers(app: Flask, *, secure: bool = False) -> None:
    """Set the headers on every answer of an application; ``secure``: people reach it over TLS alone."""

    @app.after_request
    def set_headers(answer: Response) -> Response:
        answer.headers.setdefault("Content-Security-Policy", POLICY)
        answer.headers.setdefault("X-Content-Type-Options", "nosniff")
        answer.headers.setdefault("Referrer-Policy", "no-referrer")
        answer.headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
        answer.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        answer.headers.setdefault("Permissions-Policy", "geolocation=(), microphone=(), payment=(), usb=()")
        if answer.mimetype == "text/html" and "Cache-Control" not in answer.headers:
            answer.headers["Cache-Control"] = "no-store"  # pages name people; none stays behind on a shared device
        if secure:
            answer.headers.setdefault("Strict-Transport-Security", f"max-age={365 * 86_400}")  # RFC 6797
        return answer
