"""A minute of many at once on one service, measured as each of them sees it.

    python -m tests.benchmarks.load [--readers 20] [--writers 5] [--flights 5] [--seconds 60] [--look 10] [--requests 2000]

Starts ``shotlife serve`` on the demo; each page is looked at once. Then readers open pages of the dashboard (their
WebSocket, until the page is whole: its last picture and table, told apart where it shows an older answer meanwhile)
and ask the API in turn; writers give sheets that wait to be accepted; people ask flight questions that nobody asked before; one process more
adds a sheet with ``shotlife add`` every 20 s, which makes every kept answer old, and health is asked all the time. Then ``--requests`` answers
one after the other, and how the service's memory grows. No answer may be other than right, 429 or 503; every
contribution that was taken must be there. Ends with 1 where a promise is not kept.
"""

import argparse
import collections
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx

from reliability.access import load_access, save_access, with_token
from tests.benchmarks.attacks.service import serving
from tests.benchmarks.attacks.wall import cookie_of

ASKED = ("contributions", "life?slot=igniter", "misfires", "life?slot=main_capacitor")
PAGES = ("", "life_curves", "records", "misfires")
TRY_LATER = (429, 503)


class Crowd:
    """Everybody at once, and what they saw: counts by status, seconds, contributions given, what went wrong."""

    def __init__(self, service, tokens, seconds, look):
        self.service, self.tokens, self.look = service, tokens, look
        self.began = time.monotonic()
        self.stop = self.began + seconds
        self.seen = []
        self.answers, self.seconds = collections.Counter(), collections.defaultdict(list)
        self.given, self.wrong = [], []
        self.cookie = cookie_of(service)

    def going(self):
        return time.monotonic() < self.stop

    def ask(self, who, path, right=(200,), **more):
        """One request of the API, measured; the answer if it is right."""
        token = self.tokens[who]
        began = time.monotonic()
        r = httpx.request(
            url=f"{self.service.origin}/api/v1/{path}", timeout=240, headers={"Authorization": f"Bearer {token}"}, **more
        )  # fmt: skip
        kind = who.split("-")[0]
        if r.status_code not in TRY_LATER:
            self.seconds[kind].append(time.monotonic() - began)
        self.answers[f"{kind} {r.status_code}"] += 1
        if r.status_code in TRY_LATER:
            time.sleep(min(2.0, float(r.headers.get("Retry-After", 1))))
        elif r.status_code not in right:
            self.wrong.append(r.text[:200])
        return r

    def read(self, k):
        """A reader: a page, a question, a page ..."""
        n = k
        time.sleep(self.look * k / len(self.tokens))
        while self.going():
            n += 1
            began = time.monotonic()
            text = self.service.page(self.cookie, PAGES[n % len(PAGES)])
            took = time.monotonic() - began
            self.seconds["page"].append(took)
            older = "As of 20" in text
            if older:
                self.seconds["page, with an older answer meanwhile"].append(took)
            self.seen.append(
                (began - self.began, PAGES[n % len(PAGES)] or "my_module", took, older)
            )
            whole = "shotlife" in text and 'File "/' not in text
            self.answers["page whole" if whole else "page NOT WHOLE"] += 1
            if not whole:
                self.wrong.append(text[:200] or "a page was refused")
            self.ask(f"reader-{k}", ASKED[n % len(ASKED)], method="GET")
            time.sleep(self.look)

    def write(self, k):
        """A writer: sheet after sheet."""
        n = 0
        while self.going():
            n += 1
            body = f"builder,module,slot,shots_good\nload{k},m{n},switch,{n}\n"
            r = self.ask(f"writer-{k}", f"contributions?file=w{k}-{n}.csv", (201,), method="POST", content=body)  # fmt: skip
            if r.status_code == 201:
                self.given.append(r.json())
            time.sleep(1.0)

    def fly(self, k):
        """Somebody who asks for flight promises, each another."""
        n = 0
        while self.going():
            n += 1
            self.ask(f"flight-{k}", f"flight?module=kite-0{1 + n % 5}&shots={300 + 10 * n + k}", (200, 422), method="GET")  # fmt: skip

    def add(self, folder):
        """Another process that writes to the same store."""
        n = 0
        while self.going():
            n += 1
            path = Path(folder) / f"other{n}.csv"
            path.write_text(f"builder,module,slot,shots_good\nother,m{n},switch,{n}\n")
            r = subprocess.run(
                [sys.executable, "-m", "reliability.cli", "add", str(path), "--store",
                 str(self.service.store.path), "--json"], capture_output=True, text=True,
            )  # fmt: skip
            self.answers[f"add exit {r.returncode}"] += 1
            (self.given if r.returncode == 0 else self.wrong).append(r.stdout or r.stderr)
            time.sleep(20.0)  # each changes the facts that all questions rest on

    def health(self):
        while self.going():
            self.seconds["health"].append(self.service.healthy())
            time.sleep(0.1)

    def run(self, a, folder):
        work = [(self.read, k) for k in range(a.readers)] + [
            (self.write, k) for k in range(a.writers)
        ]
        work += [(self.fly, k) for k in range(a.flights)] + [(self.add, folder)]
        crew = [threading.Thread(target=f, args=(x,)) for f, x in work]
        crew.append(threading.Thread(target=self.health))
        for t in crew:
            t.start()
        for t in crew:
            t.join()


