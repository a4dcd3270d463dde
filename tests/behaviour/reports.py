"""What tests of poise-report share: running it, and cups whose comparison is known elsewhere."""
import json

TWO_BY_TWO = {("coarse", "none"): (14.1, 14.6, 13.9), ("coarse", "stir"): (18.2, 17.7, 18.4),
              ("fine", "none"): (19.8, 20.1, 19.5), ("fine", "stir"): (20.6, 20.9, 20.3)}


def done(bench, *arguments):
    status, output, said = bench.run("poise-report", *arguments)
    assert status == 0, said
    return output


def answer(bench, *arguments):
    return json.loads(done(bench, "--json", *arguments))


def two_by_two(cups):
    for (grind, stir), values in TWO_BY_TWO.items():
        for value in values:
            cups.add("grind-stir", {"grind": grind, "stir": stir}, {"extraction_pct": value})
