"""Second opinion on the kinetics: SciPy answers what test_kinetics.c compares with.

Each line of standard input is a question: WHAT QUICK SHARE STEP LEAST T then pairs t,e.
  share, gain, doubling, plateau, rate: the fit's E1 k E0, and the 95 % profile-likelihood interval
  shrink: by how much one more cup at T shrinks the standard error of the share's time
Found another way than in C: every free parameter by a general minimiser, the held quantity by solving for E1.
"""
import sys

import numpy
from scipy import optimize, stats


def curve(t, plateau, k, quick):
    return plateau - (plateau - quick) * numpy.exp(-k * t)


def residuals(parameters, t, e):
    plateau, log_k, quick = (*parameters, 0.0)[:3]
    return curve(t, plateau, numpy.exp(log_k), quick) - e


def fit(t, e, quick):
    best = None
    for k in (0.3, 1, 3, 10):
        start = [e.max(), numpy.log(k / t.max())] + ([e.min() / 2] if quick else [])
        found = optimize.least_squares(residuals, start, args=(t, e), xtol=1e-14, ftol=1e-14, gtol=1e-14, method="lm")
        if best is None or found.cost < best.cost:
            best = found
    return best


def amplitude_for(what, held, k, least, step):
    if what == "gain":
        return least / (numpy.exp(-k * held) - numpy.exp(-k * (held + step)))
    return least / (numpy.exp(-k * held) - numpy.exp(-2 * k * held))


def held_residuals(free, what, quick, held, share, step, least, t, e):
    if what == "plateau":
        return curve(t, held, numpy.exp(free[0]), free[1] if quick else 0) - e
    if what == "rate":
        return curve(t, free[0], held, free[1] if quick else 0) - e
    if what == "share":
        if not quick:
            return curve(t, free[0], -numpy.log(1 - share) / held, 0) - e
        k, plateau = numpy.exp(free[0]), free[1]
        return curve(t, plateau, k, plateau * (1 - (1 - share) * numpy.exp(k * held))) - e
    k, part = numpy.exp(free[0]), free[1] if quick else 0
    return curve(t, part + amplitude_for(what, held, k, least, step), k, part) - e


def answer(what, plateau, k, quick, share, step, least):
    amplitude = plateau - quick
    if what == "plateau":
        return plateau
    if what == "rate":
        return k
    if what == "share":
        return optimize.brentq(lambda x: curve(x, plateau, k, quick) - share * plateau, 0, 1e6)
    if what == "gain":
        return optimize.brentq(lambda x: curve(x + step, plateau, k, quick) - curve(x, plateau, k, quick) - least, 0, 1e5)
    return optimize.brentq(lambda x: curve(2 * x, plateau, k, quick) - curve(x, plateau, k, quick) - least,
                           numpy.log(2) / k, 1e5)


def profile(what, quick, share, step, least, t, e):
    found = fit(t, e, quick)
    plateau, log_k, part = (*found.x, 0.0)[:3]
    k, df = numpy.exp(log_k), len(t) - (3 if quick else 2)
    limit = 2 * found.cost * (1 + stats.t.ppf(0.975, df) ** 2 / df)
    estimate = answer(what, plateau, k, part, share, step, least)
    at = {"plateau": [log_k] + [part] * quick, "rate": [plateau] + [part] * quick,
          "share": [log_k, plateau] if quick else [plateau]}.get(what, [log_k] + [part] * quick)

    def excess(log_ratio):
        nonlocal at
        arguments = (what, quick, estimate * numpy.exp(log_ratio), share, step, least, t, e)
        if not len(at):
            return sum(held_residuals([], *arguments) ** 2) - limit
        tried = [optimize.least_squares(held_residuals, start, args=arguments, xtol=1e-14, ftol=1e-14, gtol=1e-14,
                                        x_scale="jac") for start in (at, [log_k] + list(at[1:]) if what != "rate" else at)]
        tried = min(tried, key=lambda one: one.cost)
        at = tried.x
        return 2 * tried.cost - limit

    bounds = []
    for direction in (-1, 1):
        first = list(at)
        inside, reach = 0.0, 0.002
        while excess(direction * reach) < 0:
            inside, reach = reach, reach * 1.3
        bounds.append(estimate * numpy.exp(optimize.brentq(excess, direction * inside, direction * reach, xtol=1e-9)))
        at = first
    return plateau, k, part, *bounds


def shrink(quick, share, at, t, e):
    found = fit(t, e, quick)
    plateau, log_k, part = (*found.x, 0.0)[:3]
    values = numpy.array([plateau, numpy.exp(log_k)] + [part] * quick)

    def gradient(time):
        return optimize.approx_fprime(values, lambda v: curve(time, *v, *([] if quick else [0])), 1e-7)

    c = optimize.approx_fprime(values, lambda v: answer("share", *v, *([] if quick else [0]), share, 0, 0), 1e-7)
    rows = [gradient(time) for time in t]
    before = c @ numpy.linalg.solve(numpy.array(rows).T @ rows, c)
    rows.append(gradient(at))
    return (numpy.sqrt(c @ numpy.linalg.solve(numpy.array(rows).T @ rows, c) / before),)


for line in sys.stdin:
    what, quick, share, step, least, at, *pairs = line.split()
    t, e = numpy.array([tuple(map(float, pair.split(","))) for pair in pairs]).T
    if what == "shrink":
        print(*("%.10g" % value for value in shrink(int(quick), float(share), float(at), t, e)))
    else:
        print(*("%.10g" % value for value in profile(what, int(quick), float(share), float(step), float(least), t, e)))
