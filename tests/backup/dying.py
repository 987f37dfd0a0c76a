"""A restore that is killed after so many of its files have their names: ``dying.py ARCHIVE TRACE BOOK NAMES``."""

import os
import signal
import sys
from pathlib import Path

from collector.backup.restore import restore

archive, trace, book, names = sys.argv[1:]
left = int(names)
rename = Path.rename


def dying(path: Path, target: Path) -> Path:
    global left
    if not left:
        os.kill(os.getpid(), signal.SIGKILL)
    left -= 1
    return rename(path, target)


Path.rename = dying
restore(Path(archive), Path(trace), book)
