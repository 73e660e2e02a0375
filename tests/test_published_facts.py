"""Published facts and sourced priors: arithmetic of their sources, and what they may be used for."""

import dataclasses

import numpy as np
import pytest

from reliability.ask.answers import Life
from reliability.ask.asking import ask
from reliability.ask.sources import demo
from reliability.decisions.named_prior import prior_for
from reliability.notes import BadInput, CannotAnswer
from reliability.published_facts import (
    facts,
    note_on_published,
    published_records,
    sourced_priors,
)
from reliability.words import shots_text

KELVIN, BOLTZMANN = 273.15, 8.617333262e-5


def test_every_fact_is_a_record_or_says_why_not():
    assert len(facts()) >= 5
    for f in facts():
        assert f.source and f.says and bool(f.rows) != bool(f.why_not)
    assert all(f.caution for f in facts() if f.rows)


def test_records_stand_apart():
    """EO-1: over 96,000 pulses in orbit, no harm seen (NASA abstract, read)."""
    r, used = published_records("main_capacitor")
    assert set(r.builder) == {"published"} and r.right.all() and r.shots_good[0] == 96000
    assert "chose to publish" in note_on_published(used).text
    assert "EO-1" in used[0].citation.text
    with pytest.raises(CannotAnswer):
        published_records("valve")


def test_facts_are_values():
    with pytest.raises(dataclasses.FrozenInstanceError):
        facts()[0].id = "x"


def test_priors_say_what_their_sources_say():
    """MIL-PRF-39001: 25 to 1 at 150 %; military general specification for ceramic chips: 8 to 1 at 200 %;
    Kong & Lee (2004): half for every 8 degrees C; SLAC-PUB-14112: 13.1."""
    assert prior_for("mica", "power", "charge_V").mean == pytest.approx(
        np.log(25) / np.log(1.5), abs=0.005
    )
    ceramic = prior_for("ceramic", "power", "charge_V")
    assert abs(np.log2(8) - ceramic.mean) < ceramic.sd
    t = np.array([25.0, 33.0]) + KELVIN
    energy = np.log(2) / (1 / (BOLTZMANN * t[0]) - 1 / (BOLTZMANN * t[1]))
    assert prior_for("film", "arrhenius", "temp_C").mean == pytest.approx(energy, abs=0.005)
    assert prior_for("film-metallised", "power", "charge_V").mean == 13.1


def test_reversal_by_ratio_and_by_quality():
    """(20/85)^1.6 is a tenth (practitioners' list, read); by Q = -pi / (2 ln reversal) it is a fortieth."""
    n = prior_for("film-reversal", "power", "reversal").mean
    assert (0.20 / 0.85) ** n == pytest.approx(0.1, abs=0.005)
    q = -np.pi / (2 * np.log(np.array([0.20, 0.85])))
    assert (q[0] / q[1]) ** n == pytest.approx(1 / 40, rel=0.05)


def test_every_prior_owns_its_choices():
    assert all(p.choice and p.source for p in sourced_priors())
    with pytest.raises(BadInput, match="allowed: ceramic, mica, film"):
        prior_for("paper", "power", "charge_V")


DEMO = demo()


def life(**settings):
    return ask(Life(slot=("main_capacitor",), bound="likelihood", as_tested=True, **settings), DEMO)


def test_they_are_used_only_when_asked_and_say_how_far_they_move_the_bound():
    without, with_them = life(), life(with_published=True)
    assert without.basis.published == () and "published_facts" not in {
        n.code for n in without.notes
    }
    assert with_them.n == without.n + 1 and "EO-1" in with_them.basis.citations[-1].text
    text = with_them.notes[0].text
    assert with_them.notes[0].code == "published_facts"
    for a in (without, with_them):
        assert shots_text(a.quantiles[0].lower) in text
    assert without.sentence in text


def test_they_are_refused_where_they_would_have_no_effect():
    with pytest.raises(BadInput, match="no effect here"):
        ask(Life(slot=("igniter",), with_published=True), DEMO)
    with pytest.raises(BadInput, match="no effect here"):
        ask(Life(builder=("kite",), with_published=True), DEMO)
