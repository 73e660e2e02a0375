"""Controls of a page in a real browser: which there are, changing one, and reading what the page then says."""

import csv
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs, urlencode

from playwright.sync_api import TimeoutError as Late

from reliability.ask.answers import Answer
from reliability.ask.asking import ask
from reliability.ask.questions import question_class
from reliability.ask.texts import from_texts, to_texts
from reliability.notes import BadInput, CannotAnswer
from tests.browser.changes import VIEWS

KINDS = {
    "stNumberInput": "number", "stTextInput": "text", "stCheckbox": "flag", "stSelectbox": "one", "stMultiSelect": "many",
    "stSlider": "slider", "stRadio": "radio",
}  # fmt: skip
KEEPING = {"keep_name", "keep_remark"}
"""of the form that keeps an answer: no settings of the question"""
OF_THE_PAGE = {"look", "mission", "kind"}
"""what an address says that is no setting"""
WAIT = 90_000

_FOUND = """kinds => [...document.querySelectorAll(kinds.map(k => `.stMain [data-testid="${k}"]`).join(','))].map(e => {
  const own = e.closest('[data-testid="stElementContainer"]');
  const key = own && [...own.classList].find(c => c.startsWith('st-key-'));
  return [key ? key.slice(7) : e.querySelector('[data-testid="stWidgetLabel"]').textContent.trim(), e.dataset.testid];
})"""
_SAYS = """({sentence, query, alert, more}) => {
  const plain = t => t.replace(/\\s+/g, ' ').trim();
  const main = document.querySelector('.stMain'), h = main && main.querySelector('h2');
  if (!h || document.querySelector('.stApp').dataset.testScriptState !== 'notRunning' || main.querySelector('[data-testid="stSkeleton"]')) return false;
  const all = plain(main.textContent), codes = [...main.querySelectorAll('[data-testid="stCode"]')].map(c => c.textContent);
  return (!sentence || plain(h.textContent) === plain(sentence)) && (!alert || all.includes(plain(alert)))
    && (!more || all.includes(plain(more))) && (!query || codes.some(c => c.endsWith('?' + query)));
}"""
_READS = """() => ({sentence: document.querySelector('.stMain h2').textContent,
  alerts: [...document.querySelectorAll('.stMain .stAlert')].map(e => e.textContent),
  links: [...document.querySelectorAll('.stMain [data-testid="stCode"]')].map(e => e.textContent)})"""
_SHOWN = """() => [...document.querySelectorAll('.stMain :is(h2, .stVegaLiteChart, .stDataFrame, .stCode, .stAlert)')]
  .filter(e => e.getClientRects().length && getComputedStyle(e).visibility !== 'hidden').map(e => e.className || e.textContent)"""
_REFUSED = """name => {
  const seen = e => e.getClientRects().length && getComputedStyle(e).visibility !== 'hidden';
  const main = document.querySelector('.stMain'), h = main.querySelector('h2'), all = c => [...main.querySelectorAll(c)].filter(seen);
  if (document.querySelector('.stApp').dataset.testScriptState !== 'notRunning' || all('.stVegaLiteChart, .stDataFrame, .stCode').length)
    return false;
  return seen(h) ? all('.stAlert').length && !/\\d/.test(h.textContent) : /Not answered/.test(getComputedStyle(h, '::after').content);
}"""


@dataclass(frozen=True)
class Outcome:
    """What a question is answered: a sentence, or in words why there is none."""

    answer: Answer | None
    sentence: str = ""
    refused: str = ""

    @property
    def text(self):
        return self.sentence + self.refused


def question_of(view, change=None, name=""):
    """The question that the page should ask, before a change or after it."""
    settings = {**view.base, **(change.beside if change else {})}
    if name:
        settings |= {name: change.value} if change.settings is None else change.settings
        settings |= change.page
    return question_class(view.question)(**settings)


def outcome(question, store):
    """What the library answers."""
    try:
        found = ask(question, store)
        return Outcome(found, found.sentence)
    except CannotAnswer as e:
        partial = e.partial if isinstance(e.partial, Answer) else None
        return Outcome(partial, partial.sentence if partial else "", str(e))
    except BadInput as e:
        return Outcome(None, "", str(e))


def address(view, change=None):
    """The view's address, with what goes besides."""
    more = change.beside if change else {}
    texts = {k: [f"{x:g}" if isinstance(x, float) else x for x in (v if isinstance(v, tuple) else (v,))] for k, v in more.items()}  # fmt: skip
    query = urlencode(texts, doseq=True)
    return view.path + ("" if not query else ("&" if "?" in view.path else "?") + query)


def controls(page):
    """Names of the page's controls, each with its kind."""
    return {name: KINDS[kind] for name, kind in page.evaluate(_FOUND, list(KINDS)) if name not in KEEPING}  # fmt: skip


def opened(page, base, view, change=None):
    """The view, once its answer stands."""
    page.goto(f"{base}/{address(view, change)}")
    page.wait_for_function(_SAYS, arg={"more": "What this page and its words mean"}, timeout=WAIT, polling=150)  # fmt: skip


