"""What the headers of benches' tables mean. The wordings are invented, such as builders use them; no source."""

from pathlib import Path

import pytest

from reliability.sheets.bench.headers import header_of
from reliability.sheets.bench.languages import COLUMNS as FURTHER
from reliability.sheets.bench.proposal import propose
from reliability.sheets.bench.vocabulary import AMBIGUOUS, COLUMN_WORDS, COLUMNS, plain

WORDED = {
    "shots_good": "Shots last OK|Last shot working|Count at last check OK|Latest count still alive|Last seen working (shots)|"
    "Good [shots]|ShotsLastGood|Letzter guter Schuss|Zuletzt ok bei|Letzter Zählerstand i.O.|Noch gut bei Schuss|"
    "Dernier tir OK|Tirs au dernier contrôle OK|Dernier contrôle bon (tirs)|Último disparo bueno|Último control correcto|"
    "Disparos buenos|Not failed until shot|Last shot before failure",
    "shots_failed": "Shots dead|Shot when it failed|Pulses at failure|Found dead at shot|Failed [shots]|Shot # failed|"
    "Shots not OK at|Shot no. at death|Schüsse bis Ausfall|Defekt bei Schuss|Schuss-Nr. bei Ausfall|Ausfallschuss|"
    "Anzahl Schüsse bis Defekt|Mort au tir|Nombre de tirs à la panne|Disparos hasta el fallo|Disparos al fallar|"
    "N.º de disparos hasta la avería",
    "unit": "Cap S/N|Capacitor serial #|Cap #|Igniter ID|Plug S/N|Kondensator-Nr.|Serien-Nr. Kondensator|Prüflings-Nr.|"
    "Kondensatornummer|N° de condensateur|Numéro de série du condensateur|N.º de condensador|Núm. de serie condensador",
    "mode": "What died|Why it failed|Reason for failure|Ausfallursache|Was ist kaputt|Art des Ausfalls|Cause de la panne|"
    "Ce qui a lâché|Causa del fallo|Qué falló|Motivo de la avería",
    "part": "Cap type|Cap part number|Kondensatortyp|Type de condensateur|Modèle de condensateur|Tipo de condensador",
    "lot": "Capacitor batch|Cap lot no.|Lote del condensador",
    "module": "Thruster S/N|Triebwerksnummer",
    "shots_from": "Shots at install|Eingebaut bei Schuss|Tirs à la pose|Disparos al montar",
    "shots": "Ausgebaut bei Schuss|Last shot",
    "removed": "Reason for removal|Grund für Ausbau|Motif du retrait",
    "rated_V": "Cap rated voltage|Nennspannung Kondensator|Tension nominale condensateur|Tensión nominal del condensador",
}  # fmt: skip


@pytest.mark.parametrize(
    ("header", "column"), [(h, c) for c, many in WORDED.items() for h in many.split("|")]
)
def test_a_header_is_understood_by_its_words_and_asked_about(header, column):
    found = header_of(header)
    assert found.column == column
    assert not found.sure


@pytest.mark.parametrize(
    "header",
    ["Shots after failure", "Failed shots", "When it died", "Failed part", "Date of failure", "Ausfalldatum", "Last OK date", "Failed on"],
)  # fmt: skip
def test_a_header_that_may_mean_two_things_is_not_taken_for_one(header):
    found = header_of(header)
    assert (found.column, found.sure) == ("extra", False)
    assert len(found.others) > 1


@pytest.mark.parametrize(
    "header",
    ["Max shots", "Shots to go", "Shots per day", "Shots since last check", "OK shots after repair", "Dead time", "Module died at shot", "Failure voltage", "Order no", "Units dead", "Not OK", "Condensadores en serie", "Cap age [h]", "Essai du condensateur principal"],
)  # fmt: skip
def test_a_header_with_a_word_too_many_means_nothing(header):
    assert header_of(header).column == "extra"


def test_names_of_the_vocabulary_mean_what_it_says():
    for books in (COLUMNS, FURTHER):
        for column, many in books.items():
            for name in many.split("|"):
                if plain(name) in AMBIGUOUS or COLUMN_WORDS[plain(name)] != column:
                    continue  # of several meanings, or another book's first
                assert header_of(name).column == column, name
                assert header_of(name).sure, name
    assert header_of("Module #").sure
    assert [header_of(h).column for h in ("Module #", "# shots", "Shots", "Failed", "Cap")] == [
        "module", "shots", "shots", "failed", "capacitance_uF",
    ]  # fmt: skip


TABLE = """Module,Cap S/N,Cap type,Bank voltage [V],Shots last OK,Shots dead,What died
m1,c1,film A,1200,1500,1700,short
m1,c2,film A,1200,900,,
m2,c3,film B,1300,1100,1150,open
"""
WHOSE = {"fill:builder": "kite", "fill:slot": "main_capacitor"}


def test_a_table_whose_headers_are_worded_becomes_a_sheet():
    p = propose(Path("a.csv"), TABLE.encode())
    asked = {q.id for q in p.questions}
    assert {f"columns:{h}" for h in ("Cap S/N", "Cap type", "Shots last OK", "Shots dead", "What died")} <= asked  # fmt: skip
    r = p.sheet(WHOSE, agree=True).records
    assert list(r.column("shots_good")) == [1500, 900, 1100]
    assert [str(x) for x in r.column("shots_failed")] == ["1700.0", "inf", "1150.0"]
    assert [list(r.column(k)) for k in ("unit", "part", "mode")] == [
        ["c1", "c2", "c3"], ["film A", "film A", "film B"], ["short", "", "open"],
    ]  # fmt: skip


def test_a_mode_that_names_another_part_of_the_module_is_asked_about():
    """The part of the row may be the one that was still good."""
    p = propose(Path("a.csv"), TABLE.replace("short", "igniter").encode()).answered(WHOSE)
    assert [q.text for q in p.open if "slots" in q.id] == [
        "What died names slots (igniter) in 1 row: did the part of the row fail, and is this how?"
    ]


def test_a_worded_header_gives_way_to_the_name_itself():
    t = TABLE.replace("Bank voltage [V]", "unit").replace("1200", "u1").replace("1300", "u2")
    p = propose(Path("a.csv"), t.encode())
    assert p.columns["unit"] == ["u1", "u1", "u2"]
    assert p.columns["Cap S/N"] == ["c1", "c2", "c3"]
