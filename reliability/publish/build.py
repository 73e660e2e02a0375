"""The site as files: every page from one template, the drawing program once, downloads beside them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from reliability.citations import Citation
from reliability.notes import BadInput
from reliability.publish.figures import drawing_program, settled
from reliability.publish.page import Page
from reliability.publish.standing import (
    RECIPE,
    citations_page,
    contribute_page,
    dictionary_page,
    recipe_page,
    template,
)

FRONT = "index"
PROGRAM = "assets/figures.js"
LIST = "assets/files.txt"
CAUTION = (
    "High voltage stays in capacitors after power-off. Discharge and short every bank before touching it, keep one "
    "hand away, use current-limited supplies. Vacuum and the decomposition products of fluoropolymers harm: "
    "ventilate. Local codes, the launch provider and licensed practice come first."
)


@dataclass(frozen=True)
class SiteAbout:
    """What the site says of itself.

    Attributes
    ----------
    title : str
    licence_text : str
        Under what the pool may be used, as a sentence (``licences.combine``).
    state : str
        State of the data, such as the store's version; never the time of the build.
    contributions : tuple of Citation
    """

    title: str
    licence_text: str
    state: str
    contributions: tuple[Citation, ...] = ()


@cache
def _environment() -> Any:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    made = Environment(loader=FunctionLoader(_template), autoescape=True, undefined=StrictUndefined)
    made.filters["held"] = _held
    return made


def _held(text: str) -> str:
    """The text, its numbers kept beside their percent sign or volts at the end of a line."""
    return text.replace(" %", "\u00a0%").replace(" V ", "\u00a0V ")


def _template(name: str) -> str:
    return resources.files("reliability.publish").joinpath("templates", name).read_text("utf-8")


def _sized(count: int) -> str:
    if count < 1000:
        return f"{count} bytes"
    return f"{count / 1e3:.1f} kB" if count < 1e6 else f"{count / 1e6:.1f} MB"


def _page(page: Page, pages: Sequence[Page], about: SiteAbout, given: Mapping[str, bytes]) -> bytes:
    from markupsafe import Markup

    figures = [
        # settled() leaves no "<" in it, so it may stand in the page as it is
        {"title": f.title, "description": f.description, "json": Markup(settled(f.spec, f.title))}
        for f in page.figures
    ]
    html = _environment().get_template("page.html").render(
        page=page, pages=pages, about=about, figures=figures, css=Markup(_template("site.css")),
        program=PROGRAM, caution=CAUTION,
        downloads=[
            {"path": p, "size": _sized(len(given[p]))}
            for p in (given if page.name == FRONT else page.files)
        ],
    )  # fmt: skip
    return str(html).encode()


def site(
    pages: Sequence[Page], about: SiteAbout, downloads: Mapping[str, bytes] | None = None,
    program: bytes | None = None,
) -> dict[str, bytes]:  # fmt: skip
    """The files of the site by path; same values, same bytes.

    Parameters
    ----------
    pages : sequence of Page
        The first is the front page and must be named ``index``; it lists the downloads.
    about : SiteAbout
    downloads : mapping of path to bytes, optional
        Bundle, Parquet, CSV; given under ``data/``.
    program : bytes, optional
        What draws the figures, if it is there already (``figures.drawing_program``).

    Raises
    ------
    BadInput
        If no page is named index, two share a name, or a figure fetches data.
    """
    given = {f"data/{name}": content for name, content in sorted((downloads or {}).items())}
    given |= {"data/template.csv": template(), "data/publish.sh": RECIPE.encode()}
    every = [
        *pages, dictionary_page(), contribute_page(), recipe_page(), citations_page(about.contributions),
    ]  # fmt: skip
    names = [p.name for p in every]
    if names[0] != FRONT or len(set(names)) < len(names):
        raise BadInput(
            f"the first page is named index and no name stands twice; here: {', '.join(names)}"
        )
    out = {f"{p.name}.html": _page(p, every, about, given) for p in every}
    if any(p.figures for p in every):
        out[PROGRAM] = program or drawing_program()
    out |= given
    listed = [f"{hashlib.sha256(c).hexdigest()}  {p}" for p, c in sorted(out.items())]
    return {**out, LIST: ("\n".join(listed) + "\n").encode()}


def total_size(files: Mapping[str, bytes]) -> int:
    """Bytes of the whole site."""
    return sum(map(len, files.values()))


def _listed(folder: Path) -> set[str]:
    """Files of the site that lies in the folder already, by its own list."""
    try:
        lines = (folder / LIST).read_text("utf-8").splitlines()
    except FileNotFoundError:
        return set()
    paths = {line.partition("  ")[2] for line in lines}
    return {p for p in paths if p and not Path(p).is_absolute() and ".." not in Path(p).parts}


def write_site(files: Mapping[str, bytes], folder: Path) -> None:
    """Write the site into a folder that is new, empty, or holds an earlier site.

    Files of the earlier site that the new one has not are removed; nothing else is touched.

    Raises
    ------
    BadInput
        If the folder holds anything but a site, or cannot be written.
    """
    try:
        if folder.is_dir() and any(folder.iterdir()) and not (folder / LIST).is_file():
            raise BadInput(f"{folder} is not empty and holds no site; name a new folder")
        for stale in _listed(folder) - set(files):
            (folder / stale).unlink(missing_ok=True)
        for path, content in files.items():
            target = folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            draft = target.with_name(target.name + ".part")
            draft.write_bytes(content)
            draft.replace(target)
    except OSError as e:
        raise BadInput(f"cannot write {folder}: {e.strerror}") from None
