"""Stores where nothing can be written, and links in their place: by the attacks on them (tests/benchmarks)."""

from tests.benchmarks.attacks import places


def test_a_store_that_cannot_be_written_is_read_and_nothing_else():
    tried = list(places.cannot_be_written())
    assert len(tried) > 10
    assert not [(what, seen) for what, held, seen in tried if not held]


def test_links_and_pipes_lead_nowhere_else(tmp_path):
    assert not [(what, seen) for what, held, seen in places.links(tmp_path) if not held]
