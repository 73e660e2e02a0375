"""Who looks at the dashboard, and what they may do. All that the pages know of sign-in is here.

Without sign-in configured the service listens on this machine only and its user is the maintainer.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from typing import Any

import streamlit as st

from dashboard.words import plain_text
from reliability.access import OWNER, may
from reliability.ask.sources import default_path
from reliability.notes import BadInput
from reliability.people import end_sign_in, person_of, role_of_person


def required() -> bool:
    """Whether this service asks for sign-in ('shotlife serve --sign-in')."""
    return bool(os.environ.get("SHOTLIFE_SIGN_IN"))


def claims() -> Mapping[str, Any] | None:
    """What the provider said of the user, None if nobody is signed in. Tests put theirs here."""
    if not getattr(st.user, "is_logged_in", False):
        return None
    return dict(st.user)


def _standing() -> tuple[str, str]:
    """Role of the user by the roles kept now, and why it is none."""
    if not required():
        return "maintainer", ""
    said = claims()
    if said is None:
        return "none", "nobody"
    try:
        return role_of_person(default_path().parent, said)
    except BadInput as e:
        return "none", str(e)


def role() -> str:
    """Role of the user: none, reader, contributor or maintainer; asked anew each time."""
    return _standing()[0]


def person() -> str:
    """Whose questions these are, for the limit on what one person asks at a time."""
    if not required():
        return OWNER
    found = person_of(claims() or {})
    return found.key if found is not None else "nobody"


def require(needed: str) -> None:
    """Ask before every write. Raises BadInput if the role is not, or no longer, enough."""
    now = role()
    if not may(now, needed):
        raise BadInput(f"a {needed} is needed for this; your role is now: {now}")


def _sign_out() -> None:
    with contextlib.suppress(BadInput):
        end_sign_in(default_path().parent, claims() or {})
    st.logout()


def who() -> str:
    """Who the user is, for the log of deeds."""
    person = person_of(claims() or {}) if required() else None
    return "this machine (dashboard)" if person is None else person.logged


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
    who = person_of(said)
    name = who.shown if who is not None else "you"
    now, why = _standing()
    with st.sidebar:
        st.caption(f"{plain_text(name)} ({now})")
        st.button("Sign out", on_click=_sign_out, key="sign_out")
    if now != "none":
        return
    st.title("shotlife")
    st.markdown(f"## {_WHY.get(why, _WHY['no role']).format(name=plain_text(name))}")
    if why in ("no role", "not verified"):
        st.write("A maintainer gives one: shotlife access --person E-MAIL --role reader")
    st.stop()


_WHY = {
    "no role": "{name} has no role here.",
    "nobody": "The provider does not say who you are (issuer and subject).",
    "not verified": "The provider has not verified the address {name}.",
    "run out": "This sign-in has run out: sign out and in again.",
    "ended": "This sign-in has ended: sign out and in again.",
    "taken": "The address {name} belongs to another account of a provider; ask a maintainer.",
}
