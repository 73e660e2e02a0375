"""Columns of a bench's file put together as rows of one of our sheets."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from reliability.safe_text import bounded
from reliability.sheets.bench import measured
from reliability.sheets.bench.columns import Column
from reliability.sheets.bench.desk import Desk
from reliability.sheets.bench.headers import blank
from reliability.sheets.bench.inspections import inspected
from reliability.sheets.bench.phrases import understood
from reliability.sheets.bench.vocabulary import (
    COLUMN_WORDS,
    EVENT_WORDS,
    LIKELY,
    NO_WORDS,
    SLOT_WORDS,
    YES_WORDS,
    nearest,
    plain,
    state_of,
)
from reliability.sheets.bench.vocabulary import (
    SLOTS as SLOT_NAMES,
)
from reliability.sheets.bench.wide import reading_columns, wide_cells
from reliability.words import counted

Cells = dict[str, list[Any]]
KINDS = ("life", "wear", "misfires", "ignition")
MOST_NAMES = 500
_PLURALS = ("", "s", "es", "e", "en")
MEASURED = ("capacitance_uF",)


def kind_of(desk: Desk, columns: dict[str, Column]) -> str:
    """Which kind of sheet the columns make; repeated units without a state look like wear, which is asked."""
    given = desk.given("choose:kind")
    if given in KINDS:
        return given
    _states_as_events(desk, columns)
    has = set(columns)
    if "commanded" in has and ("ignition_V" in has or "misfires" in has):
        return "ignition"
    if {"quantity", "value"} <= has:
        return "wear"
    if "event" in has and "shots" in has and _events(columns["event"]):
        return "misfires"
    if reading_columns(columns):
        return "wear"
    if "shots" not in has or has & {"status", "failed", "mode", "shots_failed", "shots_good"}:
        return "life"
    ids = [columns[k].values for k in ("module", "slot", "unit") if k in columns]
    shots = columns["shots"].values
    keys = list(zip(*ids, strict=True)) if ids else [()] * len(shots)
    if len(set(keys)) * 2 <= len(keys) and len(set(zip(keys, shots, strict=True))) == len(keys):
        measured = _measured(columns)
        if measured:
            return desk.ask(
                "choose:kind", f"the same units stand at several counts with {', '.join(measured)}: readings of wear?", KINDS, "wear"
            )  # fmt: skip
    return "life"


def _states_as_events(desk: Desk, columns: dict[str, Column]) -> None:
    """A column of events that holds words for alive and dead is a column of states."""
    c = columns.get("event")
    if c is None or {"status", "failed", "shots_failed"} & set(columns):
        return
    full = [v for v in c.values if v is not None]
    if full and all(state_of(v) for v in full) and not all(plain(v) in EVENT_WORDS for v in full):
        desk.note(
            c.name, "status", len(full), full[0], state_of(full[0]), "words for alive and dead"
        )
        columns["status"] = dataclasses.replace(
            c, header=dataclasses.replace(c.header, column="status")
        )
        columns.pop("event")


def _events(c: Column) -> bool:
    full = [v for v in c.values if v is not None]
    return sum(plain(v) in EVENT_WORDS for v in full) * 2 > len(full)


def _measured(columns: dict[str, Column]) -> list[str]:
    out = [c for c in MEASURED if c in columns]
    for name, c in columns.items():
        if c.header.column == "extra" and any(isinstance(v, float) for v in c.values):
            out.append(name)
    return out


def fill_down(desk: Desk, columns: dict[str, Column]) -> None:
    """A name written once over several rows (merged cells) is meant for all of them; asked about."""
    for name in ("builder", "module", "slot"):
        c = columns.get(name)
        if c is None or not c.values or c.values[0] is None or None not in c.values:
            continue
        holes = sum(v is None for v in c.values)
        text = f"{c.name} is empty in {holes} rows; the name above is read for them"
        if desk.ask(f"agreed:fill {name}", text, ("yes", "no"), "yes") != "yes":
            continue
        last = None
        for i, v in enumerate(c.values):
            last = v if v is not None else last
            c.values[i] = last
        desk.note(c.name, name, holes, "(empty)", "the name above", "written once for several rows")


def _too_many(desk: Desk, c: Column) -> bool:
    """Whether a column holds more different names than a person can be asked about."""
    if len({v for v in c.values if v is not None}) <= MOST_NAMES:
        return False
    desk.fault(
        0,
        c.name,
        f"more than {MOST_NAMES} different names of {c.header.column}; is it that column?",
    )
    return True


def slot_by_cells(desk: Desk, columns: dict[str, Column]) -> None:
    """A column that names slots in its cells is that column, whatever its head; asked about."""
    if "slot" in columns:
        return
    for name, c in columns.items():
        spare = c.header.column == "extra" or (name == "quantity" and "value" not in columns)
        words = {v for v in c.values if isinstance(v, str)}
        if not spare or not 0 < len(words) <= 12 or not any(plain(w) in SLOT_WORDS for w in words):
            continue
        text = f"the column {c.name!r} names slots, such as {bounded(min(words), 40)!r}, and is read as slot"
        if desk.ask(f"columns:{c.name}", text, ("slot", "extra", "leave_out"), "slot") == "slot":
            there = dict(columns)
            columns.clear()  # it keeps its place
            columns.update({"slot" if k == name else k: v for k, v in there.items()})
            c.header = dataclasses.replace(c.header, column="slot")
        return


def name_slots(desk: Desk, c: Column) -> None:
    """Slots by our names; near ones are suggested."""
    if _too_many(desk, c):
        return
    ours = {*SLOT_NAMES, *desk.known.slots}
    done: dict[str, str] = {}
    for word in dict.fromkeys(v for v in c.values if v is not None):
        given = desk.given(f"slots:{word}")
        exact = word if word in ours else ""
        known = exact or SLOT_WORDS.get(plain(word), "")
        if given:
            done[word] = given
        elif exact:
            done[word] = word
        elif known:
            done[word] = desk.ask(f"slots:{word}", f"{word!r} is read as slot {known}", (), known)
        else:
            near, _ = nearest(plain(word), SLOT_WORDS)
            if desk.ours and not near:
                done[word] = word
                continue
            text = f"{word!r} is no slot that is known here" + (
                f"; {SLOT_WORDS[near]}?" if near else "; which is it?"
            )
            done[word] = desk.ask(
                f"slots:{word}", text, (), SLOT_WORDS[near] if near else "", not near
            )
    _rename(desk, c, "slot", done, "slots by their usual name")


def name_parts(desk: Desk, c: Column) -> None:
    """Parts that are nearly a known one are suggested as that."""
    if not desk.known.parts or _too_many(desk, c):
        return
    exact = set(desk.known.parts)
    by_plain = {plain(p): p for p in desk.known.parts}
    done: dict[str, str] = {}
    for word in dict.fromkeys(v for v in c.values if v is not None):
        if word in exact:
            continue
        near, like = nearest(plain(word), by_plain, LIKELY)
        if near:
            text = f"part {word!r} is new, but much like {by_plain[near]!r} ({like:.0f} of 100)"
            done[word] = desk.ask(f"parts:{word}", text, (), by_plain[near])
    _rename(desk, c, "part", done, "parts by their known name")


def _rename(desk: Desk, c: Column, to: str, done: dict[str, str], why: str) -> None:
    hit = [v for v in c.values if v is not None and done.get(v, v) != v]
    if hit:
        desk.note(c.name, to, len(hit), hit[0], done[hit[0]] or "?", why)
    c.values[:] = [done.get(v, v) if v is not None else None for v in c.values]


def _states(desk: Desk, c: Column) -> list[str]:
    """``alive``, a mode, or "" (open) for each row of a column of states, failures or modes."""
    if _too_many(desk, c):
        return [""] * len(c.values)
    column = c.header.column
    yes, no = ("unknown", "alive") if column == "failed" else ("alive", "unknown")
    done: dict[str, str] = {}
    out = []
    for v in c.values:
        word = "" if v is None else str(v)
        if word not in done:
            done[word] = _state(desk, c, word, yes, no)
        out.append(done[word])
    shown = [f"{k or '(empty)'}: {v}" for k, v in list(done.items())[:6]]
    desk.note(
        c.name,
        "shots_failed, mode",
        len(out),
        " | ".join(shown),
        "alive or failed",
        "words for alive and dead",
    )
    return out


def _state(desk: Desk, c: Column, word: str, yes: str, no: str) -> str:
    column = c.header.column
    given = desk.given(f"words:{word or '(empty)'}")
    if given:
        return given
    if not word:
        if column in ("mode", "failed"):
            text = f"an empty {c.name} is read as: still good"
            return desk.ask("words:(empty)", text, (), "alive")
        return desk.ask(
            "words:(empty)",
            f"what does an empty {c.name} mean: alive, or how it failed?",
            (),
            "",
            True,
        )
    known = state_of(word)
    p = plain(word)
    clear = column == "failed" or plain(c.header.written) in (
        "censored",
        "ok",
        "alive",
        "good",
        "still good",
        "running",
    )
    if known and not (column == "failed" and known == "alive" and p in YES_WORDS):
        return known
    if p in YES_WORDS | NO_WORDS and clear and p not in ("x",):
        return yes if p in YES_WORDS else no
    if column == "mode":
        return word  # a mode of its own name
    near, _ = nearest(p, _state_words())
    if near and len(p) >= 4:
        return desk.ask(
            f"words:{word}", f"{word!r} in {c.name} is read as {near!r}", (), state_of(near)
        )
    return desk.ask(
        f"words:{word}",
        f"what does {word!r} in {c.name} mean: alive, or how it failed (unknown, short, open ...)?",
        (),
        "",
        True,
    )


def _state_words() -> list[str]:
    from reliability.sheets.bench.vocabulary import ALIVE_WORDS, DEAD_WORDS

    return [w for w in (*ALIVE_WORDS, *DEAD_WORDS) if len(w) >= 3]


def life_cells(desk: Desk, columns: dict[str, Column], n: int) -> tuple[Cells, list[int]]:
    """shots_from, shots_good, shots_failed and mode of a life sheet, from counts, marks and states; the rows kept."""
    out: Cells = {}
    rows = list(range(n))
    shots = columns.get("shots")
    good, dead = columns.get("shots_good"), columns.get("shots_failed")
    state_column = columns.get("status") or columns.get("failed")
    mode = columns.get("mode")
    states = _states(desk, state_column) if state_column is not None else None
    modes = None
    if mode is not None:
        bare = states is None and dead is None
        modes = _states(desk, mode) if bare else _modes(desk, mode)
        if bare:
            states = modes
        _slots_as_modes(desk, mode, columns.get("slot"))
    counts = shots or good or dead
    if good is not None and (good is not counts or states is None):
        only_exact(desk, good, "<", "the count it was seen good at is wanted")
    if dead is not None and states is not None and dead is not counts:
        only_exact(desk, dead, "<>", "the count it was found failed at is wanted")
    if counts is None:
        _no_counts(desk, columns)
        return out, rows
    if states is not None:
        _by_state(desk, columns, states, out, n)
        rows = inspected(desk, columns, states, out)
    elif dead is not None:
        _by_failed(desk, shots or good, dead, out, n)
    elif good is not None and shots is None:
        out["shots_good"] = list(good.values)
    elif shots is not None:
        _by_marks(desk, shots, out, n)
    if modes is not None or states is not None:
        _name_modes(desk, states or [""] * n, modes or [""] * n, out, n)
    return out, rows


def _no_counts(desk: Desk, columns: dict[str, Column]) -> None:
    """Nothing says at how many shots: which column it could be, and how that is said."""
    names = [
        c.name for c in columns.values()
        if c.header.column == "extra" and any(isinstance(v, float) for v in c.values)
    ]  # fmt: skip
    text = "a column of shots is wanted"
    if names:
        text += f"; if it is one of {', '.join(bounded(n, 40) for n in names[:8])}, say so: --answer 'columns:{names[0]}=shots'"
    desk.fault(0, "", text)


def _modes(desk: Desk, c: Column) -> list[str]:
    """Failure modes beside a count or a state: known words by our names, others as they are."""
    out = ["" if v is None else state_of(v) or str(v) for v in c.values]
    hit = [
        i for i, (v, m) in enumerate(zip(c.values, out, strict=True)) if v is not None and m != v
    ]
    if hit:
        desk.note(
            c.name, "mode", len(hit), c.values[hit[0]], out[hit[0]], "failure modes by our names"
        )
    return out


def _slots_as_modes(desk: Desk, c: Column, slot: Column | None) -> None:
    """Modes that name another slot than their row's: the row's part may be the one that was still good."""
    own = [None] * len(c.values) if slot is None else slot.values
    named = [SLOT_WORDS.get(plain(v), "") if v is not None else "" for v in c.values]
    odd = [str(v) for v, n, s in zip(c.values, named, own, strict=True) if n and n != s]
    if odd:
        said = ", ".join(bounded(w, 40) for w in list(dict.fromkeys(odd))[:4])
        text = f"{c.name} names slots ({said}) in {counted(len(odd), 'row')}: did the part of the row fail, and is this how?"
        desk.ask(f"agreed:slots as modes {desk.content}", text, ("yes",), "", True)


def _name_modes(desk: Desk, said: Sequence[str], named: Sequence[str], out: Cells, n: int) -> None:
    """The mode of each failed row; a mode without a count of failure is asked about."""
    failed = out.get("shots_failed", [None] * n)
    picked = []
    lone = 0
    for a, b, f in zip(said, named, failed, strict=True):
        best = b if b not in ("", "alive", "unknown") else a if a not in ("", "alive") else b
        best = "" if best == "alive" else best
        lone += bool(best) and f is None
        picked.append(best if best and f is not None else None)
    out["mode"] = picked
    if lone and not any(
        q.grave and i.startswith(("decimal:", "units:")) for i, q in desk.questions.items()
    ):
        text = f"{lone} rows name a failure but no count at which it was found; they are read as still good"
        desk.ask(f"agreed:mode_without_count {desk.content}", text, ("yes",), "", True)


def _by_state(
    desk: Desk, columns: dict[str, Column], states: Sequence[str], out: Cells, n: int
) -> None:
    """Counts beside a state: a good unit was good there, a failed one failed at exactly that count."""
    shots, good, dead = (columns.get(k) for k in ("shots", "shots_good", "shots_failed"))
    base = shots or good or dead
    assert base is not None
    if base is good and dead is None and any(s not in ("", "alive") for s in states):
        text = f"{good.name} is all that is known of failed units: read as failed at exactly that count"
        desk.ask(f"agreed:exact {good.name}", text, ("yes",), "yes")
    g: list[Any] = [None] * n
    f: list[Any] = [None] * n
    for i in range(n):
        count, end = base.values[i], dead.values[i] if dead is not None else None
        if states[i] == "alive":
            g[i] = count if count is not None else end
            if dead is not None and base is not dead and end is not None:
                desk.fault(
                    base.rows[i] + 1, dead.name, "said to be alive, but a count of failure is given"
                )
        elif states[i]:
            f[i] = end if end is not None else count
            g[i] = count if count is not None else end
    _bounds(desk, base, states, g, f)
    _ranges(desk, base, states, g)
    out["shots_good"], out["shots_failed"] = g, f


def _bounds(desk: Desk, base: Column, states: Sequence[str], g: list[Any], f: list[Any]) -> None:
    """Counts with a mark beside a state: dead before a count is dead since the start or later; the rest says nothing."""
    before = 0
    for i, (m, state) in enumerate(zip(base.marks, states, strict=True)):
        cell = bounded(base.cells[i], 40)
        if m == "<" and state and state != "alive" and f[i] == base.values[i]:
            g[i] = 0.0
            before += 1
        elif m == "<" and state == "alive":
            text = f"good at {cell!r}: at how many at least? Give the count it was seen good at"
            desk.fault(base.rows[i] + 1, base.name, text)
        elif m == ">" and state and state != "alive" and f[i] == base.values[i]:
            text = f"failed at {cell!r}: give the last count it was good at and the count it was found failed at"
            desk.fault(base.rows[i] + 1, base.name, text)
    if before:
        text = f"{before} failed units say less than a count of {base.name}: read as failed at any count up to it"
        desk.ask(f"agreed:before {base.name}", text, ("yes",), "yes")


def _ranges(desk: Desk, c: Column, states: Sequence[str], g: list[Any]) -> None:
    """Ranges of counts: good at the lower end; a failed unit was found failed at the upper one."""
    for i, low in c.lows.items():
        if g[i] is not None:
            g[i] = low
    if c.lows:
        alive = sum(states[i] == "alive" for i in c.lows)
        text = f"{len(c.lows)} counts of {c.name} are ranges: read as good at the lower and found failed at the upper end"
        text += f"; {alive} still good ones as good at the lower end" if alive else ""
        desk.ask(f"agreed:ranges {c.name}", text, ("yes",), "yes")


def _by_failed(desk: Desk, base: Column | None, dead: Column, out: Cells, n: int) -> None:
    if base is not None:
        for i in base.lows:
            text = (
                f"{bounded(base.cells[i], 40)!r} is a range; one count is wanted beside {dead.name}"
            )
            desk.fault(base.rows[i] + 1, base.name, text)
    g: list[Any] = list(base.values) if base is not None else [None] * n
    f: list[Any] = list(dead.values)
    _zeros(desk, dead, g, f)
    alone = 0
    for i in range(n):
        if dead.marks[i] == ">":
            g[i], f[i] = (f[i] if g[i] is None else g[i]), None
        elif dead.marks[i] == "<":
            g[i] = 0.0 if g[i] is None else g[i]
        elif g[i] is None and f[i] is not None:
            g[i] = f[i]
            alone += 1
    if alone:
        text = f"{alone} rows of {dead.name} have no last good count: read as failed at exactly that count"
        desk.ask(f"agreed:exact {dead.name}", text, ("yes",), "yes")
    if any(m == ">" for m in dead.marks):
        desk.note(
            dead.name,
            "shots_good",
            dead.marks.count(">"),
            "more than",
            "still good there",
            "a mark for 'more than'",
        )
    out["shots_good"], out["shots_failed"] = g, f


def _zeros(desk: Desk, dead: Column, g: list[Any], f: list[Any]) -> None:
    """0 as the count of failure of a unit that was good at more shots stands for none, in files that are not ours."""
    hit = [
        i for i, (a, b) in enumerate(zip(g, f, strict=True)) if b == 0 and a is not None and a > 0
    ]
    if not hit or desk.ours:
        return
    text = f"{len(hit)} rows of {dead.name} say 0, below the count the unit was good at: read as not failed"
    if desk.ask(f"agreed:zero {dead.name}", text, ("yes", "no"), "yes") == "yes":
        for i in hit:
            f[i] = None


def _by_marks(desk: Desk, shots: Column, out: Cells, n: int) -> None:
    """Counts without a state: '>' and '+' are units still good; the rest has to be said."""
    marked = shots.marks.count(">")
    if marked:
        what = desk.ask(
            "choose:ends", f"{marked} counts of {shots.name} say 'more than' and are read as still good; the others as failed at exactly that count",
            ("failed", "alive"), "failed",
        )  # fmt: skip
    else:
        what = desk.ask(
            "choose:ends", f"nothing tells whether units failed at {shots.name} or were still good there", ("failed", "alive"), "", True
        )  # fmt: skip
    g: list[Any] = list(shots.values)
    f: list[Any] = [None] * n
    for i, m in enumerate(shots.marks):
        if m == "<":
            g[i], f[i] = 0.0, shots.values[i]
        elif m != ">" and what == "failed":
            f[i] = shots.values[i]
    _ranges(desk, shots, ["" if x is not None else "alive" for x in f], g)
    if marked:
        desk.note(
            shots.name,
            "shots_good",
            marked,
            "more than",
            "still good there",
            "a mark for 'more than'",
        )
    out["shots_good"], out["shots_failed"] = g, f


def only_exact(desk: Desk, c: Column, marks: str, wanted: str) -> None:
    """Name the cells of a column of counts whose mark says something that cannot be kept there."""
    for i, m in enumerate(c.marks):
        if m and m in marks:
            desk.fault(c.rows[i] + 1, c.name, f"{bounded(c.cells[i], 40)!r}: {wanted}")


def wear_cells(desk: Desk, columns: dict[str, Column], n: int) -> tuple[Cells, list[int]]:
    """Rows of a wear sheet; a column for each quantity, or count, is laid out one below the other. Cells and row of each."""
    if heads := reading_columns(columns):
        return wide_cells(desk, columns, heads, n)
    ids: Cells = {
        k: columns[k].values for k in ("builder", "module", "slot", "unit", "shots") if k in columns
    }
    if "quantity" in columns and "value" in columns:
        measured.by_our_names(desk, columns)
        if "unit" not in columns:
            ids.pop("unit", None)
        cells = {**ids, "quantity": columns["quantity"].values, "value": columns["value"].values}
        if "uncertainty" in columns:
            cells["uncertainty"] = columns["uncertainty"].values
        return cells, list(range(n))
    out: Cells = {k: [] for k in (*ids, "quantity", "value")}
    rows: list[int] = []
    for name in _measured(columns):
        c = columns[name]
        for i, v in enumerate(c.values):
            if v is None:
                continue
            for k, values in ids.items():
                out[k].append(values[i])
            out["quantity"].append(name)
            out["value"].append(v)
            rows.append(i)
        desk.note(
            c.name,
            "quantity, value",
            n,
            c.name,
            name,
            "a column a quantity, laid out one below the other",
        )
    return out, rows


def event_words(desk: Desk, c: Column) -> None:
    """Events of a misfire sheet by our names."""
    done: dict[str, str] = {}
    for word in dict.fromkeys(v for v in c.values if v is not None):
        known = desk.given(f"words:{word}") or EVENT_WORDS.get(plain(word), "")
        if not known:
            near, _ = nearest(plain(word), EVENT_WORDS)
            text = f"what does the event {bounded(word, 40)!r} mean?"
            known = desk.ask(
                f"words:{word}", text, ("misfire", "start", "end"), EVENT_WORDS.get(near, "")
            )
        done[word] = known
    _rename(desk, c, "event", done, "events by our names")


def preamble(rows: Sequence[Sequence[Any]], header: int) -> dict[str, str]:
    """What the lines above the header say, such as ``Builder: kite`` or ``Bench | kite``: our column and value."""
    out: dict[str, str] = {}
    for r in rows[: max(header, 0)]:
        full = [str(c).strip() for c in r if not blank(c)]
        pairs = [t.lstrip("# ").partition(":")[::2] for t in full if ":" in t]
        if len(full) == 2 and not any(":" in t for t in full[1:]):
            pairs.append((full[0].rstrip(":").lstrip("# "), full[1]))
        for key, value in pairs:
            column = COLUMN_WORDS.get(plain(key), "") or "".join(understood(key)[:1])
            if (
                column in ("builder", "module", "slot", "part", "unit", "fuel", "revision")
                and value.strip()
            ):
                out.setdefault(column, bounded(value, 200))
    return out


def slot_in_words(texts: Sequence[str]) -> str:
    """A slot that a title, sheet name or file name speaks of; "" if none or several."""
    found = set()
    for t in texts:
        p = f" {plain(t)} "
        found |= {
            slot
            for word, slot in SLOT_WORDS.items()
            if len(word) > 4 and slot != "module" and any(f" {word}{end} " in p for end in _PLURALS)
        }
    return next(iter(found)) if len(found) == 1 else ""
