"""Who looks at the dashboard, and what they may do. All that the pages know of sign-in is here.

Without sign-in configured the service listens on this machine only and its user is the maintainer.
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from typing import Any

import streamlit as st

from dashboard.words import plain_text
from reliability.access import load_access, may
from reliability.ask.sources import default_path
from reliability.notes import BadInput


def required() -> bool:
    """Whether this service asks for sign-in ('shotlife serve --sign-in')."""
    return bool(os.environ.get("SHOTLIFE_SIGN_IN"))


def claims() -> Mapping[str, Any] | None:
    """What the provider said of the user, None if nobody is signed in. Tests put theirs here."""
    if not getattr(st.user, "is_logged_in", False):
        return None
    return dict(st.user)


def role() -> str:
    """Role of the user: none, reader, contributor or maintainer."""
    if not required():
        return "maintainer"
    said = claims()
    if said is None or said.get("email_verified") is False:
        return "none"
    # the cookie outlives what the provider vouched for: look at the time ourselves
    if float(said.get("exp") or 0) < time.time():
        return "none"
    try:
        return load_access(default_path().parent).of_person(str(said.get("email") or ""))
    except BadInput:
        return "none"


def allowed(needed: str) -> bool:
    """Whether the user's role suffices."""
    return may(role(), needed)


def gate() -> None:
    """Nothing is shown to whom nothing may be shown."""
    if not required():
        return
    said = claims()
    if said is None:
        st.title("shotlife")
        st.markdown("## Sign in to see shot lives and to give data.")
        st.button("Sign in", on_click=st.login, key="sign_in", type="primary")
        st.stop()
    assert said is not None
    name = str(said.get("email") or said.get("sub") or "you")
    with st.sidebar:
        st.caption(f"{plain_text(name)} ({role()})")
        st.button("Sign out", on_click=st.logout, key="sign_out")
    if role() != "none":
        return
    st.title("shotlife")
    if said.get("email_verified") is False:
        st.markdown(f"## The provider has not verified the address {plain_text(name)}.")
    elif float(said.get("exp") or 0) < time.time():
        st.markdown("## This sign-in has run out: sign out and in again.")
    else:
        st.markdown(f"## {plain_text(name)} has no role here.")
        st.write("A maintainer gives one: shotlife access --person E-MAIL --role reader")
    st.stop()
