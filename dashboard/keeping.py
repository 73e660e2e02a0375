"""Taking an answer along: keeping it under a name, the command and the link that ask it again."""

from __future__ import annotations

from urllib.parse import urlencode

import streamlit as st

from dashboard.sign_in import allowed, require, who
from dashboard.words import plain_text
from reliability.ask.answers import Answer, Question
from reliability.ask.decided import Decision, keep_decision
from reliability.ask.records import StoreError
from reliability.ask.sources import Stored
from reliability.ask.texts import again, to_texts
from reliability.notes import BadInput


def link(question: Question) -> str:
    """The page's address with every setting that is not the question's own default.

    The address bar leaves out what is the page's default, which depends on the store (the first slot, say).
    """
    page = (st.context.url or "").partition("?")[0]
    return f"{page}?{urlencode(to_texts(question), doseq=True)}"


def take_along(answer: Answer | None, question: Question, store: Stored) -> None:
    """A fold with the form that keeps the answer, the command and the link."""
    with st.expander("Keep it, ask it again, pass it on", icon=":material/bookmark_add:"):
        if answer is not None and allowed("contributor"):
            _form(answer, store)
        st.caption("The same on the command line:")
        st.code(again(question, store), language=None, wrap_lines=True)
        st.caption("A link that means the same in any store:")
        st.code(link(question), language=None, wrap_lines=True)


def again_link(kept: Decision, store: Stored) -> str:
    """The command that asks a kept decision's question again; in words why there is none."""
    try:
        return again(kept.question, store)
    except BadInput as e:
        return f"this version cannot ask it again: {e}"


def _form(answer: Answer, store: Stored) -> None:
    with st.form("keep", border=False, clear_on_submit=True):
        left, right = st.columns([1, 2])
        name = left.text_input("Keep this answer as", key="keep_name")
        remark = right.text_input("Remark (why)", key="keep_remark")
        sent = st.form_submit_button("Keep")
    if not sent:
        return
    try:
        require("contributor")
        kept = keep_decision(store, answer, name, remark, who())
    except (BadInput, StoreError) as e:
        st.error(plain_text(str(e)))
        return
    st.success(plain_text(f"Kept as decision {kept.number}, {kept.name}."))
    st.page_link("decisions.py", label="All kept decisions")
