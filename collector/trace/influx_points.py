"""Points beside the trace in InfluxDB: policy `FACTS` of the same database, kept for ever, tag ``saw``.

Only on servers that take points back in InfluxQL (1.x): a fact may be withdrawn, and its point must go.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from collector.trace.influx_server import LINES
from collector.trace.store import TraceError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from collector.trace.influx_server import InfluxServer

FACTS: Final = "facts"


class InfluxPoints:
    """Reads, writes and takes back points.

    Args:
        server: of the trace, whose database they are in.
    """

    def __init__(self, server: InfluxServer) -> None:
        self._server = server
        self._bucket = f"{server.database}/{FACTS}"

    def prepare(self) -> None:
        """Make the policy.

        Raises:
            TraceError: the server is out of reach, or none that takes points back.
        """
        if not self._server.version().startswith("1."):
            raise TraceError(
                later(
                    "{url}: facts are written as points to InfluxDB 1.x only: this server takes no point back in "
                    "InfluxQL; set facts_as_points = false in [stores]"
                ),
                url=self._server.url,
            )
        self._server.policy_of(FACTS, 0)

    def read(
        self, saw: str, start_us: int, end_us: int, measurements: Iterable[str]
    ) -> dict[tuple[str, int], list[dict[str, Any]]]:
        """Tags and fields of the points in ``[start_us, end_us)``, by measurement and time; several differ in a tag.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        found: dict[tuple[str, int], list[dict[str, Any]]] = {}
        sources = ", ".join(f'"{FACTS}"."{name}"' for name in measurements)
        query = f"SELECT * FROM {sources} WHERE \"saw\" = '{saw}' AND time >= {start_us}u AND time < {end_us}u"
        for one in self._server.ask(query):
            for row in one.get("values", ()):
                named = dict(zip(one["columns"], row, strict=True))
                at = named.pop("time")
                columns = {name: value for name, value in named.items() if value is not None and name != "saw"}
                found.setdefault((one["name"], at), []).append(columns)
        return found

    def write(
        self, saw: str, points: Iterable[tuple[str, int, Mapping[str, str], Mapping[str, float | int | bool | str]]]
    ) -> None:
        """Write points: measurement, time [µs UTC], tags, fields.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        lines = []
        for measurement, at, tags, fields in points:
            tagged = "".join(f",{name}={value}" for name, value in sorted({"saw": saw, **tags}.items()))
            lines.append(f"{measurement}{tagged} {','.join(f'{k}={_value(v)}' for k, v in fields.items())} {at}")
        for i in range(0, len(lines), LINES):
            self._server.send("\n".join(lines[i : i + LINES]), self._bucket)

    def drop(self, saw: str, measurement: str, times: Collection[int]) -> None:
        """Take points back.

        Raises:
            TraceError: the server is out of reach or refuses.
        """
        for at in times:
            query = f'DELETE FROM "{measurement}" WHERE "saw" = \'{saw}\' AND time >= {at}u AND time <= {at}u'
            self._server.ask(query, post=True)


def _value(value: float | bool | str) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return f"{value}i"
    return f'"{value}"' if isinstance(value, str) else repr(float(value))
