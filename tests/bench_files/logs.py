"""Invented serial logs of controllers, each with what must come out: clocks and counters that begin anew, misfires said in many ways."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

SHOTS = 120
MISSED = (17, 64, 65)
"""shots at which the igniter missed, where a log says so"""
WHOSE = {"fill:builder": "kite"}


@dataclass(frozen=True)
class Log:
    """A log: its text, the answers it takes, and by construction what it covers.

    ``misfires`` are counts of the counter, ``boots`` reboots told, ``seconds`` from the first line to the last.
    """

    name: str
    text: str
    answers: dict[str, str] = field(default_factory=dict)
    start: int = 0
    end: int = SHOTS
    misfires: tuple[int, ...] = ()
    boots: int = 0
    seconds: float | None = None


def lines(form, shots=range(1, SHOTS + 1)):
    """One line a shot; ``form`` gets the shot's place from 0 and its count."""
    return "\n".join(form(i, n) for i, n in enumerate(shots)) + "\n"


def of_day(i, begin=86_400 - 180):
    """Time of day of a shot every three seconds, over midnight."""
    s = (begin + 3 * i) % 86_400
    return f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}"


def volts(i, missed=False):
    return f"Vpre={1201.5 + i % 3}V Vpost={1196.5 if missed else 31.5 + i % 2}V"


def clocks():
    """Clocks that begin anew, and one that says the date."""
    seconds = 3 * (SHOTS - 1)
    # 32-bit milliseconds (common practice, no source)
    wrapped = lambda i: (2**32 - 90_000 + 3000 * i) % 2**32  # noqa: E731
    yield Log("millis_wrap.log", lines(lambda i, n: f"[{wrapped(i)}] fire #{n} hv {1200 + i % 4} V resid {25 + i % 3} V"), seconds=seconds)  # fmt: skip
    yield Log("midnight.log", lines(lambda i, n: f"{of_day(i)} shot={n} {volts(i)}"), seconds=seconds)  # fmt: skip
    boot = lambda i: "*** boot fw 1.3 ***\n" if i == 90 else ""  # noqa: E731
    yield Log(
        "midnight_and_boot.log", lines(lambda i, n: f"{boot(i)}{of_day(i)} shot={n if i < 90 else n - 90} {volts(i)}"),
        boots=1, seconds=seconds,
    )  # fmt: skip
    begun = datetime(2026, 3, 4, 23, 57)
    for name, form in (("dated_iso.log", "%Y-%m-%dT%H:%M:%S"), ("dated_points.log", "%d.%m.%Y %H:%M:%S")):  # fmt: skip
        when = lambda i, form=form: (begun + timedelta(seconds=3 * i)).strftime(form)  # noqa: E731
        yield Log(name, lines(lambda i, n, when=when: f"{when(i)} shot={n} {volts(i)}"), seconds=seconds)  # fmt: skip


def counters():
    """A counter of 16 bits that begins anew, lines that are lost, counts of a converter."""
    over = [(65_460 + i) % 65_536 for i in range(SHOTS)]
    yield Log("overflow.log", lines(lambda i, n: f"SHOT {n} {volts(i)}", over), start=65_459, end=65_459 + SHOTS)  # fmt: skip
    kept = [n for n in range(1, SHOTS + 1) if n not in (50, 51, 52)]
    yield Log("lines_lost.log", lines(lambda i, n: f"t={3000 * n}ms shot={n} {volts(i)}", kept), seconds=3 * (SHOTS - 1))  # fmt: skip
    yield Log(
        "converter.log", lines(lambda i, n: f"shot {n} Vb={3001 + i % 5} Va={70 + i % 4}"),
        {"scale:volts": "0.4"},
    )  # fmt: skip
    yield Log(
        "numbers_only.txt", lines(lambda i, n: f"{3000 * i};{n};{1201 + i % 5}.5;{30 + i % 4}.5;OK"),
        {"log:pattern": "{ms};{shot};{before};{after};OK"}, seconds=3 * (SHOTS - 1),
    )  # fmt: skip


def misfires():
    """Misfires as a word, as 0 or 1, as yes or no, as a count so far, by the voltage left."""
    miss = {"misfires": MISSED}
    one = lambda n: int(n in MISSED)  # noqa: E731
    so_far = lambda n: sum(m <= n for m in MISSED)  # noqa: E731
    yield Log("all_fired.log", lines(lambda i, n: f"shot={n} misfire=0 Vb={1201.5 + i % 3}V"))
    yield Log("flag.log", lines(lambda i, n: f"shot={n} misfire={one(n)} Vb={1201.5 + i % 3}V"), **miss)  # fmt: skip
    said = lambda n: "yes" if n in MISSED else "no"  # noqa: E731
    yield Log("yes_or_no.log", lines(lambda i, n: f"shot={n} Vb={1201.5 + i % 3}V misfire: {said(n)}"), **miss)  # fmt: skip
    yield Log(
        "so_far.log", lines(lambda i, n: f"shot={n} Vb={1201.5 + i % 3}V misfire={so_far(n)}"),
        {"names:misfire": "misfires"}, **miss,
    )  # fmt: skip
    word = lambda n: " MISFIRE," if n in MISSED else ""  # noqa: E731
    yield Log("word.log", lines(lambda i, n: f"shot {n},{word(n)} Vb={1201.5 + i % 3}V"), **miss)
    yield Log("by_voltage.log", lines(lambda i, n: f"shot={n} {volts(i, n in MISSED)} misfire={one(n)}"), **miss)  # fmt: skip


def made_logs():
    """All of them."""
    return [*clocks(), *counters(), *misfires()]
