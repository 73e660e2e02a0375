"""What the commands share: the options of a question, sources, output, errors in words."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from reliability.notes import BadInput, CannotAnswer, Note
from reliability.words import bench_cell

MOST_CITED = 12
DECORATOR = Callable[[Callable[..., Any]], Callable[..., Any]]


def explain(error: Exception) -> int | None:
    """Say an expected error in words on stderr; its exit code, or None if it is not expected."""
    kinds = {c.__name__ for c in type(error).__mro__}  # by name: their modules take long to import
    if "SheetError" in kinds:
        assert hasattr(error, "faults")
        for fault in error.faults[:10000]:
            click.echo(str(fault), err=True)
        if len(error.faults) > 10000:
            click.echo(f"... and {len(error.faults) - 10000} more faults", err=True)
        n = len(error.faults)
        click.echo(f"{n} fault{'s' if n != 1 else ''}; nothing was used or stored", err=True)
        return 2
    if isinstance(error, CannotAnswer):
        click.echo(str(error), err=True)
        return 3
    if kinds & {"BadInput", "InvalidRecords", "StoreError"}:
        click.echo(f"Error: {error}", err=True)
        return 2
    if isinstance(error, MemoryError):
        click.echo("Error: not enough memory for so many records", err=True)
        return 2
    return None


def options(*parts: DECORATOR) -> DECORATOR:
    """Several option decorators as one, in reading order."""

    def apply(f: Callable[..., Any]) -> Callable[..., Any]:
        for part in reversed(parts):
            f = part(f)
        return f

    return apply


store_option = click.option(
    "--store", type=click.Path(path_type=Path, dir_okay=False), default=None,
    help="Store file (default: in the user data folder, or $SHOTLIFE_STORE).",
)  # fmt: skip
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
files_option = click.option(
    "--from", "files", multiple=True, type=click.Path(path_type=Path),
    help="Work on this sheet or bundle instead of the store; may be repeated.",
)  # fmt: skip
fresh_option = click.option(
    "--fresh", is_flag=True, help="Work it out anew, even where the store keeps the answer."
)


keep_options = options(
    click.option("--keep-as", metavar="NAME", help="Keep this answer in the store as a decision of that name."),
    click.option("--remark", metavar="TEXT", help="Why, kept with it."),
)  # fmt: skip


def source(store: Path | None, files: Sequence[Path]) -> Any:
    """The source that the options name."""
    from reliability.ask.sources import Files, Stored

    if files:
        if store is not None:
            raise BadInput("--store has no effect here: --from reads files")
        return Files(tuple(files))
    return Stored(store) if store is not None else Stored.default()


def setting_options(schemas: dict[str, dict[str, Any]], required: Sequence[str] = ()) -> DECORATOR:
    """Options for settings of a question; they are read as texts, by the question itself."""
    from reliability.ask.texts import is_flag, option

    out = []
    for name, schema in schemas.items():
        given: dict[str, Any] = {"help": _help(name, schema), "default": None}
        if is_flag(schema):
            given |= {"is_flag": True, "default": False}
        else:
            given |= {
                "metavar": schema.get("hint") or _metavar(schema),
                # once too often is refused by the question, rather than the last taken in silence
                "multiple": True,
                "default": (),
            }
        if name in required:
            given["help"] += "  [required]"
        out.append(click.option(option(name), name, **given))
    return options(*out)


def _metavar(schema: dict[str, Any]) -> str:
    from reliability.decisions.question import core

    kind = core(schema)
    if "enum" in kind:
        return "|".join(kind["enum"])
    return {"number": "NUMBER", "integer": "N"}.get(str(kind.get("type")), "TEXT")


def _help(name: str, schema: dict[str, Any]) -> str:
    from reliability.ask.texts import is_flag, is_list

    text = str(schema.get("description", name))
    unit = schema.get("unit")
    if unit and unit not in text:
        text = f"{text[:-1] if text.endswith('.') else text}, in {unit}."
    if is_list(schema):
        text += " May be repeated."
    default = schema.get("default")
    if default not in (None, "", [], False) and not is_flag(schema):
        shown = default if not isinstance(default, float) else f"{default:.4g}"
        text += f"  [default: {', '.join(map(str, shown)) if isinstance(shown, list) else shown}]"
    return text


def texts_of(given: dict[str, Any], schemas: dict[str, Any]) -> dict[str, list[str]]:
    """What was given on the command line, as the texts a question reads."""
    out = {}
    for name in schemas:
        value = given.get(name)
        if value is True:
            out[name] = ["true"]
        elif isinstance(value, tuple) and value:
            out[name] = list(value)
        elif isinstance(value, str):
            out[name] = [value]
    return out


def question_command(
    name: str, show: Callable[[Any], None], pick: Callable[[dict[str, Any]], str] | None = None,
    others: Sequence[str] = (), extra: DECORATOR | None = None, after: Callable[..., None] | None = None,
) -> click.Command:  # fmt: skip
    """A command that asks a question and shows its answer.

    Parameters
    ----------
    name : str
        Of the command and its main question.
    show : callable
        Prints an answer in words.
    pick : callable, optional
        Name of the question to ask, from the options given; ``others`` are those it may pick.
    extra : decorator, optional
        Further options, handed to ``after(answer, source, question, **extra)``.
    """
    from reliability.ask.questions import QUESTIONS, question_class

    classes = [question_class(n) for n in (name, *others) if n in QUESTIONS]
    schemas: dict[str, dict[str, Any]] = {}
    for c in classes:
        schemas |= {k: v for k, v in c.settings().items() if k not in schemas}
    required = [
        k for k, f in classes[0].model_fields.items() if f.is_required() and len(classes) == 1
    ]

    def command(
        store: Path | None, files: tuple[Path, ...], fresh: bool, as_json: bool, keep_as: str | None,
        remark: str | None, **given: Any,
    ) -> int:  # fmt: skip
        from reliability.ask.texts import from_texts

        cls = question_class(pick(given)) if pick else classes[0]
        texts = texts_of(given, schemas)
        _refuse_foreign(cls, texts)
        question = from_texts(cls, texts)
        more = {k: v for k, v in given.items() if k not in schemas}
        origin = source(store, files)
        return run(question, origin, show, fresh, as_json, _keeping(keep_as, remark, files, after), more)  # fmt: skip

    command.__doc__ = classes[0].__doc__ if len(classes) == 1 or pick is None else None
    decorate = options(
        store_option, files_option, setting_options(schemas, required), *([extra] if extra else []),
        fresh_option, keep_options, json_option,
    )  # fmt: skip
    doc = (classes[0].__doc__ or "").split("\n    Examples\n")[0]
    return click.command(name, help=doc)(decorate(command))


def _keeping(
    name: str | None, remark: str | None, files: Sequence[Path], after: Callable[..., None] | None
) -> Callable[..., None] | None:
    """What is done after an answer, keeping it first if that is wanted. Raises BadInput."""
    if name is None:
        if remark is not None:
            raise BadInput("--remark has no effect here: it goes with --keep-as")
        return after
    if files:
        raise BadInput("a decision is kept in a store; --keep-as does not go with --from")

    def keep(answer: Any, origin: Any, question: Any, **more: Any) -> None:
        from reliability.ask.decided import keep_decision

        kept = keep_decision(origin, answer, name, remark or "", who_runs())
        click.echo(f"kept as decision {kept.number}, {kept.name}", err=True)
        if after is not None:
            after(answer, origin, question, **more)

    return keep


def _refuse_foreign(cls: Any, texts: dict[str, list[str]]) -> None:
    """An option that the question asked does not have would have no effect. Raises BadInput."""
    from reliability.ask.texts import option

    foreign = [k for k in texts if k not in cls.settings()]
    if foreign:
        raise BadInput(
            f"{option(foreign[0])} has no effect here: {cls.text[0].lower()}{cls.text[1:]}"
        )


def run(
    question: Any, origin: Any, show: Callable[[Any], None], fresh: bool, as_json: bool,
    after: Callable[..., None] | None, more: dict[str, Any],
) -> int:  # fmt: skip
    """Ask, show, and give the exit code."""
    from reliability.ask.asking import ask
    from reliability.ask.sources import Files

    if fresh and isinstance(origin, Files):
        raise BadInput("--fresh has no effect here: no answer is kept for files")
    try:
        answer, why = ask(question, origin, fresh=fresh), ""
    except CannotAnswer as e:
        if e.partial is None:
            if as_json:
                emit_json(_nothing(question, e))
            raise
        answer, why = e.partial, str(e)  # type: ignore[assignment]
    if why:
        click.echo(why, err=True)
    try:
        if as_json:
            emit_json(answer)
        else:
            _tell(answer, show)
    finally:
        # last, so that an answer is shown even where it cannot be kept; and also where nobody reads on
        if after is not None:
            after(answer, origin, question, **more)
    return 3 if why or not answer.answered else 0


def _tell(answer: Any, show: Callable[[Any], None]) -> None:
    """An answer in words."""
    click.echo(answer.sentence)
    show(answer)
    emit_notes(answer.notes)
    emit_citations(answer.basis.citations)


def _nothing(question: Any, why: CannotAnswer) -> dict[str, Any]:
    """The JSON of a question that the data cannot answer: the answer's keys, null or empty but what was asked."""
    note = {"code": "cannot_answer", "text": str(why)}
    asked = question.asked()
    blank = _blank(question.answer_type)
    known = {k: asked[k] for k in blank if k in asked}
    more = {"notes": [note], "asked": asked, "basis": why.basis}
    return {"sentence": str(why), **blank, **known, **more}


