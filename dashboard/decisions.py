"""Kept decisions: what was answered, why it was kept, what has changed since; and verifying a statement."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import streamlit as st

from dashboard.controls import read_address
from dashboard.head import title
from dashboard.keeping import again_link
from dashboard.shared import pool_or_stop, store, table
from dashboard.words import plain_text
from reliability.ask.decided import Decision, Since, decisions, since
from reliability.ask.records import StoreError
from reliability.notes import BadInput
from reliability.report.verify import verify


def listed(found: list[tuple[Decision, Since]]) -> None:
    """The kept ones, newest first."""
    table(pd.DataFrame([
        {
            "no": d.number, "name": d.name, "what was answered": d.sentence, "since then": s.text, "remark": d.remark,
            "kept": d.at[:16].replace("T", " "), "by": d.who,
        }
        for d, s in reversed(found)
    ]), "decisions")  # fmt: skip


def one(found: list[tuple[Decision, Since]]) -> None:
    """One decision, beside what the same question is answered now."""
    names = {f"{d.number}  {d.name}": d for d, _ in reversed(found)}
    picked = names[st.selectbox("Look at", list(names), key="decision")]
    then, now = st.columns(2)
    with then.container(border=True):
        st.markdown(f"**Then** ({picked.at[:10]}, {plain_text(picked.who)})")
        st.markdown(plain_text(picked.sentence))
        st.caption(plain_text(picked.remark or "no remark"))
    with now.container(border=True):
        st.markdown("**Now**")
        if st.button("Ask the same again", key="ask_again"):
            with st.spinner("Working it out …"):
                try:
                    s = since(store(), picked, again=True)
                except (BadInput, StoreError) as e:
                    st.error(plain_text(str(e)))
                    return
            st.markdown(plain_text(s.sentence))
            same = "The same answer" if s.sentence == picked.sentence else "Another answer"
            st.caption(plain_text(f"{same}; since then: {s.text}."))
    st.code(again_link(picked, store()), language=None, wrap_lines=True)


def verified() -> None:
    """A statement dropped here is made anew and compared."""
    given = st.file_uploader("A statement made before (PDF or HTML)", type=["pdf", "html"], key="statement")  # fmt: skip
    if given is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"statement{Path(given.name).suffix}"
        path.write_bytes(given.getvalue())
        try:
            with st.spinner("Making it anew …"):
                found = verify(path, store())
        except (BadInput, StoreError) as e:
            st.error(plain_text(str(e)))
            return
    (st.success if found.holds else st.warning)(plain_text(found.sentence))
    for line in found.changed:
        st.markdown(f"- {plain_text(line)}")
    if not found.holds:
        st.markdown(plain_text(f"Then: {found.then}"))
        st.markdown(plain_text(f"Now: {found.now}"))


top = title("Kept decisions")
read_address()
pool_or_stop(top)
kept = [(d, since(store(), d)) for d in decisions(store())]
if kept:
    moved = sum(not s.unchanged for _, s in kept)
    said = f"{len(kept)} decision{'s are' if len(kept) != 1 else ' is'} kept; "
    top.answer(said + (f"what {moved} of them rest on has changed since." if moved else "all rest on what still stands."))  # fmt: skip
    listed(kept)
    one(kept)
else:
    top.answer("No decision is kept yet.")
    st.info("On each page, below the evidence: 'Keep it, ask it again, pass it on'.")
st.markdown("### Verify a statement")
verified()
