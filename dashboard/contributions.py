"""Contributions on the page: deciding, withdrawing, and the log of who did what."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import streamlit as st

from dashboard.shared import store, table
from dashboard.sign_in import allowed, require, who
from dashboard.words import plain_text
from reliability.ask.deeds import DeedLog, decide, decider, giver
from reliability.ask.records import Contribution, StoreError
from reliability.notes import BadInput

MOST_SHOWN = 10
"""contributions to decide on at a time"""


def waiting(contributions: Sequence[Contribution], log: DeedLog) -> None:
    """What waits, for a maintainer to accept or decline, oldest first."""
    wait = [c for c in contributions if c.status == "received"]
    if not wait or not allowed("maintainer"):
        return
    for c in wait[:MOST_SHOWN]:
        with st.container(border=True):
            by = giver(log, c.id)
            st.markdown(
                f"**Contribution {c.id} waits:** {plain_text(c.file)}, {c.rows} rows of {plain_text(c.builders)}"
                + (f", given by {plain_text(by)}" if by else "")
            )
            left, middle, right = st.columns([4, 1, 1])
            reason = left.text_input("Reason", key=f"reason_{c.id}")
            if middle.button("Accept", key=f"accept_{c.id}"):
                _decide(c.id, "accept", reason, "maintainer")
            if right.button("Decline", key=f"decline_{c.id}"):
                _decide(c.id, "decline", reason, "maintainer")
    if len(wait) > MOST_SHOWN:
        st.caption(f"{len(wait) - MOST_SHOWN:,} more wait; they come up as these are decided.")


def _decide(number: int, act: str, reason: str, needed: str) -> None:
    try:
        require(needed)
        decide(store(), number, act, who(), reason)
    except (BadInput, StoreError) as e:
        st.error(plain_text(str(e)))
        return
    st.rerun()


def withdraw(contributions: Sequence[Contribution], log: DeedLog) -> None:
    """Withdraw a contribution: a maintainer any that stands, others what they gave while it waits."""
    own = [
        c
        for c in contributions
        if (c.status in ("accepted", "received") and allowed("maintainer"))
        or (c.status == "received" and giver(log, c.id) == who())
    ]
    if not own or not allowed("contributor"):
        return
    with st.expander("Withdraw a contribution", icon=":material/undo:"):
        names = {f"{c.id}: {c.file}": c.id for c in own}
        picked = st.selectbox("Contribution", list(names), index=None, key="withdraw_which")
        reason = st.text_input("Why it is withdrawn", key="withdraw_reason")
        st.caption("Nothing is deleted: it no longer counts, and a maintainer may accept it again.")
        if st.button("Withdraw it", key="withdraw", disabled=picked is None) and picked:
            _decide(names[picked], "withdraw", reason, "contributor")


def listed(contributions: Sequence[Contribution], log: DeedLog) -> None:
    """All contributions, and who gave and decided."""
    st.markdown("### Contributions")
    rows = [
        {
            "no": c.id, "file": c.file, "kind": c.kind, "builders": c.builders, "rows": c.rows, "status": c.status,
            "received": c.received_at[:16].replace("T", " "), "licence": c.licence, "given by": giver(log, c.id),
            "decided by": decider(log, c.id),
        }
        for c in contributions
    ]  # fmt: skip
    table(pd.DataFrame(rows), "contributions")
    with st.expander("Log: who gave and decided what", icon=":material/history:"):
        st.caption(plain_text(log.sentence))
        deeds = [
            {"no": d.number, "when (UTC)": d.at[:19].replace("T", " "), "who": d.who, "did": d.act, "contribution": d.contribution,
             "what": d.detail, "hash": d.hash}
            for d in log.deeds
        ]  # fmt: skip
        table(pd.DataFrame(deeds), "deeds")
