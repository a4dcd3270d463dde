"""Second opinion on the tasting statistics: SciPy computes what test_discrimination.c compares with.

Reads one question per line on standard input and answers each with numbers on one line:
  panel CHANCE correct,n correct,n ...   beta-binomial maximum likelihood: mean, gamma, likelihood-ratio p
  ranking r,r,r r,r,r ...                Friedman chi-square and p, Page's L and exact p
"""
import sys

import numpy
from scipy import optimize, stats


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


for line in sys.stdin:
    kind, *words = line.split()
    if kind == "panel":
        answer = panel(float(words[0]), [tuple(map(int, word.split(","))) for word in words[1:]])
    else:
        answer = ranking([list(map(int, word.split(","))) for word in words])
    print(*("%.10g" % value for value in answer), flush=True)
