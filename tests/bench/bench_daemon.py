"""Resident memory, start-up and bytes written of a real daemon with four simulated probes every ten seconds.

    python tests/bench/bench_daemon.py [SECONDS]

Bytes a day are taken from /proc/PID/io over the run and scaled; readings are committed every two minutes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.daemon import Daemon

CONFIG = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
lamp = {{ hours = [{{ on = "08:00", off = "18:00" }}] }}
limits = {{ temperature = {{ low = 21, high = 27 }}, ph = {{ low = 6.4, high = 7.8 }} }}
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250] }}
{probes}
[heartbeat]
accept_none = true
[page]
port = 8099
[storage]
folder = "{data}"
"""
PROBE = '[[probe]]\nid = "{q}"\ntank = "foyer"\nquantity = "{q}"\ndriver = "simulated"\nevery_seconds = 10\n'


def status(pid: int, key: str) -> int:
    """A figure of /proc/PID/status in kB."""
    line = next(x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith(key))
    return int(line.split()[1])


def written(pid: int) -> int:
    text = Path(f"/proc/{pid}/io").read_text()
    return int(next(x for x in text.splitlines() if x.startswith("write_bytes")).split()[1])


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 300.0
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "config.toml"
        probes = "\n".join(PROBE.format(q=q) for q in ("temperature", "ph", "light", "nitrate"))
        config.write_text(CONFIG.format(probes=probes, data=f"{folder}/data"))
        begun = time.monotonic()
        daemon = Daemon(config).start()
        start_s = time.monotonic() - begun
        assert daemon.process is not None
        pid = daemon.process.pid
        time.sleep(30.0)  # past the first commit and what starting writes once
        first, since = written(pid), time.monotonic()
        time.sleep(seconds)
        rate = (written(pid) - first) / (time.monotonic() - since)
        print(f"start to first answer   {start_s:8.2f} s (two interpreter starts included)")
        print(f"resident                {status(pid, 'VmRSS:') / 1024:8.1f} MB (goal 80)")
        print(f"threads                 {status(pid, 'Threads:'):8d}")
        print(f"written                 {rate * 86400 / 1e6:8.1f} MB a day (goal 15), over {seconds:.0f} s")
        daemon.stop()


if __name__ == "__main__":
    main()
