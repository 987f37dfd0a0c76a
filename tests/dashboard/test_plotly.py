"""The chart library's script comes whole, from the installed package, and is asked for once."""

import gzip

import pytest
from flask import Flask

from dashboard.pages.plotly import bundle, plotly_pages, version


@pytest.fixture(scope="module")
def client():
    app = Flask("charts")
    app.register_blueprint(plotly_pages())
    return app.test_client()


@pytest.mark.parametrize(("asked", "read"), [("gzip", gzip.decompress), ("identity", bytes)])
def test_a_browser_gets_the_whole_script_and_may_keep_it(client, asked, read):
    with client.get(f"/plotly/{version()}/plotly.min.js", headers={"Accept-Encoding": asked}) as answer:
        assert read(answer.data) == bundle().read_bytes()
    assert answer.headers.get("Content-Encoding", "identity") == asked
    assert answer.mimetype == "text/javascript"
    assert answer.headers["Vary"] == "Accept-Encoding"
    kept = answer.cache_control
    assert kept.max_age is not None
    assert kept.max_age > 300 * 86_400
    assert (kept.public, kept.immutable, bool(kept.no_cache)) == (True, True, False)


def test_the_script_of_another_version_is_not_there(client):
    assert client.get("/plotly/0.0.1/plotly.min.js").status_code == 404
