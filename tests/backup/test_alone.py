"""One backup at a time works in a folder, however many are begun and end at once."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

from collector.backup.make import _work
from collector.backup.manifest import BackupError


def test_two_never_work_in_one_folder(tmp_path):
    inside, most, done = threading.Semaphore(1), [], []

    def begin(_number: int) -> None:
        for _ in range(300):
            with suppress(BackupError), _work(tmp_path) as work:
                most.append(inside.acquire(blocking=False))
                done.append(work.is_dir())
                inside.release()

    with ThreadPoolExecutor(8) as backups:
        list(backups.map(begin, range(8)))
    assert all(most)
    assert all(done)
    assert len(done) > 8
    assert list(tmp_path.iterdir()) == []
