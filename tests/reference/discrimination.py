"""Second opinion on the tasting statistics: SciPy computes what test_discrimination.c compares with.

Reads one question per line on standard input and answers each with numbers on one line:
  panel CHANCE correct,n correct,n ...   beta-binomial maximum likelihood: mean, gamma, likelihood-ratio p
  ranking r,r,r r,r,r ...                Friedman chi-square and p, Page's L and exact p
  friedman r,r,r ...                     exact p of Friedman's test, all orders listed
  ties r,r,r ...                         Friedman's chi-square of doubled mid-ranks, and exact p
  five DPRIME                            share right in a two-out-of-five test
  looks CHANCE ALPHA PLANNED n n n ...   least right at each look, and alpha spent
  signs d,d,d ...                        one- and two-sided p of all turned signs
  rating MEAN DEVIATION N ALPHA DPRIME   d', its 95 % interval, and power, by the noncentral t
"""
import itertools
import math
import sys

import numpy
from scipy import integrate, optimize, stats


def log_likelihood(mean, gamma, answers):
    if gamma < 1e-7:
        return sum(stats.binom.logpmf(x, n, mean) for x, n in answers)
    scale = 1 / gamma - 1
    return sum(stats.betabinom.logpmf(x, n, mean * scale, (1 - mean) * scale) for x, n in answers)


def best_gamma(mean, answers):
    found = optimize.minimize_scalar(lambda gamma: -log_likelihood(mean, gamma, answers), bounds=(0, 0.999),
                                     method="bounded", options={"xatol": 1e-10})
    alike = log_likelihood(mean, 0, answers)
    return (0.0, alike) if alike >= -found.fun else (found.x, -found.fun)


def panel(chance, answers):
    found = optimize.minimize_scalar(lambda mean: -best_gamma(mean, answers)[1], bounds=(1e-6, 1 - 1e-6),
                                     method="bounded", options={"xatol": 1e-9})
    gamma, best = best_gamma(found.x, answers)
    tail = stats.chi2.sf(max(0, 2 * (best - best_gamma(chance, answers)[1])), 1) / 2
    return found.x, gamma, tail if found.x > chance else 1 - tail


def ranking(rows):
    chi_square, p = stats.friedmanchisquare(*numpy.array(rows).T)
    page = stats.page_trend_test(numpy.array(rows, dtype=float), method="exact", ranked=True)
    return chi_square, p, page.statistic, page.pvalue


def exact(rows):
    """All orders of every row but the first, whose order only names the cups."""
    def squares(table):
        return sum(sum(column) ** 2 for column in zip(*table))
    observed, count, far = squares(rows), 0, 0
    for orders in itertools.product(*(list(itertools.permutations(row)) for row in rows[1:])):
        count += 1
        far += squares([rows[0], *orders]) >= observed - 1e-6
    return far / count


def five(dprime):
    phi, below, above = stats.norm.pdf, stats.norm.cdf, stats.norm.sf
    low = integrate.dblquad(lambda second, median: 6 * phi(median - dprime) * phi(second - dprime)
                            * above(second - dprime) * below(2 * median - second) ** 2, -9, dprime + 9,
                            lambda median: median, lambda median: max(median, dprime) + 9)[0]
    high = integrate.dblquad(lambda second, median: 6 * phi(median - dprime) * phi(second - dprime)
                             * below(second - dprime) * above(2 * median - second) ** 2, -9, dprime + 9,
                             lambda median: min(median, dprime) - 9, lambda median: median)[0]
    return [low + high]


def looks(chance, alpha, planned, at):
    ways, until, spent, bounds = numpy.array([1.0]), 0, 0.0, []
    for n in at:
        ways = numpy.convolve(ways, stats.binom.pmf(numpy.arange(n - until + 1), n - until, chance))
        share = n / planned
        until, target = n, alpha if share >= 1 else 2 * stats.norm.sf(stats.norm.isf(alpha / 2) / math.sqrt(share))
        tails = numpy.cumsum(ways[::-1])[::-1]
        bound = next((c for c in range(n + 1) if tails[c] <= target - spent), n + 1)
        spent += tails[bound] if bound <= n else 0
        ways[bound:] = 0
        bounds.append(0 if bound > n else bound)
    return [*bounds, spent]


def signs(differences):
    totals = numpy.array([numpy.dot(turn, numpy.abs(differences))
                          for turn in itertools.product((-1, 1), repeat=len(differences))])
    observed = sum(differences)
    return numpy.mean(totals >= observed), numpy.mean(numpy.abs(totals) >= abs(observed))


def rating(mean, deviation, n, alpha, dprime):
    t, freedom = mean / (deviation / math.sqrt(n)), n - 1
    ends = [optimize.brentq(lambda shift: stats.nct.cdf(t, freedom, shift) - tail, -20, 30) * math.sqrt(2 / n)
            for tail in (0.975, 0.025)]
    power = stats.nct.sf(stats.t.isf(alpha, freedom), freedom, dprime * math.sqrt(n / 2))
    return math.sqrt(2) * mean / deviation, *ends, power


for line in sys.stdin:
    kind, *words = line.split()
    if kind == "panel":
        answer = panel(float(words[0]), [tuple(map(int, word.split(","))) for word in words[1:]])
    elif kind == "five":
        answer = five(float(words[0]))
    elif kind == "looks":
        answer = looks(float(words[0]), float(words[1]), int(words[2]), list(map(int, words[3:])))
    elif kind == "signs":
        answer = signs(list(map(int, words[0].split(","))))
    elif kind == "rating":
        answer = rating(float(words[0]), float(words[1]), int(words[2]), float(words[3]), float(words[4]))
    elif kind in ("friedman", "ties"):
        table = [list(map(int, word.split(","))) for word in words]
        answer = [exact(table)]
        if kind == "ties":
            answer.insert(0, stats.friedmanchisquare(*numpy.array(table).T)[0])
    else:
        answer = ranking([list(map(int, word.split(","))) for word in words])
    print(*("%.10g" % value for value in answer), flush=True)
