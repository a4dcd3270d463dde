"""Pages of poise-report in a real browser: whatever the width, nothing of a table is cut off."""
import types

from cups import Cups
from page import Page
from reports import done, two_by_two

WIDTHS = (390, 820, 1000)       # a phone, a tablet upright, a small window
MEASURES = {"dose_g": (15.02, 0.04), "water_g": (230.1, 0.1), "beverage_g": (198.4, 0.2), "press_peak_kpa": (12.4, 0.3)}

# Tables that have to be pushed aside to be read, and how much wider than the window the page is.
CUT = """return [[...document.querySelectorAll('.wide')].filter(one => one.scrollWidth > one.clientWidth + 1)
                .map(one => one.innerText.split('\\n')[0] + ': ' + one.scrollWidth + ' of ' + one.clientWidth),
                document.documentElement.scrollWidth - window.innerWidth]"""


def morning(bench):
    """Experiments of every kind that the report has tables for, with names as long as people give."""
    cups = Cups(bench)
    for replicate in range(1, 5):
        for level, steep_s in enumerate((60, 90, 120, 180)):
            cups.add("ferry-steep-of-the-second-delivery", {"steep_s": steep_s},
                     {**MEASURES, "steep_s": (steep_s, .1), "strength_pct": (1.3 + .04 * level, .01),
                      "extraction_pct": 17.5 + level + cups.random.gauss(0, .2)}, {"dose_g": 15, "water_g": 230}, replicate,
                     title="How long to steep the second delivery of the ferry blend", note="the kettle was refilled")
        for dose_g in (12, 15, 18, 21):
            cups.add("kiosk-dose", {"dose_g": dose_g},
                     {**MEASURES, "dose_g": (dose_g, .04), "steep_s": (120, .1),
                      "strength_pct": (.085 * dose_g + cups.random.gauss(0, .01), .01),
                      "extraction_pct": 22 - .12 * dose_g + cups.random.gauss(0, .2),
                      "extraction_total_pct": 24 - .05 * dose_g + cups.random.gauss(0, .2)},
                     {"water_g": 230}, replicate)
    two_by_two(cups)
    cups.done()
    return cups


def test_report_pages_cut_nothing(bench):      # browser
    morning(bench)
    pages = {"verdicts": ("verdicts",), "recipe": ("recipe",), "brews": ("brews",),
             "steep": ("ferry-steep-of-the-second-delivery",), "dose": ("kiosk-dose",), "two": ("filter-swirl",),
             "next": ("next", "kiosk-dose"), "brew": ("brew", "pier-20261125-001")}
    for name, arguments in pages.items():
        done(bench, *arguments, "--html", bench.folder / f"{name}.html")
    browser = Page(types.SimpleNamespace(bench=bench, address=f"file://{bench.folder}"))
    cut = []
    for name in pages:
        browser.open(f"/{name}.html")
        for width in WIDTHS:
            browser.resize((width, 900))
            tables, beyond = browser.run(CUT)
            cut += [f"{name} at {width}: the page is {beyond} too wide"] if beyond > 0 else []
            cut += [f"{name} at {width}: {table}" for table in tables]
    assert not cut, "\n".join(cut)
    browser.open("/verdicts.html")      # on a phone every cell stands under its own title
    browser.resize((390, 900))
    shown = browser.run("return [...document.querySelectorAll('td')].filter(one => one.dataset.title === 'experiment')"
                        ".map(one => [getComputedStyle(one, '::before').content, one.innerText, one.offsetWidth])")
    assert ['"experiment"', "kiosk-dose"] in [one[:2] for one in shown] and all(one[2] > 300 for one in shown), shown
