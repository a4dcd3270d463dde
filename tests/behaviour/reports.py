"""What tests of poise-report share: running it, and cups whose comparison is known elsewhere."""
import json

TWO_BY_TWO = {("cloth", "none"): (18.05, 18.3, 17.95), ("cloth", "swirl"): (20.1, 19.85, 20.2),
              ("paper", "none"): (20.9, 21.05, 20.75), ("paper", "swirl"): (21.3, 21.45, 21.15)}


def done(bench, *arguments):
    status, output, said = bench.run("poise-report", *arguments)
    assert status == 0, said
    return output


def answer(bench, *arguments):
    return json.loads(done(bench, "--json", *arguments))


def two_by_two(cups):
    for (kind, stir), values in TWO_BY_TWO.items():
        for value in values:
            cups.add("filter-swirl", {"filter": kind, "stir": stir}, {"extraction_pct": value})
