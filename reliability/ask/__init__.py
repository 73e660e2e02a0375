"""The one door for shells: ask a question of a store or of files, and get its answer.

Command line, API, dashboard and report import this package, the figures and the words, and nothing
below. A number is worked out once, here, whoever asks.

``reliability.ask`` is both this package and the call ``reliability.ask(question, source)``: importing
a part of the package binds its name in ``reliability``, so the package itself answers calls.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _Door(ModuleType):
    """This package, callable as ``asking.ask``."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        from reliability.ask.asking import ask

        return ask(*args, **kwargs)


sys.modules[__name__].__class__ = _Door
