"""The written units under a live systemd: ``python -m tests.operations.under_systemd``, as root on Linux.

A systemd of its own, process 1 of new namespaces without a network, on an overlay of this computer's files: nothing that
it does is left behind. Kernel settings, devices and kernel control groups of others are out of its reach.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tests.configuration import one_saw

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SOURCE = Path(__file__).resolve().parents[2]
INSIDE = "/opt/kerfbook"
WATCHDOG = 10
"""Seconds in place of the unit's ten minutes; all else is as written."""

SCRIPT = """#!{venv}/bin/python -P
import sys
sys.path.insert(0, "{source}")
from dashboard.cli import main
sys.exit(main())
"""

BEGIN = r"""
set -e
mount --make-rprivate /
mount -t tmpfs tmpfs "$BASE"
mkdir "$BASE/upper" "$BASE/work" "$BASE/root"
mount -t overlay overlay -o "lowerdir=/,upperdir=$BASE/upper,workdir=$BASE/work" "$BASE/root"
cd "$BASE/root"
mount -t proc proc proc
mount --bind proc/sys proc/sys
mount -o remount,ro,bind proc/sys
mount --rbind /sys sys
mount -t tmpfs tmpfs sys/fs/cgroup
if [ -e /sys/fs/cgroup/cgroup.controllers ]; then
    mount -t cgroup2 cgroup2 sys/fs/cgroup
else
    mkdir sys/fs/cgroup/systemd
    mount -t cgroup -o none,name=systemd cgroup sys/fs/cgroup/systemd
    for one in memory pids; do mkdir "sys/fs/cgroup/$one"; mount -t cgroup -o "$one" cgroup "sys/fs/cgroup/$one"; done
fi
mount -t tmpfs tmpfs dev
for one in null zero full random urandom tty; do cp -a "/dev/$one" "dev/$one"; done
mkdir dev/shm dev/pts
mount -t devpts -o newinstance,ptmxmode=0666 devpts dev/pts
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
for one in run tmp; do mount -t tmpfs tmpfs "$one"; done
mkdir -p ".$INSIDE/venv" ".$INSIDE/source" etc/kerfbook var/backups/kerfbook etc/systemd/system/kerfbook.service.d
mount --bind "$VENV" ".$INSIDE/venv"
mount --bind "$SOURCE" ".$INSIDE/source"
for one in systemd-sysctl systemd-tmpfiles-setup systemd-tmpfiles-setup-dev systemd-udevd systemd-udev-trigger \
    systemd-modules-load systemd-logind systemd-networkd systemd-timesyncd systemd-remount-fs systemd-journal-flush; do
    ln -sf /dev/null "etc/systemd/system/$one.service"
done
rm -f etc/systemd/system/*.wants/*
printf '[Unit]\nRequires=basic.target\nAfter=basic.target\n' > etc/systemd/system/house.target
mkdir -p var/log/journal && mount -t tmpfs tmpfs var/log/journal
one="$PYTHON"  # it may lie in somebody's home
while [ "$one" != / ]; do one="$(dirname "$one")"; chmod o+x ".$one"; done
ip link set lo up
chroot . useradd --system --no-create-home --shell /usr/sbin/nologin kerfbook
printf '%s' "$CONFIG" > etc/kerfbook/kerfbook.toml
printf '%s' "$SCRIPT" > usr/local/bin/kerfbook && chmod 755 usr/local/bin/kerfbook
chroot . /usr/local/bin/kerfbook install-service --config /etc/kerfbook/kerfbook.toml --write > /dev/null
printf '[Service]\nEnvironment=PYTHONPATH=%s/source\nWatchdogSec=%s\n' "$INSIDE" "$WATCHDOG" \
    > etc/systemd/system/kerfbook.service.d/tried.conf
mkdir etc/systemd/system/kerfbook-backup.service.d
printf '[Service]\nEnvironment=PYTHONPATH=%s/source\n' "$INSIDE" \
    > etc/systemd/system/kerfbook-backup.service.d/tried.conf
chroot . chown -R kerfbook: /var/backups/kerfbook
chmod 755 etc/kerfbook && chroot . chgrp kerfbook /etc/kerfbook/kerfbook.toml && chmod 640 etc/kerfbook/kerfbook.toml
mkdir old && pivot_root . old && umount -l old && rmdir old
exec env -i container=other PATH=/usr/sbin:/usr/bin:/sbin:/bin /usr/lib/systemd/systemd --system --unit=house.target
"""


