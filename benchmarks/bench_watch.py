"""From new data in the inbox to the refreshed morning page, and the memory of the server over many updates.

Prints wall and processor time of the loop for the second day of the invented 36 h mission, with its ratio to the same
work by `reeftally intake` and `reeftally analyse` on a copy; then the server's memory over `--updates` small files.

    python benchmarks/bench_watch.py [--updates 48] [--folder SCRATCH]
"""

import argparse
import json
import os
import re
import resource
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

COMMAND = [sys.executable, "-c", "from reeftally.cli import main; main()"]
LAST_DAY = re.compile("20310330|20310329_18")


class Server:
    """`reeftally watch` on a free port."""

    def __init__(self, folder):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.process = subprocess.Popen(
            [*COMMAND, "watch", str(folder), "--port", str(self.port)], stderr=subprocess.DEVNULL
        )
        self.until(lambda: self.state() is not None, 60.0)

    def get(self, path):
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=60) as answer:
            return answer.read()

    def state(self):
        try:
            return json.loads(self.get("/data/state"))
        except OSError:
            return None

    @staticmethod
    def until(true, seconds):
        end = time.monotonic() + seconds
        while not true():
            if time.monotonic() > end:
                sys.exit("It took too long.")
            time.sleep(0.1)

    def next_run(self, old, seconds=900.0):
        self.until(lambda: self.state()["run"] != old, seconds)
        return self.state()["run"]

    def quiet(self):
        self.until(lambda: self.state()["activity"]["state"] != "working", 300.0)

    def memory_mb(self):
        lines = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024

    def rounds_cpu_s(self):
        """Processor time of the rounds that have ended."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")

    def stop(self):
        self.process.terminate()
        self.process.wait()


def drop(files, inbox):
    for file in files:
        part = inbox / f"{file.name}.part"
        shutil.copy(file, part)
        part.rename(inbox / file.name)


def day(scratch):
    source = scratch / "source"
    subprocess.run([*COMMAND, "rehearse", str(source), "--size", "demo36"], check=True, stderr=subprocess.DEVNULL)
    files = sorted((source / "inbox").iterdir())
    later = [f for f in files if LAST_DAY.search(f.name)]
    for name in ("watched", "plain"):
        shutil.copytree(source, scratch / name, ignore=shutil.ignore_patterns("inbox", "truth.json"))
        (scratch / name / "inbox").mkdir()
        drop([f for f in files if f not in later], scratch / name / "inbox")
    megabytes = sum(f.stat().st_size for f in later) / 1e6

    plain = scratch / "plain"
    for command in ("intake", "analyse"):
        subprocess.run([*COMMAND, command, str(plain)], stderr=subprocess.DEVNULL, check=False)
    drop(later, plain / "inbox")
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    for command in ("intake", "analyse"):
        subprocess.run([*COMMAND, command, str(plain)], stderr=subprocess.DEVNULL, check=False)
    wall = time.monotonic() - started
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    server = Server(scratch / "watched")
    try:
        run = server.next_run("")
        server.quiet()
        time.sleep(5.0)
        used, started = server.rounds_cpu_s(), time.monotonic()
        drop(later, scratch / "watched" / "inbox")
        server.next_run(run)
        page = len(server.get("/"))
        watched = time.monotonic() - started
        server.quiet()
        time.sleep(2.0)
        used = server.rounds_cpu_s() - used
        print(f"{len(later)} files, {megabytes:.0f} MB of the second day")
        print(f"commands       {wall:6.1f} s wall, {cpu:6.1f} s of processor")
        print(f"watch to page  {watched:6.1f} s wall, {used:6.1f} s of processor, page of {page / 1e3:.0f} kB")
        print(
            f"ratio          {watched / wall:6.2f} wall, {used / cpu:6.2f} of processor; load {os.getloadavg()[0]:.1f}"
        )
        print(f"server memory  {server.memory_mb():6.0f} MB")
    finally:
        server.stop()


def updates(scratch, count):
    """Feed half-hour files of one sensor, read every page each time, leave one reader that never reads."""
    import numpy as np

    source = scratch / "source"
    folder = scratch / "updates"
    shutil.copytree(source, folder, ignore=shutil.ignore_patterns("inbox", "truth.json"))
    (folder / "inbox").mkdir()
    whole = next(f for f in sorted((source / "inbox").iterdir()) if f.name.startswith("OXY-1_20310329"))
    text = whole.read_text(encoding="utf-8").splitlines(keepends=True)
    head = [line for line in text[:40] if not line[:4].isdigit()]
    rows = text[len(head) :]
    pieces = np.array_split(np.arange(len(rows)), count)
    server = Server(folder)
    slow = socket.create_connection(("127.0.0.1", server.port))
    slow.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    memory = []
    try:
        for number, piece in enumerate(pieces):
            old = server.state()["run"]
            name = folder / "inbox" / f"{whole.stem}_{number:03d}{whole.suffix}"
            part = name.with_name(name.name + ".part")
            part.write_text("".join(head + [rows[k] for k in piece]), encoding="utf-8")
            part.rename(name)
            server.next_run(old)
            for path in ("/", "/array", "/sensor/OXY-1", "/log", "/number", "/data/marks?label=OXY-1"):
                server.get(path)
            memory.append(server.memory_mb())
        third = max(len(memory) // 3, 1)
        means = [
            sum(part) / len(part) for part in (memory[:third], memory[third : 2 * third], memory[2 * third :]) if part
        ]
        shown = ", ".join(f"{mean:.1f}" for mean in means)
        print(f"{count} updates: memory by thirds {shown} MB, last to first {means[-1] / means[0]:.3f}")
    finally:
        slow.close()
        server.stop()


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--updates", type=int, default=0, help="also feed this many small files")
    parser.add_argument("--folder", type=Path, help="scratch folder; default a temporary one")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as made:
        scratch = Path(made)
        day(scratch)
        if options.updates:
            updates(scratch, options.updates)


if __name__ == "__main__":
    main()
