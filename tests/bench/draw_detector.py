"""Draws how the detector reads a run: `python -m tests.bench.draw_detector > .github/detector.svg`."""

from __future__ import annotations

import numpy as np

from collector.detect import reader
from collector.detect.detector import derive
from collector.facts import SECOND, Cut, Run
from simulator.difficulties import SCENARIOS

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 1180, 430, 60, 34, 44


def main() -> None:
    """Print the picture of one short run of a developing seed."""
    played = SCENARIOS["everything"](5)
    segments: list[tuple[int, int, float]] = []
    turn = reader.Reader._segment

    def watch(self, opened, place, end, tail):  # the same segment is read more than once: the last word counts
        segment = turn(self, opened, place, end, tail)
        segments.append((segment.start, segment.end, segment.total / segment.n))
        return segment

    reader.Reader._segment = watch
    facts = derive("heron", played.trace)
    reader.Reader._segment = turn
    runs = [f for f in facts if isinstance(f, Run) and f.end and 3 <= f.cuts <= 6]
    run = min(runs, key=lambda r: r.end - r.start)
    start, end = run.start - 4 * SECOND, run.end + (run.stop_us or 0) + 5 * SECOND
    cuts = [f for f in facts if isinstance(f, Cut) and run.start <= f.start < run.end]
    motor = played.trace.motor.between(start, end)
    top = 1.35 * max(c.peak_ma for c in cuts)
    x = lambda t: LEFT + (WIDTH - LEFT - 16) * (t - start) / (end - start)  # noqa: E731
    y = lambda ma: HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(ma, top) / top  # noqa: E731
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="13">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fffdf6"/>',
    ]
    for cut in cuts:
        a, b = x(cut.start), x(cut.end)
        out.append(f'<rect x="{a:.1f}" y="{TOP}" width="{b - a:.1f}" height="{HEIGHT - TOP - BOTTOM}" fill="#cfe8d9"/>')
        out.append(
            f'<text x="{(a + b) / 2:.1f}" y="{TOP - 8}" text-anchor="middle" fill="#185c37">'
            f"cut, {(cut.end - cut.start) / SECOND:.1f} s</text>"
        )
        out.append(
            f'<line x1="{a:.1f}" x2="{b:.1f}" y1="{y(cut.idle_ma):.1f}" y2="{y(cut.idle_ma):.1f}"'
            ' stroke="#185c37" stroke-dasharray="5 4"/>'
        )
    points = " ".join(f"{x(t):.1f},{y(v):.1f}" for t, v in zip(motor.t.tolist(), motor.v.tolist(), strict=True))
    out.append(f'<polyline points="{points}" fill="none" stroke="#8a8172" stroke-width="1"/>')
    last = {a: (a, b, level) for a, b, level in segments if run.start <= a and b <= end}
    for a, b, level in last.values():
        out.append(
            f'<line x1="{x(a):.1f}" x2="{x(b):.1f}" y1="{y(level):.1f}" y2="{y(level):.1f}" stroke="#b0461c" stroke-width="2.4"/>'
        )
    for amps in np.arange(0, top / 1000, max(1, round(top / 5000))):
        out.append(f'<text x="{LEFT - 8}" y="{y(amps * 1000) + 4:.1f}" text-anchor="end">{amps:.0f} A</text>')
    for second in range(0, (end - start) // SECOND + 1, 10):
        out.append(f'<text x="{x(start + second * SECOND):.1f}" y="{HEIGHT - 24}" text-anchor="middle">{second} s</text>')
    out.append(
        f'<text x="{LEFT}" y="{HEIGHT - 6}" fill="#555">grey: samples (the start is cut off at the top) · red: levels between '
        "steps · dashed: idle under a cut · green: what is called a cut</text></svg>"
    )
    print("\n".join(out))


if __name__ == "__main__":
    main()