def control_groups(name: str) -> Iterator[Path]:
    """Folders below this process's control groups that the machine can have for itself."""
    for line in Path("/proc/self/cgroup").read_text("ascii").splitlines():
        _, kind, path = line.split(":", 2)
        folder = Path("/sys/fs/cgroup") / kind.removeprefix("name=") / path.lstrip("/")
        if kind in {"", "name=systemd", "memory", "pids"} and (folder / "cgroup.procs").is_file():
            yield folder / name


class Machine:
    """A systemd in namespaces of its own; `close` ends it and all that it started."""

    def __init__(self, base: Path) -> None:
        venv = f"{INSIDE}/venv"
        values = {
            "BASE": str(base),
            "VENV": sys.prefix,
            "SOURCE": str(SOURCE),
            "PYTHON": str(Path(sys.executable).resolve()),
            "INSIDE": INSIDE,
            "CONFIG": one_saw('folder = "/var/lib/kerfbook"', '[backup]\nfolder = "/var/backups/kerfbook"\n'),
            "SCRIPT": SCRIPT.format(venv=venv, source=f"{INSIDE}/source"),
            "WATCHDOG": str(WATCHDOG),
            "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
        }
        spaces = "--mount --pid --fork --kill-child --uts --ipc --net --cgroup"
        self._groups = list(control_groups(base.name))
        for group in self._groups:
            group.mkdir()
        values |= {"BEGIN": BEGIN, "GROUPS_OF_ITS_OWN": " ".join(map(str, self._groups))}
        begin = f'for one in $GROUPS_OF_ITS_OWN; do echo $$ > "$one/cgroup.procs"; done; exec unshare {spaces} bash -c "$BEGIN"'
        self._outer = subprocess.Popen(["bash", "-c", begin], env=values)
        self._first = ""

    def __call__(self, *command: str, timeout: float = 60) -> str:
        """What a command inside says; its errors, too."""
        done = self._enter(*command, timeout=timeout)
        return done.stdout.strip()

    def works(self, *command: str, timeout: float = 60) -> bool:
        """Whether a command inside ends well."""
        return self._enter(*command, timeout=timeout).returncode == 0

    def in_view_of(self, pid: str, *command: str) -> subprocess.CompletedProcess[str]:
        """A command of root that sees the files as that process inside sees them."""
        return self._enter("nsenter", "--target", pid, "--mount", "--", *command, timeout=30)

    def show(self, unit: str, *properties: str) -> dict[str, str]:
        """Properties of a unit."""
        said = self("systemctl", "show", unit, "--property", ",".join(properties))
        return dict(line.partition("=")[::2] for line in said.splitlines())

    def until(self, what: Callable[[], bool], seconds: float) -> float:
        """How long it takes until something is so [s]."""
        began = time.monotonic()
        while not what():
            if self._outer.poll() is not None:
                raise SystemExit("systemd has ended")
            if time.monotonic() - began > seconds:
                raise AssertionError(f"not so within {seconds:g} s:\n{self('journalctl', '--no-pager', '-n', '40')}")
            time.sleep(0.2)
        return time.monotonic() - began

    def close(self) -> None:
        self._outer.kill()
        self._outer.wait()
        end = time.monotonic() + 30
        for group in self._groups:
            while group.exists() and time.monotonic() < end:  # until its last process is gone
                subprocess.run(
                    ["find", group, "-depth", "-type", "d", "-exec", "rmdir", "{}", ";"], stderr=subprocess.DEVNULL
                )

    def _enter(self, *command: str, timeout: float) -> subprocess.CompletedProcess[str]:
        if not self._first:
            children = Path(f"/proc/{self._outer.pid}/task/{self._outer.pid}/children").read_text("ascii").split()
            self._first = children[0] if children else ""
        enter = ["nsenter", "--target", self._first or "0", "--all", "--root", "--wd=/"]
        return subprocess.run(
            [*enter, "env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", *command],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=timeout,
            check=False,
        )


