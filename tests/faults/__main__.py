"""All faults in full, with figures: ``python -m tests.faults --full``; without it in the short form of the tests."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.conftest import Mosquitto
from tests.faults.fuzz import fuzz
from tests.faults.kill_nine import kill_nine


def main() -> int:
    full = "--full" in sys.argv[1:]
    if full:
        os.environ["KERFBOOK_FAULTS"] = "full"
    began = time.monotonic()
    packs = fuzz(1_000_000 if full else 20_000)
    outcomes = ", ".join(f"{count} {name}" for name, count in sorted(packs.outcomes.items()))
    print(f"mutated packs   {outcomes}; slowest {packs.slowest * 1e3:.1f} ms; memory {packs.growth / 1024:+.0f} KiB")
    with TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        try:
            toll = kill_nine(Path(folder), broker, 100 if full else 5)
        finally:
            broker.stop()
    print(
        f"kill -9         {toll.kills} times; {toll.readings} readings, {toll.readings_lost} lost; "
        f"{toll.facts} facts, {toll.facts_wrong} wrong"
    )
    here = Path(__file__).parent
    rest = [str(file) for file in sorted(here.glob("test_*.py")) if file.name != "test_short.py"]
    # In a process of its own: this one has imported what pytest wants to see first.
    quiet = ["-o", "addopts=", "-p", "no:terminal", "-p", "no:cacheprovider", "-p", "tests.faults.table"]
    failed = subprocess.run([sys.executable, "-m", "pytest", *quiet, *rest], check=False).returncode
    print(f"took {time.monotonic() - began:.0f} s")
    return int(bool(toll.readings_lost or toll.facts_wrong or failed))


if __name__ == "__main__":
    sys.exit(main())
