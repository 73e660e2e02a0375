"""The door in a real browser: a bench's workbook and a serial log from an empty store to the module's life."""

import time

import pytest

from tests.bench_files.make_bench_files import made
from tests.browser.server import MARKS, answer, browsing, serving
from tests.test_door import serial_lines

pytestmark = MARKS

FILES = {f[0]: f[1] for f in made()}


@pytest.fixture
def server(tmp_path):
    """shotlife serve on an empty store of its own."""
    with serving(tmp_path) as base:
        yield base


@pytest.fixture
def page(server):
    with browsing(viewport={"width": 1280, "height": 1400}) as page:
        yield page


def bring(page, server, path):
    """One click: the file."""
    page.goto(server + "/records")
    page.wait_for_selector("input[type=file] >> nth=0", state="attached")
    page.set_input_files("input[type=file] >> nth=0", str(path))


def test_workbook_to_module_life(page, server, tmp_path):
    """Two clicks after the page is open: the file, and that what was read is right."""
    path = tmp_path / "title_and_total.xlsx"
    path.write_bytes(FILES["title_and_total.xlsx"])
    began = time.monotonic()
    bring(page, server, path)
    page.wait_for_selector("text=What I read")
    page.wait_for_selector("text=row 11 left out")
    page.wait_for_selector("text=The life that 90 % of modules reach would go from nothing")
    page.get_by_role("button", name="This is right: add it").click()
    page.wait_for_selector("text=is stored as contribution 1: 6 records")
    page.goto(server)
    assert "at least" in answer(page)
    print(f"workbook to module life: {time.monotonic() - began:.1f} s, 2 clicks")
    page.goto(server + "/records")
    page.get_by_text("Log: who gave and decided what").click()
    page.wait_for_selector("text=an unbroken chain")


def test_doubtful_counts_are_asked(page, server, tmp_path):
    """'4.120': nothing can be added before the question is answered; then it is read as 4120."""
    path = tmp_path / "all_doubtful.csv"
    path.write_bytes(FILES["all_doubtful.csv"])
    bring(page, server, path)
    page.wait_for_selector("text=1 answer wanted before this can be stored")
    add = page.get_by_role("button", name="This is right: add it")
    assert add.is_disabled()
    page.locator(".stSelectbox", has_text="is '4.120' 4120").locator("input").click()
    page.get_by_role("option", name=",", exact=True).click()
    page.wait_for_selector("text=The life that 90 % of modules reach would go from nothing")
    add.click()
    page.wait_for_selector("text=is stored as contribution 1: 5 records")


def test_serial_log_to_module_life(page, server, tmp_path):
    path = tmp_path / "m7.log"
    path.write_bytes(serial_lines())
    began = time.monotonic()
    bring(page, server, path)
    page.wait_for_selector("text=2 answers wanted before this can be stored")
    page.get_by_role("textbox", name="whose log is it?").fill("kite")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=1 answer wanted before this can be stored")
    page.get_by_role("textbox", name="holds whole numbers").fill("0.4")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=The life that 90 % of modules reach would go from nothing")
    page.get_by_role("button", name="This is right: add it").click()
    page.wait_for_selector("text=is stored as contribution 1")
    page.goto(server)
    assert len(answer(page)) > 20
    print(f"serial log to module life: {time.monotonic() - began:.1f} s, 2 clicks and 2 answers")


def test_pasted_table(page, server):
    text = "builder\tmodule\tslot\tunit\tpart\tshots\tstatus\nkite\tM1\tmain cap\tC1\tfilm-a\t4120\tok\nkite\tM2\tmain cap\tC2\tfilm-a\t3998\tdead\n"
    page.goto(server + "/records")
    page.get_by_text("Or paste a table from a spreadsheet").click()
    page.get_by_label("Table, with the row that names its columns").fill(text)
    page.get_by_role("button", name="Read what was pasted").click()
    page.wait_for_selector("text=What I read")
    page.get_by_role("button", name="This is right: add it").click()
    page.wait_for_selector("text=is stored as contribution 1: 2 records")
