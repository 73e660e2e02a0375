"""Wrong values for each setting of each page's questions, made from the settings themselves."""

from collections.abc import Iterator

import dashboard.controls as controls
from reliability.ask.questions import question_class
from reliability.decisions.question import LONGEST, core

QUESTIONS = {
    "my_module.py": {"module": {}, "flight": {"look": "a module on record"}},
    "life_curves.py": {"life": {}},
    "history.py": {"history": {}},
    "failure_modes.py": {"modes": {}},
    "wear.py": {"wear": {}},
    "misfires.py": {"misfires": {}},
    "derating.py": {"derate": {}, "derate_mission": {"kind": "mission"}},
    "comparison.py": {"compare": {}},
    "flight.py": {"flight": {}},
    "campaign.py": {"next_test": {}, "demonstrate": {"kind": "demonstrate"}, "accelerate": {"kind": "accelerate"}},
    "builders.py": {"builders": {}},
}  # fmt: skip
"""page: its questions, each with what the address says to come to it"""
BESIDE = {
    ("flight", "leg"): {"shots": "500"}, ("compare", "first"): {"second": "film-a"}, ("compare", "second"): {"first": "film-a"},
    ("derate_mission", None): {"shots": "500"},
}  # fmt: skip
"""what a setting needs beside it to be looked at"""
HIDDEN = {"a NUL": "kite\0", "a mark that turns the text": "\u202eetik", "a mark without width": "ki\u200bte"}  # fmt: skip


def wrong(schema: dict) -> dict[str, list[str]]:
    """What is wrong: the texts that an address may hold for a setting of this schema."""
    one, many = core(schema), schema.get("type") == "array"
    found = {"nonsense": ["zz"], "empty": [""], "very long": ["x" * (LONGEST + 1)]}
    found |= {what: [text] for what, text in HIDDEN.items()}
    found["repeated"] = ["1"] * (schema["maxItems"] + 1 if many else 2)
    kind = one.get("type")
    if kind in ("number", "integer"):
        found |= {
            "no number": ["nan"],
            "endless": ["inf"],
            "too long for a number": ["1e400"],
            "another type": ["true"],
        }
        found |= {"a comma": ["1;5"], "digits of another script": ["\u0661\u0662"], "hexadecimal": ["0x10"]}  # fmt: skip
        low, high = (
            one.get(k, one.get(f"exclusive{k.capitalize()}")) for k in ("minimum", "maximum")
        )
        found |= {} if low is None else {"below its range": [f"{low - 1:g}"]}
        found |= {} if high is None else {"above its range": [f"{float(high) * 1.5 + 1:.17g}"]}
        if kind == "integer":
            found["no whole number"] = ["2.5"]
    if kind == "boolean":
        found |= {"another type": ["1"], "another word": ["yes"]}
    if schema.get("of"):
        found["another column's name"] = ["25.0"]
        found["no unit of this name"] = ["kite/kite-01/igniter/mai1"]
    return found  # fmt: skip


def refused_at_once(page: str, name: str, texts: list[str]) -> str:
    """What ``read_address`` says of a setting, "" where it lets it pass."""
    said: list[str] = []

    class Query(dict):
        def get_all(self, key):
            return list(self.get(key, []))

    class Screen:
        query_params = Query({name: texts})
        session_state = {"turned": True}  # noqa: RUF012

        @staticmethod
        def error(text):
            said.append(text)

        @staticmethod
        def stop():
            raise StopIteration

    usual, controls.st = controls.st, Screen
    try:
        controls.read_address(
            *(question_class(q) for q in QUESTIONS[page]), also=("look", "kind", "mission")
        )
    except StopIteration:
        pass
    finally:
        controls.st = usual
    return said[0] if said else ""


def links() -> Iterator[tuple[str, str, str, str, list[str]]]:
    """Page, question, setting, what is wrong, and the texts, for every setting of every page."""
    for page, questions in QUESTIONS.items():
        for question in questions:
            for name, schema in question_class(question).settings().items():
                for what, texts in wrong(schema).items():
                    yield page, question, name, what, texts


def address(page: str, question: str, name: str, texts: list[str]) -> dict[str, list[str]]:
    """The whole address that brings a wrong setting to its question."""
    more = {**QUESTIONS[page][question], **BESIDE.get((question, None), {}), **BESIDE.get((question, name), {})}  # fmt: skip
    return {k: [v] for k, v in more.items() if k != name} | {name: texts}
