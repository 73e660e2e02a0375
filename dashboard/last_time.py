"""Since last time: what the last contributions changed, in a line; worked out only when it is opened."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.shared import state, store, table
from dashboard.waiting import Stopped, worked_out
from dashboard.words import plain_text
from reliability.ask.admission import Busy
from reliability.ask.answers import Flight, FlightAnswer, Module, ModuleAnswer
from reliability.ask.last_time import LastTime, last_time, pool_before, promised, said
from reliability.ask.records import SheetError, StoreError
from reliability.notes import BadInput, CannotAnswer

MOST = 50
"""questions of one session whose last change is remembered"""
SHOTS = st.column_config.NumberColumn(format="%,.0f")


def since_last_time(question: Module | Flight, now: ModuleAnswer | FlightAnswer) -> None:
    """A fold below the picture; its line has the numbers where the answer of then is kept."""
    try:
        last = _last(question)
    except StoreError:  # the page's answer has been given; what came before cannot be read now
        return
    if last is None:
        return
    label = said(last, now) if last.answer or last.why else f"Since last time: {last.text}"
    fold = st.expander(plain_text(label), key="since", icon=":material/history:", on_change="rerun")
    if not fold.open:
        return
    with fold:
        last = _worked_out(question, last)
        if last is not None:
            _detail(last, now)


def _last(question: Module | Flight) -> LastTime | None:
    """The last change, read once for a question and a state of the store."""
    kept: dict[Any, LastTime | None] = st.session_state.setdefault("last_times", {})
    mark = _mark(question)
    if mark not in kept:
        if len(kept) >= MOST:
            kept.clear()
        kept[mark] = last_time(question, store())
    return kept[mark]


def _mark(question: Module | Flight) -> tuple[str, str, str]:
    return str(store().path), state(), repr(question.asked())


def _worked_out(question: Module | Flight, last: LastTime) -> LastTime | None:
    """The same with the answer of then; None where it could not be worked out now, which is said."""
    if last.answer is not None or last.why:
        return last
    try:
        found = worked_out(question, pool_before(store(), question, last))
        assert isinstance(found, (ModuleAnswer, FlightAnswer))
        last = replace(last, answer=found)
    except (CannotAnswer, BadInput) as e:
        last = replace(last, why=str(e))
    except (Busy, Stopped, SheetError, StoreError) as e:
        st.warning(plain_text(f"What the promise was before was not worked out. {e}"))
        return None
    st.session_state["last_times"][_mark(question)] = last
    return last


def _detail(last: LastTime, now: ModuleAnswer | FlightAnswer) -> None:
    """The promise before and after, slot by slot, and what came."""
    st.markdown(plain_text(said(last, now)))
    if last.answer is None:
        st.markdown(plain_text(f"Why there was none: {last.why}"))
    else:
        then, today = _alone(last.answer), _alone(now)
        rows = [
            {
                "what": "module",
                "promised before": promised(last.answer),
                "promised now": promised(now),
            }
        ]
        rows += [
            {"what": slot.replace("_", " "), "promised before": then.get(slot), "promised now": today.get(slot)}
            for slot in dict.fromkeys([*today, *then])
        ]  # fmt: skip
        table(pd.DataFrame(rows), "since", {"promised before": SHOTS, "promised now": SHOTS})
        st.caption("Each slot: what it alone could be promised for.")
    for c in last.came:
        st.markdown(
            plain_text(f"{c.id}: {c.file} of {c.builders}, {c.rows} rows") + ", counts since"
        )
    for c in last.gone:
        st.markdown(plain_text(f"{c.id}: {c.file} of {c.builders}") + ", no longer counts")
    st.page_link("records.py", label="Records, and who decided")


def _alone(a: ModuleAnswer | FlightAnswer) -> dict[str, float]:
    """What each slot alone could be promised for."""
    slots = a.slots if isinstance(a, ModuleAnswer) else a.by_slot
    return {s.slot: s.promise for s in slots}
