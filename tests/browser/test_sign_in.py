"""Sign-in with OpenID Connect against a provider on this machine: who sees what, who may do what."""

import json
import urllib.error
import urllib.request

import oidc_provider_mock
import pytest

from reliability.access import Access, save_access, with_person, with_token
from reliability.store import Store
from reliability.store.demo import load_demo
from tests.browser.server import MARKS, answer, browsing, serving_with_sign_in

pytestmark = MARKS
ROLES = {
    "mia@example.org": "maintainer",
    "cy@example.org": "contributor",
    "ria@example.org": "reader",
}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """A service with sign-in on the demo; its address and a reader's token."""
    folder = tmp_path_factory.mktemp("sign")
    load_demo(Store(folder / "s.duckdb"))
    access = Access()
    for email, role in ROLES.items():
        access = with_person(access, email, role)
    access, token = with_token(access, "probe", "reader")
    save_access(access, folder)
    users = [
        oidc_provider_mock.User(sub=e, claims={"email": e, "email_verified": True})
        for e in (*ROLES, "zoe@example.org")
    ] + [oidc_provider_mock.User(sub="fake", claims={"email": "mia@example.org", "email_verified": False})]  # fmt: skip
    with serving_with_sign_in(folder, users) as base:
        yield base, token


def signed_in(page, base, subject):
    page.goto(base)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("input[name=sub]")
    page.fill("input[name=sub]", subject)
    page.get_by_role("button", name="Authorize").click()


def test_nothing_is_shown_without_sign_in(site):
    with browsing() as page:
        page.goto(site[0] + "/records")
        assert "Sign in" in answer(page)
        assert not page.get_by_text("Contributions").count()


def test_api_needs_a_token_too(site):
    base, token = site
    with pytest.raises(urllib.error.HTTPError) as e:
        urllib.request.urlopen(base + "/api/v1/contributions")
    assert e.value.code == 401
    request = urllib.request.Request(
        base + "/api/v1/contributions", headers={"Authorization": f"Bearer {token}"}
    )
    assert json.load(urllib.request.urlopen(request))["contributions"]


def test_reader_sees_but_cannot_give(site):
    with browsing() as page:
        signed_in(page, site[0], "ria@example.org")
        assert "modules" in answer(page)
        page.goto(site[0] + "/records")
        page.wait_for_selector("text=ria@example.org (reader)")
        answer(page)
        assert not page.query_selector("input[type=file]")


def test_what_a_contributor_gives_waits_for_a_maintainer(site, tmp_path):
    sheet = tmp_path / "given.csv"
    sheet.write_text("builder,module,slot,shots_good\npuma,p1,igniter,700\n")
    with browsing() as page:
        signed_in(page, site[0], "cy@example.org")
        answer(page)
        page.goto(site[0] + "/records")
        page.wait_for_selector("input[type=file] >> nth=0", state="attached")
        page.set_input_files("input[type=file] >> nth=0", str(sheet))
        page.get_by_role("button", name="Check and add").click()
        page.wait_for_selector("text=waits until a maintainer accepts it")
        assert not page.get_by_role("button", name="Accept").count()
    with browsing() as page:
        signed_in(page, site[0], "mia@example.org")
        answer(page)
        page.goto(site[0] + "/records")
        page.get_by_role("button", name="Accept").click()
        page.wait_for_selector("text=puma")
        page.wait_for_function("() => !document.body.innerText.includes('waits:')")


@pytest.mark.parametrize(
    "subject, words", [("zoe@example.org", "has no role here"), ("fake", "has not verified")]
)
def test_strangers_see_nothing(site, subject, words):
    with browsing() as page:
        signed_in(page, site[0], subject)
        page.wait_for_selector(f"text={words}")
        assert not page.get_by_text("Half of the modules").count()


def test_sign_out(site):
    with browsing() as page:
        signed_in(page, site[0], "ria@example.org")
        answer(page)
        page.get_by_role("button", name="Sign out").click()
        # the provider asks too
        page.get_by_role("button", name="End session").click()
        page.wait_for_selector("text=Sign in to see")
