"""Twenty readers and five writers at once on one service: no error, no lost contribution.

    python tests/benchmarks/load.py [--readers 20] [--writers 5] [--seconds 60]

Starts ``shotlife serve`` on the demo, then asks the API from many threads while others give sheets,
and one more process adds sheets with ``shotlife add`` to the same store.
"""

import argparse
import collections
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx

from reliability.access import Access, save_access, with_token
from reliability.store import Store
from reliability.store.demo import load_demo

ASKED = (
    "contributions",
    "life?slot=igniter&bound=likelihood",
    "misfires",
    "life?slot=main_capacitor&bound=likelihood",
    "health",
)


def serve(store):
    """A running service; its address and process."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    child = subprocess.Popen(
        [sys.executable, "-m", "reliability.cli", "serve", "--store", str(store), "--port", str(port), "--no-browser"],
        stdout=subprocess.DEVNULL, env={**os.environ, "HOME": str(store.parent)},
    )  # fmt: skip
    base = f"http://127.0.0.1:{port}"
    for _ in range(120):
        try:
            httpx.get(base + "/api/v1/health", timeout=2)
            return base, child
        except httpx.HTTPError:
            time.sleep(0.5)
    raise RuntimeError("the service did not start")


def run(readers, writers, seconds, folder):
    """Counts of answers by status, times, and the contributions given and found."""
    store = Path(folder) / "s.duckdb"
    load_demo(Store(store))
    access, token = with_token(Access(), "load", "maintainer")
    save_access(access, store.parent)
    before = len(Store(store).contributions())
    base, child = serve(store)
    answers, times, given, wrong = collections.Counter(), [], [], []
    stop = time.monotonic() + seconds

    def read(k):
        with httpx.Client(base_url=base, timeout=120) as client:
            n = k
            while time.monotonic() < stop:
                n += 1
                began = time.monotonic()
                r = client.get("/api/v1/" + ASKED[n % len(ASKED)])
                times.append(time.monotonic() - began)
                answers[f"read {r.status_code}"] += 1
                if r.status_code != 200:
                    wrong.append(r.text[:200])

    def write(k):
        with httpx.Client(base_url=base, timeout=120) as client:
            n = 0
            while time.monotonic() < stop:
                n += 1
                body = f"builder,module,slot,shots_good\nload{k},m{n},switch,{n}\n"
                r = client.post(
                    f"/api/v1/contributions?file=w{k}-{n}.csv",
                    content=body,
                    headers={"Authorization": f"Bearer {token}"},
                )
                answers[f"write {r.status_code}"] += 1
                (given if r.status_code == 201 else wrong).append(r.json())
                time.sleep(0.2)

    def add():
        n = 0
        while time.monotonic() < stop:
            n += 1
            path = Path(folder) / f"other{n}.csv"
            path.write_text(f"builder,module,slot,shots_good\nother,m{n},switch,{n}\n")
            r = subprocess.run(
                [sys.executable, "-m", "reliability.cli", "add", str(path), "--store", str(store), "--json"], capture_output=True, text=True,
            )  # fmt: skip
            answers[f"add exit {r.returncode}"] += 1
            (given if r.returncode == 0 else wrong).append(
                r.stdout if r.returncode == 0 else r.stderr
            )

    crew = [threading.Thread(target=read, args=(k,)) for k in range(readers)]
    crew += [threading.Thread(target=write, args=(k,)) for k in range(writers)]
    crew.append(threading.Thread(target=add))
    for t in crew:
        t.start()
    for t in crew:
        t.join()
    child.terminate()
    child.wait(30)
    found = len(Store(store).contributions()) - before
    return answers, times, len(given), found, wrong


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--readers", type=int, default=20)
    p.add_argument("--writers", type=int, default=5)
    p.add_argument("--seconds", type=float, default=60)
    a = p.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        answers, times, given, found, wrong = run(a.readers, a.writers, a.seconds, folder)
    print(
        f"{a.readers} readers, {a.writers} writers, one 'shotlife add' after the other, {a.seconds:g} s: {dict(answers)}"
    )
    print(
        f"read in {statistics.median(times):.2f} s (median), {max(times):.2f} s (longest); given {given}, found {found}"
    )
    for w in wrong[:5]:
        print("refused:", w)
    assert given == found and not wrong


if __name__ == "__main__":
    main()
