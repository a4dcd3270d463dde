"""What a report claims, read from its JSON; from its headline only where the JSON does not carry it.

This is the only place that knows the words and fields of poise-report."""
import json
import math
import os
import re
import subprocess

UNSURE = re.compile(r"\bno (?:\w+ )?(?:difference|change|effect|verdict|break|turn|comparison)\b|not shown|cannot|"
                    r"nothing is|undecided|not enough|too few|not judged|is not identified|does not fit|do not fit",
                    re.I)
SURE = re.compile(r"\b(?:gives?|brings?)\b.*\b(?:more|less)\b|\b(?:rises|falls|climbs|drops)\b|"
                  r"\bends\b.*\b(?:higher|lower)\b|\bmatters\b|\bdiffers?\b|\bmost at\b|\b(?:breaks?|turns?)\b at|"
                  r"\bdepends on\b", re.I)
REFUSED = re.compile(r"\b(?:own|another|different|same|one) (?:day|bag|coffee|grinder|order)|confounded|"
                     r"cannot be (?:kept|taken) apart|drift|refus|no verdict", re.I)
MISFIT = re.compile(r"does not fit|do not fit|lack of fit|fits? (?:badly|poorly)|does not follow|another shape|"
                    r"not of (?:this|that) shape|misfit", re.I)
COULD = re.compile(r"one of ([\d.]+) .*would most likely have shown", re.S)
AT_MOST = re.compile(r"however much longer it steeps, that brings ([\d.]+) points more at most", re.S)