def tried(machine: Machine) -> None:
    """Every promise of the units, one after the other."""

    def main_pid() -> str:
        return machine.show("kerfbook", "MainPID")["MainPID"]

    def active() -> bool:
        return machine("systemctl", "is-active", "kerfbook") == "active"

    def told(what: str) -> None:
        print(f"held  {what}", flush=True)

    machine.until(lambda: machine("systemctl", "is-active", "house.target") == "active", 60)
    assert machine.works("systemctl", "start", "kerfbook", timeout=120), machine("systemctl", "status", "kerfbook")
    assert active()
    told("it says by itself that it is ready, and systemd believes it")

    pid = main_pid()
    status = dict(re.findall(r"^(\w+):\t(.*)$", machine("cat", f"/proc/{pid}/status"), re.M))
    assert status["Uid"].split()[0] == machine("id", "-u", "kerfbook") != "0"
    assert (int(status["CapEff"], 16), int(status["CapBnd"], 16), status["NoNewPrivs"], status["Seccomp"]) == (
        0,
        0,
        "1",
        "2",
    )
    told("a user of its own, no capability, none to be had, system calls filtered")

    for folder in (
        "/",
        "/etc",
        "/etc/kerfbook",
        "/usr/local/bin",
        "/var",
        "/var/lib",
        "/var/backups/kerfbook",
        "/opt",
        "/srv",
        "/home",
    ):
        refused = machine.in_view_of(pid, "touch", f"{folder}/tried")
        assert "Read-only file system" in refused.stdout, (folder, refused.stdout)
    assert machine.in_view_of(pid, "touch", "/var/lib/kerfbook/tried").returncode == 0
    assert machine.in_view_of(pid, "touch", "/tmp/tried").returncode == 0
    assert not machine.works("test", "-e", "/tmp/tried")
    told("in its view even root can write to its stores alone, and to a /tmp that is nobody else's")

    assert machine.works("systemctl", "start", "kerfbook-backup", timeout=120)
    assert machine("sh", "-c", "ls /var/backups/kerfbook/*.zip").count(".zip") == 1
    told("the backup's unit writes a backup while it runs")

    assert machine.works("kill", "-KILL", pid)
    took = machine.until(lambda: main_pid() not in {pid, "0"} and active(), 90)
    told(f"killed, it is started again: ready after {took:.0f} s")

    pid = main_pid()
    assert machine.works("kill", "-STOP", pid)
    took = machine.until(lambda: main_pid() not in {pid, "0"} and active(), 180)
    log = machine("journalctl", "--no-pager", "--unit", "kerfbook")
    assert f"Watchdog timeout (limit {WATCHDOG}s)" in log, log[-2000:]
    told(f"stopped, it gives no sign of life, is killed by the watchdog and started again: ready after {took:.0f} s")

    assert machine.works("systemctl", "stop", "kerfbook", timeout=120)
    ended = machine.show("kerfbook", "ActiveState", "Result", "ExecMainStatus")
    assert ended == {"ActiveState": "inactive", "Result": "success", "ExecMainStatus": "0"}, ended
    told("told to stop, it ends well")


def main() -> None:
    for program in ("unshare", "nsenter", "useradd", "ip"):
        if shutil.which(program, path="/usr/sbin:/usr/bin:/sbin:/bin") is None:
            raise SystemExit(f"{program} is not installed")
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kerfbook-systemd-") as folder:
        machine = Machine(Path(folder))
        try:
            tried(machine)
        finally:
            machine.close()
    print(f"all held, {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