def people(folder, a):
    """A token each: who asks is told apart by it."""
    access, tokens = load_access(folder), {}
    for kind, n, role in (("reader", a.readers, "reader"), ("writer", a.writers, "contributor"), ("flight", a.flights, "reader")):  # fmt: skip
        for k in range(n):
            access, tokens[f"{kind}-{k}"] = with_token(access, f"{kind}-{k}", role)
    save_access(access, folder)
    return tokens


def first_seen(service):
    """Seconds in which each page is whole when nobody has looked at it yet."""
    found, cookie = {}, cookie_of(service)
    for path in PAGES:
        began = time.monotonic()
        service.page(cookie, path)
        found[path or "my_module"] = round(time.monotonic() - began, 2)
    return found


def growth(service, token, requests):
    """MiB of the service after a quarter of so many answers, and after all."""
    seen = []
    with httpx.Client(base_url=service.origin, timeout=240, headers={"Authorization": f"Bearer {token}"}) as c:  # fmt: skip
        for n in range(requests):
            if n == requests // 4:
                seen.append(service.memory)
            r = c.get("/api/v1/" + ASKED[n % len(ASKED)])
            if r.status_code != 200:
                time.sleep(0.5)
    return seen[0], service.memory


def main():
    p = argparse.ArgumentParser()
    for name, usual in (("readers", 20), ("writers", 5), ("flights", 5), ("requests", 2000)):
        p.add_argument(f"--{name}", type=int, default=usual)
    p.add_argument("--seconds", type=float, default=60)
    p.add_argument("--look", type=float, default=10, help="seconds that a reader looks at a page")
    p.add_argument("--pages", action="store_true", help="print every page")
    a = p.parse_args()
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder) / "s") as service:
        tokens = people(service.folder, a)
        cold = first_seen(service)
        before, load = len(service.store.contributions()), os.getloadavg()[0]
        crowd = Crowd(service, tokens, a.seconds, a.look)
        crowd.run(a, folder)
        found = len(service.store.contributions()) - before
        quarter, whole = growth(service, tokens["reader-0"], a.requests)
    print(f"pages nobody has looked at before, one after the other (s): {cold}")
    print(f"load of the machine before: {load:.1f}; {dict(sorted(crowd.answers.items()))}")
    for kind, s in sorted(crowd.seconds.items()):
        print(f"{kind}: median {statistics.median(s):.2f} s, longest {max(s):.2f} s, of {len(s)}")
    print(f"contributions taken {len(crowd.given)}, found {found}; memory {quarter:.0f} MiB after {a.requests // 4} answers, {whole:.0f} after {a.requests}")  # fmt: skip
    kept = {
        "no error but 429 and 503": not crowd.wrong, "nothing lost": len(crowd.given) == found,
        "median page under 1 s": statistics.median(crowd.seconds["page"]) < 1,
        "median health under 0.1 s": statistics.median(crowd.seconds["health"]) < 0.1,
        "memory flat (10 %)": whole < 1.1 * quarter,
    }  # fmt: skip
    if a.pages:
        for at, name, took, older in sorted(crowd.seen):
            print(f"  {at:5.1f} s {name}: {took:.2f} s{' (older answer)' if older else ''}")
    for what, held in kept.items():
        print(f"{'held' if held else 'DID NOT HOLD'}: {what}")
    for w in crowd.wrong[:5]:
        print("  ", w)
    sys.exit(0 if all(kept.values()) else 1)


if __name__ == "__main__":
    main()
