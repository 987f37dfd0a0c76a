"""Makes one backup, for a test that kills it or gives it a small disk: ``child.py FOLDER TARGET [--blind]``."""

import sys
from pathlib import Path

from collector.backup import make

folder, target = Path(sys.argv[1]), Path(sys.argv[2])
if "--blind" in sys.argv:  # as if the disk filled up after it had been looked at
    make._room = lambda *_: None
print("begins", flush=True)
try:
    made = make.make_backup(
        folder / "trace.db",
        f"sqlite:///{folder}/book.db",
        target,
        site="tern-point",
        program="0",
        told=lambda said, **_: print(said),
    )
except make.BackupError as error:
    sys.exit(str(error))
print("made", flush=True)
