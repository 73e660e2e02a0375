"""Pictures that were made lately: of the same answer they are made once, however many look at it."""

from __future__ import annotations

import functools
import hashlib
import json
import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import Answer
from reliability.pool import Basis

MOST = 64
_TURN = threading.Lock()
_DRAWING = threading.Lock()
_FIGURES: OrderedDict[tuple[object, ...], tuple[tuple[object, ...], Any]] = OrderedDict()
_SPECS: OrderedDict[int, tuple[Any, str]] = OrderedDict()


def once(make: Callable[..., Any]) -> Callable[..., Any]:
    """The same function; called with the same values again it gives the picture made before.

    Answers are the same where they say the same, whatever the contributions they name; other values where
    they are plain and equal, or the same object.
    """

    @functools.wraps(make)
    def made(*values: Any, **named: Any) -> Any:
        given = (*values, *named.items())
        key = (make.__name__, *(_mark(v) for v in given))
        with _TURN:
            found = _FIGURES.get(key)
        if found is not None:
            return found[1]
        figure = make(*values, **named)
        with _TURN:
            # the values are held as well, so that no other object can have their place in memory
            _FIGURES[key] = (given, figure)
            while len(_FIGURES) > MOST:
                _FIGURES.popitem(last=False)
        return figure

    return made


def _mark(value: Any) -> object:
    """What tells a value from others: what it says, else its place in memory."""
    if isinstance(value, (str, int, float, bool, type(None))):
        return value
    if isinstance(value, (list, tuple)):
        return (type(value).__name__, *(_mark(v) for v in value))
    if isinstance(value, Answer):
        return hashlib.sha256(repr(replace(value, basis=Basis())).encode()).digest()
    return ("object", id(value))


def _rows(data: Any) -> Any:
    """A table as rows, what is no number left empty: as the library's own way, at a tenth of its time."""
    if not isinstance(data, pd.DataFrame):
        return alt.default_data_transformer(data)
    alt.limit_rows(data)
    columns = [
        [None if isinstance(v, float) and not math.isfinite(v) else v for v in column.tolist()]
        for _, column in data.items()
    ]
    names = [str(name) for name in data.columns]
    return {"values": [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]}


alt.data_transformers.register("rows", _rows)


def spec(figure: Any) -> dict[str, Any]:
    """A picture as Vega-Lite, sizes left to the page; a copy of its own for whoever asks.

    The form is not validated here, which takes most of the time: the tests do that for every picture.
    """
    found = _SPECS.get(id(figure))
    if found is None:
        with _DRAWING, alt.theme.enable("none"), alt.data_transformers.enable("rows"):
            text = json.dumps(figure.to_dict(validate=False))
        with _TURN:
            found = _SPECS[id(figure)] = (figure, text)
            while len(_SPECS) > MOST:
                _SPECS.popitem(last=False)
    return dict(json.loads(found[1]))
