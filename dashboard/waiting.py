"""Waiting for an answer: how it stands, a way to stop it, and what is said when too much is asked."""

from __future__ import annotations

import contextlib
import json

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.sign_in import person
from dashboard.words import plain_text
from reliability.ask.admission import Busy
from reliability.ask.answers import Answer, Module, Question
from reliability.ask.asking import Older
from reliability.ask.crew import Progress, crew
from reliability.ask.records import SheetError, StoreError
from reliability.ask.sources import AnySource

_STOPPED = "stopped_question"
_LAST = "last_question"
_PATIENT = 0.6
"""seconds before anything is shown: most answers are there by then"""
_OFTEN, _SELDOM = 0.4, 3.0
"""seconds between two looks for a new answer: at least, at most"""


class Stopped(Exception):
    """The user has stopped this question; the message says so."""


def _mark(question: Question) -> str:
    return json.dumps(question.asked(), sort_keys=True)


def _stop(mark: str) -> None:
    st.session_state[_STOPPED] = mark


def _go_on() -> None:
    st.session_state.pop(_STOPPED, None)


def worked_out(question: Question, source: AnySource, top: DeltaGenerator | None = None) -> Answer:
    """The answer; while it is worked out, how it stands and a button that stops it.

    Leaving the page, or asking something else on it, ends the work as well. Where records have only come
    in since an answer was kept, and ``top`` is there to say so, that answer is shown at once; the page
    is shown anew when the new one is there.

    Raises
    ------
    BadInput, CannotAnswer, SheetError, StoreError
        As asking does.
    Busy
    Stopped
    """
    mark = _mark(question)
    st.session_state[_LAST] = question
    if st.session_state.get(_STOPPED) == mark:
        raise Stopped("Stopped: this was not worked out.")
    if top is not None:
        found = crew().older(question, source, person())
        if found is not None:
            older, how = found
            top.info(_as_of(older, how is not None), icon=":material/history:")
            st.fragment(_look_again, run_every=_soon(how))(question, source)
            return older.answer
    shown = _Shown(mark)
    try:
        return crew().ask(question, source, person(), shown.watch)
    finally:
        shown.place.empty()


def _as_of(older: Older, begun: bool) -> str:
    """What an older answer lacks, and what becomes of it."""
    n = older.since
    more = f"{n} contribution{'s' if n != 1 else ''} accepted since then {'are' if n != 1 else 'is'} not in it"
    then = (
        "A new answer is being worked out"
        if begun
        else "A new answer is worked out when there is room"
    )
    return f"As of {older.made_at[:16].replace('T', ' ')} UTC: {more}. {then}; this page changes by itself."


def _soon(how: Progress | None) -> float:
    """Seconds after which to look whether the new answer is there: as long as such a one takes."""
    if how is None or how.usual is None:
        return _SELDOM
    return min(_SELDOM, max(_OFTEN, (1 + how.ahead) * how.usual - how.seconds))


def _look_again(question: Question, source: AnySource) -> None:
    """Run the page anew once its answer is there."""
    if crew().older(question, source, person()) is None:
        st.rerun()


class _Shown:
    """How a question stands, on the page."""

    def __init__(self, mark: str) -> None:
        self.mark = mark
        self.place = st.empty()
        self.bar: DeltaGenerator | None = None

    def watch(self, progress: Progress) -> None:
        """Show it. Each word to the browser is also where the framework ends a run nobody wants any more."""
        if progress.seconds < _PATIENT:
            return
        if self.bar is None:
            with self.place.container():
                self.bar = st.empty()
                st.button(
                    "Stop", key=f"stop_{hash(self.mark)}", icon=":material/stop_circle:",
                    on_click=_stop, args=(self.mark,),
                )  # fmt: skip
        self.bar.progress(_share(progress), text=_text(progress))


def _share(progress: Progress) -> float:
    """Part of the usual time that has passed; never all of it before the answer is there."""
    usual = progress.usual or 5.0
    return min(0.95, progress.seconds / (progress.seconds + usual))


def _text(progress: Progress) -> str:
    seconds = f"{progress.seconds:.0f} s"
    if progress.state == "waiting":
        return f"Waiting for a turn, {progress.ahead} before this, {seconds} so far"
    usual = "" if progress.usual is None else f"; some {max(1, round(progress.usual))} s of computing lately"  # fmt: skip
    return f"Working it out, {seconds} so far{usual}"


def work_out_anew(source: AnySource) -> None:
    """Begin on the new answer to what was looked at last, else to the first page's: most go there to see it."""
    with contextlib.suppress(Busy, SheetError, StoreError):
        crew().older(st.session_state.get(_LAST, Module()), source, person())


def patient(question: Question, source: AnySource) -> Answer:
    """The answer where it stands beside the rest of a page: how it comes on is shown there, and what the
    user does meanwhile ends the work. Raises as ``worked_out``, but for Stopped."""
    place = st.empty()

    def watch(progress: Progress) -> None:
        # each word to the browser is also where the framework ends a run nobody wants any more
        place.caption(_text(progress))

    try:
        return crew().ask(question, source, person(), watch)
    finally:
        place.empty()


def offer_again(why: Busy | Stopped) -> None:
    """What is said where nothing was worked out, and a button that asks again."""
    text = str(why)
    if isinstance(why, Busy):
        text += f" Try again in {why.after} s."
    st.warning(plain_text(text))
    st.button("Work it out", key="work_it_out", on_click=_go_on)
