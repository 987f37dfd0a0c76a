"""Sends one message through Apprise, as a process of its own.

``{"address", "title", "body", "html"}`` in, why it failed out.

Apprise and its 130 services take some 35 MB once loaded; a collector on a small computer keeps that room, and a
service that hangs holds up nobody. Imports nothing of ours.
"""

import json
import logging
import sys
import warnings


class _LastWords(logging.Handler):
    """Keeps what Apprise logs: it is the only place where it says why it failed."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.words: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.words.append(record.getMessage())


def send(address: str, title: str, body: str, html: str | None) -> str:
    """Sends; returns why it failed, empty: it did not.

    HTML goes to mail only: a push message shows it as a heap of signs.
    """
    import apprise  # noqa: PLC0415

    post = apprise.Apprise(asset=apprise.AppriseAsset(app_id="Kerfbook", app_desc="Kerfbook", app_url=""))
    if not post.add(address):
        return "Apprise does not know this kind of address; compare it with Apprise's documentation"
    heard = _LastWords()
    logging.getLogger("apprise").addHandler(heard)
    if html is not None and address.startswith("mailto"):
        body, form = html, apprise.NotifyFormat.HTML
    else:
        form = apprise.NotifyFormat.TEXT
    if post.notify(title=title, body=body, body_format=form):
        return ""
    return "; ".join(heard.words[-3:]) or "the service did not take the message"


if __name__ == "__main__":
    warnings.simplefilter("ignore")  # Apprise imports what Python will drop
    json.dump({"why": send(**json.load(sys.stdin))}, sys.stdout)
