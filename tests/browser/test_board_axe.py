"""axe-core finds nothing on any page (WCAG 2.2 AA, and its own good practice).

Where axe.min.js is: AXE_CORE when CMake was run, or node_modules/axe-core in the source (npm install axe-core)."""
import os
import pathlib

import tasting_round as round_
from page import PHONE, WIDE, Board, Page
from test_board import a_store, bench_of_one

LOOK = """
const done = arguments[0];
axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}).then((found) =>
  done([found.passes.length, found.violations.map((one) => [one.impact, one.id, one.nodes.map((node) => node.html)])]));
"""


def sound(page):
    page.run(pathlib.Path(os.environ["AXE"]).read_text())
    passed, violations = page.driver.execute_async_script(LOOK)
    assert passed > 5 and violations == [], violations


def test_axe_finds_nothing_on_any_page(bench):  # browser axe long
    a_store(bench)
    round_.new(bench, "round-1", "--taster", "Ines", sets=1, samples=("pier-20261125-007", "pier-20261125-008"))
    bench_of_one(bench, ())
    bench.ask(do="begin")
    bench.ask(do="mark", stage="pour")
    board = Board(bench)
    page = Page(board).open("/pair")
    page.wait("h1", "Pair")
    sound(page)
    page.pair()
    page.wait("#cue", ".")
    for size in (WIDE, PHONE):
        for dark in (False, True):
            page.resize(size, dark)
            sound(page)
    page.press("#more")
    sound(page)
    page.press("[data-choice=tastings]")
    page.press("a[href='#round-1']")
    page.press("#tasters button")
    link = page.wait("dialog .address", "/join#")
    sound(page)
    for place, seen in (("experiment/ferry-steep", "#report"), ("compare", "#water path")):
        page.open(f"/reports#{place}")
        page.driver.refresh()
        page.until(lambda: page.find(seen) and page.find(seen)[0].is_displayed(), f"no {seen}")
        sound(page)
    page.open("/join#" + link.split("#")[1])
    page.wait("#title", "Set 1 of 1")
    page.press(".cup-key")
    sound(page)