def _blank(cls: Any) -> dict[str, Any]:
    """A dataclass without content."""
    import dataclasses
    import typing

    hints = typing.get_type_hints(cls)
    out: dict[str, Any] = {}
    for f in dataclasses.fields(cls):
        hint = hints[f.name]
        if dataclasses.is_dataclass(hint):
            out[f.name] = _blank(hint)
        else:
            out[f.name] = [] if typing.get_origin(hint) is tuple else None
    return out


filter_options = options(
    store_option,
    files_option,
    click.option("--slot", multiple=True, help="Only this slot; may be repeated."),
    click.option("--part", multiple=True, help="Only this part; may be repeated."),
    click.option("--builder", multiple=True, help="Only this builder; may be repeated."),
    click.option("--where", multiple=True, metavar="COLUMN=VALUE",
                 help="Only records for which this holds; also <= >= < > !=; may be repeated."),
    click.option("--received", is_flag=True, help="Include contributions that wait to be accepted."),
)  # fmt: skip


def reading_terms(given: dict[str, Any], origin: Any) -> Any:
    """What was said of a file by the options ``reading_options``: a mapping, answers, agreement."""
    from reliability.ask.giving import Terms, known_names
    from reliability.ask.mappings import BenchMapping, load_mapping, parse_answers, parse_columns

    name = given["mapping"]
    mapping = load_mapping(name) if name else BenchMapping()
    named = parse_columns(given["columns"])
    for section, entries in named.answers.items():
        mapping = mapping.with_answers({f"{section}:{k}": v for k, v in entries.items()})
    mapping = mapping.with_answers(parse_answers(given["answers"]))
    columns = tuple(named.answers.get("columns", {}))
    return Terms(mapping, given["agree"], known_names(origin), columns)