class Report:
    """One run of poise-report."""

    def __init__(self, programs, store, *words, plain=False):
        self.programs, self.store, self.words = programs, store, words
        done = subprocess.run([os.path.join(programs, "poise-report"), "--store", store, *words,
                               *([] if plain else ["--json"])],
                              capture_output=True, text=True, check=False)
        self.status, self.diagnostic = done.returncode, done.stderr.strip()
        if done.returncode < 0 or (done.returncode and not self.diagnostic):
            raise RuntimeError(f"poise-report {' '.join(words)} ended with {done.returncode}: {done.stderr}")
        self.json = json.loads(done.stdout) if not plain and done.returncode == 0 else {}
        self.headline = self.json.get("headline") or ""
        self.cautions = " ".join(self.json.get("cautions") or [])

    def text(self):
        done = subprocess.run([os.path.join(self.programs, "poise-report"), "--store", self.store, *self.words],
                              capture_output=True, text=True, check=False)
        return " ".join(done.stdout.split())

    def claims(self, kind):
        """Of the array "claims", where a report has one; else None."""
        if "claims" not in self.json:
            return None
        return [claim for claim in self.json["claims"] if claim.get("claim") == kind]

    # -- what is refused or left open --

    def refused(self):
        claims = self.claims("refused")
        return bool(claims) if claims is not None else bool(UNSURE.search(self.headline) and
                                                            REFUSED.search(self.headline))

    def misfit(self):
        claims = self.claims("misfit")
        if claims is not None:
            return bool(claims)
        return bool(MISFIT.search(self.headline + " " + self.cautions)) or any(
            curve.get("misfit") for curve in self.json.get("curves") or [])

    def headline_sure(self):
        """Whether the headline asserts that something makes a difference."""
        if "claims" in self.json:
            return any(claim.get("where") == "headline" and claim["claim"] in
                       ("difference", "change", "interaction", "turn", "break") for claim in self.json["claims"])
        first = re.split(r";|\.\s", self.headline)[0]
        return bool(SURE.search(first)) and not UNSURE.search(first)

    # -- what is claimed --

    def levels(self):
        return self.json.get("levels") or []

    def level_of(self, label):
        """The factors of a level that is written as "24 kPa, none"."""
        if isinstance(label, dict):
            return label
        parts = [part.strip() for part in label.split(",")]
        for level in self.levels():
            values = list(level["factors"].values())
            if len(values) == len(parts) and all(_same(value, part) for value, part in zip(values, parts)):
                return level["factors"]
        return None

    def pairs(self):
        """All differences between levels that are printed: (more or level, less or against, value, low, high)."""
        found = []
        for pair in self.json.get("differences") or []:
            level, against = self.level_of(pair["level"]), self.level_of(pair["against"])
            if level is not None and against is not None and pair.get("interval"):
                found.append((level, against, pair["difference"], *bounds(pair["interval"])))
        return found

    def pairs_without_zero(self):
        """Whether a difference between two levels is printed whose interval leaves 0 out, and nothing refuses it."""
        return not self.refused() and any(low > 0 or high < 0 for *_, low, high in self.pairs())

    def denies(self, factor):
        """Whether the headline reports of a factor that nothing is shown."""
        if self.headline_sure():
            return bool(re.search(rf"of {factor} nothing", self.headline))
        return bool(re.search(rf"of {factor} nothing|\bno difference\b", self.headline, re.I))

    def differences(self):
        """What is asserted to differ: (more, less), as factors; a factor left out stands for its whole."""
        claims = self.claims("difference")
        if claims is not None:
            return [(claim["more"], claim["less"]) for claim in claims]
        if self.refused():
            return []
        return [(level, against) if low > 0 else (against, level)
                for level, against, _, low, high in self.pairs() if low > 0 or high < 0]

    def change(self):
        """From end to end of a series: (value, low, high), where the report prints one."""
        claims = self.claims("change")
        if claims:
            return claims[0]["value"], *bounds(claims[0]["interval"])
        change = self.json.get("change")
        return (change["value"], *bounds(change["interval"])) if change and change.get("interval") else None

    def series_claims(self):
        """Of a series of numbers: the set of "change", "turn", "break", "fall" that is asserted."""
        found = set()
        if "claims" in self.json:
            for claim in self.json["claims"]:
                if claim["claim"] in ("change", "turn", "break"):
                    found.add(claim["claim"])
                    if claim.get("falls_beyond"):
                        found.add("fall")
            return found
        if self.refused():
            return found
        change = self.change()
        if change and (change[1] > 0 or change[2] < 0):
            found.add("change")
        turn, broken = self.json.get("turn"), self.json.get("break")
        if turn and turn.get("at") is not None:
            found.add("turn")
        if broken and broken.get("shown"):
            found.add("break")
        first = re.split(r";|\.\s", self.headline)[0]
        if re.search(r"falls? beyond|falls? from there|less beyond|and falls|then falls", first):
            found.add("fall")
        if self.headline_sure():
            found.add("headline")
        return found

    def place(self, kind):
        """Where it turns or breaks: (at, low, high), where that is asserted."""
        claims = self.claims(kind)
        if claims is not None:
            return (claims[0]["at"], *bounds(claims[0]["interval"])) if claims else None
        found = self.json.get(kind)
        if not found or found.get("at") is None or found.get("shown") is False:
            return None
        return found["at"], *bounds(found["interval"])

    def bends(self):
        """Where returns diminish: (by, seconds, low, high, curve) of each that is printed."""
        claims = self.claims("bend")
        if claims is not None:
            return [(claim["by"], claim["seconds"], *bounds(claim["interval"]), claim.get("at") or {})
                    for claim in claims]
        found = []
        for curve in self.json.get("curves") or []:
            for by in ("share", "gain", "doubling"):
                bend = curve.get(by)
                if bend and bend.get("identified") and bend.get("seconds") is not None:
                    found.append((by, bend["seconds"], *bounds(bend["interval"]), curve))
        return found

    def more_at_most(self):
        """However much longer it steeps: so many points; None where that is not claimed."""
        found = AT_MOST.search(" ".join(self.headline.split()))
        return float(found.group(1)) if found else None

    def gains(self):
        """Between two steeps that were brewed: (from_s, to_s, value, low, high)."""
        return [(claim["from_s"], claim["to_s"], claim["value"], *bounds(claim["interval"]))
                for claim in self.claims("gain") or []]

    def could_have_shown(self):
        found = COULD.search(" ".join(self.headline.split()))
        return float(found.group(1)) if found else None

    def equal(self):
        """Whether the levels are called the same within the margin."""
        claims = self.claims("equal")
        if claims is not None:
            return bool(claims)
        return bool(re.search(r"\bthe same\b.* within|\balike\b.* within|\bequal\b", self.headline)) and \
            not re.search(r"not (?:shown|known|sure)|cannot", self.headline)

    def beside_the_press(self):
        """Quantities of the press, other than the one varied, whose line has an interval without 0."""
        return [name for name, line in (self.json.get("along_the_press") or {}).items()
                if name != "press_peak_kpa" and (line["interval"][0] > 0 or line["interval"][1] < 0)]

    def two_cups_differ(self):
        """By how much two cups meant to be alike differ at most, nineteen times in twenty."""
        claims = self.claims("repeatability")
        if claims:
            return claims[0]["value"]
        found = re.search(r"two of them differ by less than ([\d.]+)", self.text())
        return float(found.group(1)) if found else None

    def dilution_has_interval(self):
        text = self.text()
        part = text[text.find("In the cup and in total"):]
        return bool(re.search(r"\d+(?:\.\d+)? (?:g )?\(?(?:\d+(?:\.\d+)? to \d|± ?\d)", part[:900]))

    def predicted(self):
        """What the recipe predicts of one more cup: (low, high); None where it predicts nothing."""
        for claim in self.claims("predicted") or []:
            if claim.get("of") == "cup" and claim.get("measure", "extraction_pct") == "extraction_pct":
                return bounds(claim["interval"])
        return None

    def takes(self):
        """The levels of the recipe: factor -> level."""
        return {claim["factor"]: claim["level"] for claim in self.claims("take") or []}

    def optimum(self):
        """Where a surface of two numbers is highest: factor -> (low, high); None where that is not claimed."""
        for claim in self.claims("optimum") or []:
            return {factor: bounds(interval) for factor, interval in claim["intervals"].items()}
        return None

    def suggestions(self):
        """Of `next`: the levels of each suggestion, the best first."""
        return [one["factors"] for one in self.json.get("suggestions") or []]

    def verdicts(self):
        """factor -> [(verdict, effect, low, high, better, worse, take)] of `verdicts`."""
        found = {}
        for row in self.json.get("variables") or []:
            low, high = bounds(row.get("interval"))
            found.setdefault(row["factor"], []).append(
                (row["verdict"], row.get("effect"), low, high, row.get("better"), row.get("worse"), row.get("take")))
        return found


def bounds(interval):
    """Low and high; a side that is open is null."""
    low, high = interval or (None, None)
    return (-math.inf if low is None else low), (math.inf if high is None else high)


def _same(value, written):
    if isinstance(value, str):
        return value == written
    number = re.match(r"-?[\d.]+", written)
    return bool(number) and math.isclose(float(number.group()), value)
