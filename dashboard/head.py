"""The head of a page: its answer in one sentence, how the work on it stands, and alarms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.words import plain_text
from reliability.notes import Note


@dataclass(frozen=True)
class Head:
    """Places at the top, in this order; an old sentence stands, marked, while a new one is worked out.

    Attributes
    ----------
    said, work, alarms : places
    """

    said: DeltaGenerator
    work: DeltaGenerator
    alarms: DeltaGenerator

    def answer(self, sentence: str) -> None:
        """The answer, first and large."""
        self.said.markdown(f"## {plain_text(sentence)}")

    def warning(self, text: str) -> None:
        """Why there is no answer, or only a part of one."""
        self.alarms.warning(plain_text(text))

    def alarm(self, notes: Sequence[Note]) -> None:
        """Each grave note as one line that can be opened for the whole of it."""
        for i, note in enumerate(notes):
            first, rest = parted(note.text)
            with self.alarms.container(key=f"alarm_{i}"):
                if rest:
                    fold = st.expander(plain_text(first), icon=":material/warning:")
                    fold.markdown(plain_text(note.text))
                else:
                    st.warning(plain_text(first), icon=":material/warning:")


SHORT = 120
"""characters that one line holds"""


def parted(text: str) -> tuple[str, str]:
    """A text's first clause, and what follows it; a short text is all one."""
    if len(text) <= SHORT:
        return text, ""
    ends = [at for at in (text.find(": "), text.find(". "), text.find("; ")) if at > 0]
    if not ends:
        return text, ""
    return text[: min(ends)], text[min(ends) + 2 :]


def title(text: str) -> Head:
    """Page title, and below it the places for the answer, so that it comes first."""
    st.title(text)
    top = st.container(key="head")
    return Head(top.container(), top.container(), top.container())


def beside() -> tuple[DeltaGenerator, DeltaGenerator]:
    """A wide place for the picture, and one beside it for what can be changed."""
    wide, side = st.columns([3, 1], gap="medium")
    return wide, side