reading_options = options(
    click.option("--agree", is_flag=True, help="Agree with every suggestion and change that 'check' shows."),
    click.option("--answer", "answers", multiple=True, metavar="QUESTION=ANSWER",
                 help="Answer one question by its name, such as 'decimal:shots=,'; may be repeated."),
    click.option("--column", "columns", multiple=True, metavar="THEIRS=OURS",
                 help="A column of the file under its life sheet name; or OURS:=VALUE for all rows; may be repeated."),
    click.option("--mapping", metavar="NAME|FILE.json", help="Use what was agreed on before."),
)  # fmt: skip


def who_runs() -> str:
    """Whose hands a command is in, for the log of deeds: the account's name."""
    import getpass

    try:
        return f"{getpass.getuser()} (command line)"
    except (OSError, KeyError):
        return "command line"


def emit_json(answer: Any) -> None:
    """Print an answer as JSON."""
    from reliability.ask.plain import plain

    click.echo(json.dumps(plain(answer), indent=1, allow_nan=False))


def emit_findings(found: Sequence[Any]) -> None:
    """Print quality findings."""
    for f in found:
        rows = (
            f" (rows {', '.join(map(str, f.rows[:8]))}{' ...' if len(f.rows) > 8 else ''})"
            if f.rows
            else ""
        )
        click.echo(f"  {f.severity}: {f.text}{rows} [{f.code}]")


