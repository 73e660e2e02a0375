"""Two at once, and rights that end while something is under way."""

import threading
import time

from reliability.access import changing, with_token, without_token
from reliability.ask.deeds import deed_log
from reliability.ask.sources import Stored

ROWS = "builder,module,slot,shots_good\n"


def attacks(s):
    """Every attack as (what, held, seen)."""
    yield from _in_flight(s)
    yield from _bound(s)
    yield from _twice(s)
    yield from _decided(s)
    yield from _logs(s)


def token(s, name, role, **more):
    """A token of the running service."""
    with changing(s.folder) as change:
        made = []

        def step(a):
            a, new = with_token(a, name, role, **more)
            made.append(new)
            return a

        change(step)
    return made[0]


def _post(s, path, bearer, body=b""):
    return s.get(f"/api/v1/{path}", method="POST", body=body, Authorization=f"Bearer {bearer}")


def _together(acts):
    """What each of these gives, all begun at the same moment."""
    gate, out = threading.Barrier(len(acts)), [None] * len(acts)

    def run(i):
        gate.wait()
        out[i] = acts[i]()

    crew = [threading.Thread(target=run, args=(i,)) for i in range(len(acts))]
    for t in crew:
        t.start()
    for t in crew:
        t.join()
    return out


def _in_flight(s):
    """A token is taken back, or its role lowered, after the head of a request and before its body."""
    for what, end in (
        ("taken back", lambda name: lambda a: without_token(a, name)),
        ("made a reader's", lambda name: lambda a: with_token(without_token(a, name), name, "reader")[0]),
    ):  # fmt: skip
        for path in ("contributions?file=late.csv", "readings?file=late.csv"):
            name = f"late-{what[:4]}-{path[:4]}"
            bearer = token(s, name, "contributor")
            body = (ROWS + f"late,m,fuel,{len(name)}\n").encode()
            with s.connect() as c:
                c.sendall(
                    f"POST /api/v1/{path} HTTP/1.1\r\nHost: {s.host}\r\nAuthorization: Bearer {bearer}\r\n"
                    f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n".encode()
                    + body[:5]
                )
                time.sleep(0.5)
                with changing(s.folder) as change:
                    change(end(name))
                c.sendall(body[5:])
                seen = c.recv(20)[9:12]
            yield f"a token {what} while a file is on its way to {path[:13]}", seen in (b"401", b"403"), seen  # fmt: skip
    stored = [c.file for c in s.store.contributions() if c.file == "late.csv"]
    yield "and nothing of it is stored", not stored, stored


def _bound(s):
    """A token that is bound to a builder gives no other's data, under whatever sheet."""
    bearer = token(s, "bound", "contributor", builder="mine")
    other = next(c for c in s.store.contributions() if c.status == "accepted")
    for what, path, text in (
        ("another's", "contributions?file=a.csv", ROWS + "yours,m,fuel,1\n"), ("a mixed", "contributions?file=a.csv", ROWS + "mine,m,fuel,1\nyours,m,fuel,2\n"),
        ("in other letters", "contributions?file=a.csv", ROWS + "MINE,m,fuel,1\n"),
        ("another's wear", "contributions?file=wear.csv", "builder,module,slot,unit,shots,quantity,value\nyours,m,fuel,f,0,fuel_mass_mg,9\n"),
        ("its own in place of another's", f"contributions?file=a.csv&supersedes={other.id}", ROWS + "mine,m,fuel,1\n"),
    ):  # fmt: skip
        status, _, said = _post(s, path, bearer, text.encode())
        yield f"a bound token gives {what} data", status in (400, 403), f"{status} {said[:60]!r}"
    status, _, _ = _post(s, f"contributions/{other.id}?act=withdraw", bearer)
    yield "and withdraws another's", status == 403, status


def _twice(s):
    before = len(s.store.contributions())
    body = (ROWS + "twice,m,fuel,77\n").encode()
    seen = _together([lambda: _post(s, "contributions?file=t.csv", s.start_token, body)[0]] * 12)
    n = len(s.store.contributions()) - before
    yield "the same file 12 times at once is stored once", n == 1 and set(seen) <= {200, 201, 429, 503}, f"{n}; {sorted(set(seen))}"  # fmt: skip
    bodies = [(ROWS + f"twice,m,fuel,{78 + i}\n").encode() for i in range(2)]
    old = s.store.contributions()[-1].id
    seen = _together([
        lambda b=b: _post(s, f"contributions?file=u.csv&supersedes={old}", s.start_token, b)[0] for b in bodies
    ])  # fmt: skip
    n = sum(c.superseded_by == old or c.status == "accepted" for c in s.store.contributions()[-2:] if c.id > old)  # fmt: skip
    yield "two corrections of one contribution at once: one stands", n == 1, f"{n}; {seen}"


def _decided(s):
    bearer = token(s, "gives", "contributor")
    _post(s, "contributions?file=d.csv", bearer, (ROWS + "dec,m,fuel,5\n").encode())
    number = s.store.contributions()[-1].id
    acts = ["accept", "decline", "withdraw"] * 4
    seen = _together([lambda a=a: _post(s, f"contributions/{number}?act={a}", s.start_token)[0] for a in acts])  # fmt: skip
    log = deed_log(Stored(s.store.path))
    done = sum(x == 200 for x in seen)
    deeds = [d for d in log.deeds if d.contribution == number]
    yield "12 decisions on one contribution at once: each that was taken is logged, in one chain", log.broken is None and len(deeds) == done + 1, f"{done} taken, {len(deeds)} entries"  # fmt: skip
    last = {"accept": "accepted", "decline": "declined", "withdraw": "withdrawn"}[deeds[-1].act]
    now = s.store.contributions()[-1].status
    yield "and the last of them stands", now == last, f"{now} after {deeds[-1].act}"


def _logs(s):
    """No secret where others of the machine could read it."""
    s.get(f"/?token={s.start_token}")
    s.get(f"/api/v1/contributions?token={s.start_token}")
    told = (s.folder / "stderr.txt").read_text()
    yield "no token in the service's log", s.start_token not in told and s.reader not in told, told[-80:]  # fmt: skip
    for name in ("cmdline", "environ"):
        with open(f"/proc/{s.process.pid}/{name}", "rb") as f:
            yield f"no token in the service's {name}", s.start_token.encode() not in f.read(), ""
    kept = [p.name for p in s.folder.rglob("*") if p.is_file() and p.name != "stderr.txt" and any(t.encode() in p.read_bytes() for t in (s.start_token, s.reader))]  # fmt: skip
    yield "no token in any of its files, only its hash", not kept, kept
    status = s.status(f"/api/v1/contributions?token={s.reader}")
    yield "a program's token in the address opens nothing", status == 401, status
    for site in ("cross-site", "same-site"):
        for mode in ("no-cors", "navigate", "cors"):
            head = {"Sec_Fetch_Site": site, "Sec_Fetch_Mode": mode, "Cookie": _cookie(s)}
            status = s.status("/api/v1/life?slot=igniter&bound=likelihood", **head)
            yield f"another page of this host has a question worked out ({site}, {mode})", status == 403, status  # fmt: skip


def _cookie(s):
    from tests.benchmarks.attacks.wall import cookie_of

    return cookie_of(s)