def place_of(page, name):
    """The control's place, unfolded."""
    found = page.locator(f".st-key-{name}") if re.fullmatch(r"\w+", name) else page.locator('[data-testid="stRadio"]', has_text=name)  # fmt: skip
    found = found.first
    found.evaluate("e => { const d = e.closest('details'); if (d && !d.open) d.querySelector('summary').click(); }")  # fmt: skip
    found.scroll_into_view_if_needed()
    return found


def put(page, name, kind, value):
    """Type or pick a value, as a person does."""
    place = place_of(page, name)
    if kind in ("number", "text"):
        place.locator("input").fill(f"{value}")
        page.keyboard.press("Enter")
    elif kind == "flag":
        place.locator("label").first.click()
    elif kind == "radio":
        place.get_by_text(str(value), exact=True).click()
    elif kind == "slider":
        place.locator("input[type=range]").focus()
        page.keyboard.press("ArrowLeft")
    else:
        place.locator("input").first.click()
        page.keyboard.type(str(value))
        page.get_by_role("option", name=str(value), exact=True).first.click()


def awaited(page, wanted, question, more=""):
    """Wait until the page says what the library answers; what it says instead if it does not."""
    query = urlencode(to_texts(question), doseq=True) if wanted.answer is not None else ""
    arg = {"sentence": wanted.sentence, "query": query, "alert": wanted.refused, "more": more}
    try:
        page.wait_for_function(_SAYS, arg=arg, timeout=WAIT, polling=150)
    except Late:
        return f"wanted {arg}, the page says {page.evaluate(_READS)}"
    return ""


def column_of(page, table, column):
    """A column of a table as it is downloaded; None where it has no such column."""
    place = place_of(page, f"{table}_csv")
    with page.expect_download() as got:
        place.locator("button").first.click()
    text = Path(got.value.path()).read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines()))
    return None if rows and column not in rows[0] else [row[column] for row in rows]


def differ(shown, wanted):
    """Whether cells of a table are others than the answer's values."""

    def plain(v):
        try:
            return round(float(v), 9)
        except (TypeError, ValueError):
            return str(v)

    return len(shown) != len(wanted) or any(
        plain(a) != plain(b) for a, b in zip(shown, wanted) if a != "" or b == b
    )


def from_address(view, change, url):
    """The question of an address, with what the page itself says where the address is silent."""
    given = {k: v for k, v in parse_qs(url.partition("?")[2]).items() if k not in OF_THE_PAGE}
    schemas = question_class(view.question).settings()
    given = {k: [x for t in v for x in t.replace(",", " ").split()] if schemas[k].get("type") == "array" and k != "stress" else v for k, v in given.items()}  # fmt: skip
    base = question_class(view.question)(**{**view.base, **change.page})
    return from_texts(question_class(view.question), {**to_texts(base), **given})


def changed(page, store, view, name):
    """Change one control of a view that is open; what does not hold, in words ("" if all does)."""
    change = view.changes[name]
    kind = controls(page)[name]
    if change.leads:
        put(page, name, kind, change.value)
        led = VIEWS[change.leads]
        return awaited(page, outcome(question_of(led), store), question_of(led))
    before = outcome(question_of(view, change), store)
    if fault := awaited(page, before, question_of(view, change)):
        return f"before: {fault}"
    put(page, name, kind, change.value)
    question = question_of(view, change, name)
    wanted = outcome(question, store)
    if (wanted.text == before.text) != bool(change.says or change.column or change.why):
        return f"the sentence before: {before.text!r}, and after: {wanted.text!r}"
    if fault := awaited(page, wanted, question, change.says(wanted.answer) if change.says else ""):
        return fault
    if page.locator(".stMain [data-testid=stException]").count():
        return "an exception on the page"
    if wanted.answer is not None and from_address(view, change, page.url) != question:
        return f"the address says {page.url}, asked was {question.changed()}"
    return column_fault(page, change, before, wanted) if change.column else ""


def column_fault(page, change, before, wanted):
    """What does not hold of the column that the change moves."""
    table, column, of = change.column
    if of(wanted.answer) == of(before.answer):
        return f"the column {column} of {table} stays as it was"
    shown = column_of(page, table, column)
    if shown is None:
        return f"the table {table} has no column {column}"
    if differ(shown, of(wanted.answer)):
        return f"the table says {shown}, the answer {of(wanted.answer)}"
    return ""


def nonsense(page, name, typed, leave="Enter"):
    """Type into a field what it cannot be: it is refused, and nothing of the old answer is shown; else what is."""
    field = place_of(page, name).locator("input")
    field.focus()
    page.keyboard.press("Control+A")
    page.keyboard.type(typed)
    page.keyboard.press(leave)
    try:
        page.wait_for_function(_REFUSED, arg=name, timeout=WAIT, polling=150)
    except Late:
        return f"{typed!r} is not refused; shown are {page.evaluate(_SHOWN)[:4]}, the field holds {field.input_value()!r}"
    return ""