def emit_notes(notes: Sequence[Note]) -> None:
    """Print notes below an answer."""
    import textwrap

    if notes:
        click.echo("\nNotes")
    for n in notes:
        click.echo(
            textwrap.fill(
                f"{n.text} [{n.code}]", 96, initial_indent="  - ", subsequent_indent="    "
            )
        )


def emit_citations(cited: Sequence[Any]) -> None:
    """Print whom an answer owes its data; all of them stand in its JSON."""
    if cited:
        click.echo("\nRests on")
    for c in cited[:MOST_CITED]:
        click.echo(f"  - {c.text}")
    if len(cited) > MOST_CITED:
        click.echo(f"  - and {len(cited) - MOST_CITED} more; --json lists all")


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A plain text table; columns of numbers are set right."""
    cells = [list(map(str, head)), *[list(map(str, r)) for r in rows]]
    width = [max(len(r[i]) for r in cells) for i in range(len(head))]
    numeric = [
        all((r[i][:1].isdigit() or r[i][:1] in "-.~" or not r[i]) for r in cells[1:])
        for i in range(len(head))
    ]
    lines = []
    for r in cells:
        lines.append(
            "  ".join(
                c.rjust(w) if n else c.ljust(w) for c, w, n in zip(r, width, numeric)
            ).rstrip()
        )
    lines.insert(1, "  ".join("-" * w for w in width))
    return "\n".join("  " + line for line in lines)


def number(value: float, digits: int = 4) -> str:
    """A number for a table; '-' where there is none."""
    if value != value or value in (float("inf"), float("-inf")):
        return "-"
    return f"{value:,.{digits}g}" if abs(value) < 1e6 else f"{value:,.0f}"


def show_siblings(slots: Sequence[Any]) -> None:
    """What slots alone would be promised if their units failed as their siblings do, where that can be said."""
    told = [s for s in slots if s.as_siblings is not None]
    if told:
        click.echo("\nSlots alone, by their siblings (a second figure, never the promise)")
    for s in told:
        click.echo(f"  {s.slot}: {s.as_siblings.text}")


def show_more(tests: Sequence[Any], then: dict[str, str]) -> None:
    """What would help most, where anything was found to; ``then``: what it makes of the answer, by head of column."""
    if not tests:
        return
    click.echo("\nWhat would help most: tests without failure, most shots gained a bench day first")
    rows = [
        [t.what, f"{t.shots:,.0f}", bench_cell(t.days), number(t.survives_it, 2),
         *(number(getattr(t, name)) for name in then.values()), number(t.gain_a_day, 3)]
        for t in tests
    ]  # fmt: skip
    click.echo(table(["what", "shots", "bench", "lasts it", *then, "gain a day"], rows))


def show_found(found: Sequence[Any]) -> None:
    """What would help without the bench, where anything would; the promise is the mean over what may be found."""
    if not found:
        return
    click.echo(
        "\nWithout the bench: causes found out, records completed, sources; most shots gained first"
    )
    rows = [[f.what, number(f.longer, 2), number(f.promise), number(f.gain, 3)] for f in found]
    click.echo(table(["found out", "longer with", "in the mean", "gain"], rows))


def show_opinion(found: Any) -> None:
    """The second opinion, where it was asked for."""
    if (said := found.second_opinion) is not None:
        click.echo(f"\nSecond opinion\n  {said.sentence}")
        for n in said.notes:
            click.echo(f"  - {n.text}")
