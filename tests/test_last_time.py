"""What the last contributions changed: against the same question asked of the sheets that stood before.

common practice, no source.
"""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import reliability as rl
from reliability.ask import last_time as lt
from reliability.ask.deeds import Deed
from reliability.ask.giving import How, give, look
from reliability.ask.sources import Stored
from reliability.sheets.side import read_sheet
from reliability.store.intake import put
from reliability.words import shots_text

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"
QUESTION = rl.Module(slot=("main_capacitor",))


def of_files(*names, question=QUESTION):
    """The promise from these sheets by themselves, with no store."""
    return lt.promised(rl.ask(question, rl.Files(tuple(DEMO / f"life_{n}.csv" for n in names))))


@pytest.fixture
def store(tmp_path):
    out = Stored(tmp_path / "s.duckdb")
    give(out, look(DEMO / "life_kite.csv"))
    return out


def test_before_is_what_the_sheets_before_give(store):
    assert lt.last_time(QUESTION, store) is None  # nothing stood before the first
    give(store, look(DEMO / "life_lynx.csv"))
    last = lt.last_time(QUESTION, store)
    assert ([c.id for c in last.came], last.gone, last.before) == ([2], (), {1})
    assert last.answer is None and "life_lynx.csv of lynx" in last.text
    before = rl.ask(QUESTION, lt.pool_before(store, QUESTION, last))
    now = rl.ask(QUESTION, store)
    assert lt.promised(before) == pytest.approx(of_files("kite"))
    assert lt.promised(now) == pytest.approx(of_files("kite", "lynx"))
    told = lt.said(lt.replace(last, answer=before), now)
    assert f"from {shots_text(lt.promised(before))} to {shots_text(lt.promised(now))} shots" in told
    assert ("more" in told) == (lt.promised(now) > lt.promised(before))


def test_an_answer_that_was_kept_then_is_found_again_and_nothing_is_worked_out(store, monkeypatch):
    then = rl.ask(QUESTION, store)
    give(store, look(DEMO / "life_lynx.csv"))
    monkeypatch.setattr(rl.Module, "answer", lambda *a: pytest.fail("worked out"))
    last = lt.last_time(QUESTION, store)
    assert lt.promised(last.answer) == lt.promised(then)


def put_switches(store, path, ends):
    """A sheet of invented switches into the store: failed at these shots, or good where below 0."""
    rows = [
        f"fern,{path.stem}{k},switch,u{k},a,{abs(v)},{v if v > 0 else ''}"
        for k, v in enumerate(ends)
    ]
    path.write_text("\n".join(["builder,module,slot,unit,part,shots_good,shots_failed", *rows, ""]))
    put(store.box, read_sheet(path))


@pytest.mark.parametrize("lasted", [400, 9000])
def test_a_promise_that_good_units_shorten_is_told_with_the_reason(tmp_path, lasted):
    """Six ended within 2,000 to 2,800 shots. One that outlasts them by far speaks for a lower shape (the maximum-likelihood
    shape falls too, by ``life``); one of 400 shots does not."""
    store, q = Stored(tmp_path / "s.duckdb"), rl.Module()
    ends = [2000, 2150, 2300, 2450, 2600, 2800]
    put_switches(store, tmp_path / "a.csv", [*ends, -100])
    before = rl.ask(q, store)
    shape = rl.ask(rl.Life(), store).shape
    put_switches(store, tmp_path / "b.csv", [-lasted])
    now, last = rl.ask(q, store), lt.last_time(q, store)
    told = lt.said(last, now)
    far = lasted > max(ends)
    assert (lt.promised(now) < lt.promised(before) * 0.99) == far
    assert ("outlasted those that failed" in told) == far
    if far:
        assert rl.ask(rl.Life(), store).shape < shape
        assert "lives of the switch" in told and "No unit more has failed" in told


def test_a_failure_more_is_told_without_that_reason(store):
    before, now = (rl.ask(QUESTION, rl.Files((DEMO / f"life_{n}.csv",))) for n in ("kite", "nova"))
    assert lt.why_shorter(before, now) == ""


def test_a_correction_and_a_withdrawal_are_changes_too(store):
    give(store, look(DEMO / "life_lynx.csv"))
    text = (DEMO / "life_kite.csv").read_text().splitlines()
    corrected = store.path.parent / "kite2.csv"
    corrected.write_text("\n".join(text[:-6]) + "\n")
    give(store, look(corrected), how=How(supersedes=(1,)))
    last = lt.last_time(QUESTION, store)
    assert ([c.id for c in last.came], [c.id for c in last.gone], last.before) == ([3], [1], {1, 2})
    before = rl.ask(QUESTION, lt.pool_before(store, QUESTION, last))
    assert lt.promised(before) == pytest.approx(of_files("kite", "lynx"))
    store.box.decide(2, "withdrawn")
    last = lt.last_time(QUESTION, store)
    assert 2 in {c.id for c in last.gone} and "no longer counts" in last.text


def test_what_does_not_bear_on_the_question_is_no_change(store, tmp_path):
    give(store, look(DEMO / "life_lynx.csv"))
    give(store, look(DEMO / "wear.csv"))
    head, *rows = (DEMO / "life_moss.csv").read_text().splitlines(True)
    (tmp_path / "igniters.csv").write_text(head + "".join(r for r in rows if ",igniter," in r))
    igniters = give(store, look(tmp_path / "igniters.csv")).contribution.id
    assert [c.id for c in lt.last_time(QUESTION, store).came] == [2]
    assert [c.id for c in lt.last_time(rl.Module(slot=("igniter",)), store).came] == [igniters]


def deed(number, day, hour, act, contribution):
    return Deed(number, f"2026-03-{day:02d}T{hour:02d}:30:00.000+00:00", "x", act, contribution, '{"status": "accepted"}', "", "")  # fmt: skip


def test_deeds_of_one_sitting_are_one_change():
    """Two contributions on one morning, after one on the day before: both came since, by a calendar."""
    stands = lt._stands(
        [deed(1, 1, 9, "give", 1), deed(2, 2, 9, "give", 2), deed(3, 2, 9, "give", 3), deed(4, 2, 15, "withdraw", 9)]
    )  # fmt: skip
    assert lt._last_change(stands, lambda s: s) == ("2026-03-02T09:30:00.000+00:00", {1})
    assert lt._last_change(stands[:2], lambda s: s & {1}) is None


def test_the_front_page_says_it_in_a_line_and_works_it_out_only_when_opened(store, monkeypatch):
    monkeypatch.setenv("SHOTLIFE_STORE", str(store.path))
    monkeypatch.chdir(ROOT)
    give(store, look(DEMO / "life_lynx.csv"))

    def page():
        return AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120).run()

    app = page()
    (fold,) = [e for e in app.expander if e.label.startswith("Since last time")]
    assert "went from" not in fold.label and "life\\_lynx.csv" in fold.label
    before, now = (rl.ask(rl.Module(), rl.Files(tuple(DEMO / f"life_{n}.csv" for n in names)))
                   for names in (("kite",), ("kite", "lynx")))  # fmt: skip
    app.session_state["since"] = True
    app.run()
    frame = next(d.value for d in app.dataframe if "promised before" in d.value.columns)
    assert frame.loc[0, ["promised before", "promised now"]].tolist() == pytest.approx(
        [before.life.lower, now.life.lower]
    )
    (fold,) = [e for e in app.expander if e.label.startswith("Since last time")]
    assert not app.exception
