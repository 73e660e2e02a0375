"""Pairs of controls on every page: no exception. All pairs and 50 random stores: tests/benchmarks/filters.py.

common practice, no source.
"""

import random

import pytest

from tests.benchmarks.filters import PAGES, demo_store, pair_faults, random_store


@pytest.fixture(scope="module")
def stores(tmp_path_factory):
    folder = tmp_path_factory.mktemp("filters")
    demo_store(folder / "demo.duckdb")
    random_store(folder / "random.duckdb", 3)
    return folder


@pytest.mark.parametrize("name", ["demo", "random"])
@pytest.mark.parametrize("page", [p for p in PAGES if p not in ("records", "guide")])
def test_pairs_of_controls_raise_nothing(page, name, stores, monkeypatch):
    monkeypatch.setenv("SHOTLIFE_STORE", str(stores / f"{name}.duckdb"))
    tried, faults = pair_faults(stores / f"{name}.duckdb", page, 2, random.Random(7))
    assert faults == [] and tried >= 0
