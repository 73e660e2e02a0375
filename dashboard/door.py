"""The door on the page: upload or paste, what was read, doubts answered, columns chosen, the change, then give."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.shared import pool, state, store, table
from dashboard.sign_in import allowed, require, who
from dashboard.waiting import patient, work_out_anew
from dashboard.words import plain_text
from reliability.ask.admission import Busy
from reliability.ask.change import Effect, change
from reliability.ask.giving import Given, How, Looked, Terms, give, known_names, look, replaced
from reliability.ask.mappings import BenchMapping, our_columns
from reliability.ask.records import SheetError, SheetFault, StoreError, contributions_of
from reliability.notes import BadInput
from reliability.words import capital, counted

KINDS = ["csv", "tsv", "txt", "log", "xlsx", "ods", "parquet", "zip"]
NEW, WHOLE = "new data", "all that stands of its builders and kind"


@dataclass(frozen=True)
class File:
    """What somebody brought: its name, content and hash."""

    name: str
    content: bytes
    mark: str


def status() -> str:
    """What a contribution of this user is at first."""
    return "accepted" if allowed("maintainer") else "received"


def fault_table(faults: list[SheetFault], file: str) -> None:
    """The faults of a refused file."""
    n = len(faults)
    st.error(f"{n} fault{'s' if n != 1 else ''} in {plain_text(file)}; nothing was stored.")
    rows = [{"row": f.row or None, "column": f.column, "what is wrong": f.message} for f in faults]
    table(pd.DataFrame(rows), "faults")


def say_stored(given: Given) -> None:
    """What became of a file, in a sentence for each contribution."""
    for taken in given.all:
        c = taken.contribution
        what = "records" if c.kind == "life" else f"rows of {c.kind}"
        if not taken.new:
            st.info(
                f"{plain_text(c.file)} was stored before, as contribution {c.id} ({c.status}); nothing changed."
            )
        elif c.status == "received":
            st.success(
                f"{plain_text(c.file)} is stored as contribution {c.id}: {c.rows} {what}. It waits until a maintainer accepts it."
            )
        else:
            st.success(
                f"{plain_text(c.file)} is stored as contribution {c.id}: {c.rows} {what}. All pages use it now."
            )
        for n in taken.notes:
            st.caption(plain_text(n.text))


def brought() -> File | None:
    """The file that was uploaded, else the table that was pasted."""
    upload = st.file_uploader("Sheet, workbook, log or bundle", type=KINDS, key="upload")
    with st.expander("Or paste a table from a spreadsheet", icon=":material/content_paste:"):
        pasted = st.text_area(
            "Table, with the row that names its columns",
            key="pasted",
            height=160,
            max_chars=2_000_000,
        )
        st.button("Read what was pasted", key="read_pasted")
    if upload is not None:
        content = upload.getvalue()
        return File(upload.name, content, hashlib.sha256(content).hexdigest()[:16])
    if pasted and pasted.strip():
        content = pasted.encode()
        return File("pasted.txt", content, hashlib.sha256(content).hexdigest()[:16])
    return None


def _answers(file: File) -> dict[str, str]:
    found: dict[str, str] = st.session_state.setdefault(f"answers_{file.mark}", {})
    return found


def _keep(mark: str, ident: str, key: str) -> None:
    given = st.session_state.get(key)
    answers = st.session_state.setdefault(f"answers_{mark}", {})
    if given in (None, ""):
        answers.pop(ident, None)
    else:
        answers[ident] = str(given)


@st.cache_resource(max_entries=8, show_spinner="Reading …")
def _read(
    name: str, mark: str, answers: tuple[tuple[str, str], ...], version: str, _file: File
) -> Looked:
    """A file read with these answers, agreed with as far as it can be: nothing is stored by that."""
    terms = Terms(BenchMapping().with_answers(dict(answers)), True, known_names(store()))
    return look(Path(name), _file.content, terms, pool().life)


def read(file: File) -> Looked:
    """A file as it is read with the answers given so far. Raises SheetError, BadInput."""
    return _read(file.name, file.mark, tuple(sorted(_answers(file).items())), state(), file)


def _change(mark: tuple[Any, ...], looked: Looked, old: tuple[int, ...], module: str) -> Effect:
    """What it would change, worked out once for a state of the store and the answers given."""
    known = st.session_state.setdefault("changes", {})
    key = (*mark, old, module)
    if key not in known:
        known.clear()  # only what is on the page
        known[key] = change(store(), looked, old, module, patient)
    found: Effect = known[key]
    return found


def add_file() -> None:
    """All of it, from the file to the contribution."""
    file = brought()
    if file is None:
        return
    try:
        looked = read(file)
    except SheetError as e:
        _refused(file, e.faults)
        return
    except BadInput as e:
        st.error(plain_text(str(e)))
        return
    r = looked.reading
    if r.faults:
        _refused(file, list(r.faults))
        if not r.changes:
            return
    _doubts(file, looked)
    if not r.plain:
        _what_was_read(file, looked)
    _parts(file, looked)
    if r.faults:
        return
    old = _corrects(looked)
    effect = st.container()
    _stands_already(file)
    label = "Check and add" if r.plain else "This is right: add it"
    if st.button(label, key="add", type="primary", disabled=not looked.ready):
        _give(file, looked, old)
    elif looked.ready:
        with effect:
            _before_and_after(file, looked, old)
    if not looked.ready:
        st.caption(f"To be answered first: {len(r.grave)}.")


def _refused(file: File, faults: list[SheetFault]) -> None:
    if st.button("Check and add", key="add", type="primary"):
        fault_table(faults, file.name)
    else:
        n = len(faults)
        st.warning(f"{n} fault{'s' if n != 1 else ''}; press the button to list them.")


def _doubts(file: File, looked: Looked) -> None:
    """Grave questions first, each to be answered; then what looks odd."""
    grave = looked.reading.grave
    if grave:
        st.error(
            f"{counted(len(grave), 'answer')} wanted before this can be stored",
            icon=":material/help:",
        )
    for q in grave[:40]:
        _ask(file, q)
    for f in looked.findings:
        if f.severity != "grave":
            st.caption(plain_text(f"{f.severity}: {f.text}"))
    for n in looked.notes:
        st.caption(plain_text(n.text))


def _ask(file: File, q: Any) -> None:
    key = f"q_{file.mark}_{q.id}"
    given = {"key": key, "on_change": _keep, "args": (file.mark, q.id, key)}
    if q.choices:
        at = q.choices.index(q.suggestion) if q.suggestion in q.choices else None
        st.selectbox(
            plain_text(capital(q.text)), q.choices, index=at, placeholder="choose an answer",
            help=plain_text(q.id), **given,
        )  # fmt: skip
    else:
        st.text_input(
            plain_text(capital(q.text)), value=q.suggestion, help=plain_text(q.id), **given
        )


def _what_was_read(file: File, looked: Looked) -> None:
    r = looked.reading
    st.markdown("#### What I read")
    where = f"header in row {r.header_row}" if r.header_row else ""
    where += f" of sheet {r.where}" if r.where and r.kind != "shots" else ""
    st.caption(plain_text("; ".join(t for t in (f"{r.kind}, {r.rows} rows", where, *r.how) if t)))
    frame = pd.DataFrame([list(c) for c in r.cells], columns=list(r.columns))
    if r.source_rows:
        frame.insert(0, "row of the file", list(r.source_rows))
    st.dataframe(
        frame, hide_index=True, width="stretch", height=230, key="read_table", placeholder="–"
    )
    soft = [q for q in r.questions if not q.grave]
    if r.changes or soft:
        st.markdown("#### Read otherwise than written")
        rows = [
            {"theirs": c.column or "(file)", "ours": c.to, "rows": c.rows or None, "written": c.before, "read": c.after, "why": c.why}
            for c in r.changes
        ] + [{"theirs": "(suggested)", "ours": q.id, "read": q.suggestion, "why": q.text} for q in soft]  # fmt: skip
        st.dataframe(
            pd.DataFrame(rows),
            hide_index=True,
            width="stretch",
            key="change_table",
            placeholder="–",
        )
    for x in r.left_out[:20]:
        st.caption(plain_text(f"row {x.row} left out ({x.why}): {x.text}"))
    with st.expander("Correct it: choose columns, change suggestions", icon=":material/edit:"):
        _columns(file, looked)
        for q in soft[:60]:
            if not q.id.startswith("columns:"):
                _ask(file, q)
        answers = _answers(file)
        if answers:
            st.caption(
                plain_text("Answered: " + "; ".join(f"{k} = {v}" for k, v in answers.items()))
            )
            if st.button("Forget the answers", key="forget"):
                answers.clear()
                st.rerun()
        st.download_button(
            "Keep this for the next file (mapping)", r.mapping_text(), "mapping.json", "application/json",
            key="mapping_file", help="'shotlife add FILE --mapping mapping.json' reuses it.",
        )  # fmt: skip


def _columns(file: File, looked: Looked) -> None:
    """Their columns, each with a box to choose ours."""
    r = looked.reading
    if r.kind == "shots":
        return
    st.caption("Their columns and ours:")
    places = st.columns(3)
    for i, t in enumerate(r.theirs[:60]):
        key = f"c_{file.mark}_{i}"
        options = list(dict.fromkeys((t.column, *our_columns(), "extra", "leave_out")))
        text = f"{t.written} ({t.example})" if t.example else t.written
        places[i % 3].selectbox(
            plain_text(text), options, index=0, key=key, on_change=_keep,
            args=(file.mark, f"columns:{t.written}", key),
        )  # fmt: skip


def _parts(file: File, looked: Looked) -> None:
    """Records without a part are of little use; it can be said here once for each slot."""
    bare = looked.reading.slots_without_part if looked.reading.kind in ("life", "shots") else ()
    if not bare or looked.reading.plain:
        return
    places = st.columns(min(len(bare), 3))
    for i, slot in enumerate(bare[:9]):
        key = f"p_{file.mark}_{slot}"
        places[i % 3].text_input(
            plain_text(f"Part in {slot} (if known)"), key=key, on_change=_keep,
            args=(file.mark, f"fill:part of {slot}", key),
        )  # fmt: skip


def _corrects(looked: Looked) -> tuple[int, ...]:
    """Contributions whose place it takes."""
    standing = [c for c in contributions_of(store()) if c.status in ("accepted", "received")]
    names = {f"{c.id}: {c.file}": c.id for c in standing}
    picked = st.selectbox(
        "It takes the place of", [NEW, *names, *([WHOLE] if standing else [])], key="corrects",
        help="What it corrects or replaces is superseded; nothing is deleted.",
    )  # fmt: skip
    if picked == WHOLE:
        return replaced(store(), looked)
    return (names[picked],) if picked in names else ()


def _before_and_after(file: File, looked: Looked, old: tuple[int, ...]) -> None:
    life = pool().life
    modules = sorted({*(life.module.tolist() if life is not None else ()), *_modules(looked)})
    module = st.selectbox(
        "Show the promise of a module too", ["", *modules[:2000]], key="change_module"
    )
    mark = (state(), file.mark, tuple(sorted(_answers(file).items())))
    try:
        found = _change(mark, looked, old, module or "")
    except (BadInput, Busy) as e:
        st.warning(plain_text(str(e)))
        return
    for m in found.moved:
        st.caption(
            plain_text(f"{found.rows} records. {m.sentence}" + (f" {m.why}" if m.why else ""))
        )


def _modules(looked: Looked) -> list[str]:
    r = looked.records
    return [] if r is None else [str(m) for m in set(r.module.tolist())]


def _give(file: File, looked: Looked, old: tuple[int, ...]) -> None:
    beside = bool(st.session_state.get(f"beside_{file.mark}"))
    try:
        require("contributor")
        say_stored(give(store(), looked, replace(how(), supersedes=old, beside=beside)))
        work_out_anew(store())
    except SheetError as e:
        fault_table(e.faults, file.name)
    except BadInput as e:
        st.session_state[f"again_{file.mark}"] = str(e)
        st.rerun()
    except StoreError as e:
        st.error(plain_text(str(e)))


def _stands_already(file: File) -> None:
    """Why it was refused at the last try, and the way to say that these are other units."""
    why = st.session_state.get(f"again_{file.mark}")
    if why:
        st.error(plain_text(why))
        st.checkbox("These are other units: let them stand beside", key=f"beside_{file.mark}")


def how() -> How:
    """How this user gives data."""
    return How(who(), status())
