"""Reference values of the budget: printed by `python3 tests/reference/budget.py` with the versions it was run with.

Run with Python 3.11, numpy 2.4.6, scipy 1.17.1. The tests hold the printed numbers; nothing of this is needed to build
or test the program.
"""
import sys

import numpy as np
import scipy
from scipy import stats

print(f"Python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}")

# GUM (JCGM 100:2008) G.4.1: three relative standard uncertainties in %, with their degrees of freedom.
u, nu = np.array([0.25, 0.57, 0.82]), np.array([9, 4, 14])
whole = np.sqrt(np.sum(u**2))
eff = whole**4 / np.sum(u**4 / nu)
print("G.4.1", repr(whole), repr(eff), repr(stats.t.ppf(0.975, 19)), repr(whole * stats.t.ppf(0.975, eff)))

# The own budget at 100 mm/s.
u = np.array([0.1, 100 * 0.02 / 10.504 / np.sqrt(3), 100 * 50e-6 / np.sqrt(3), 0.25 / np.sqrt(3)])
whole = np.sqrt(np.sum(u**2))
eff = whole**4 / (u[0] ** 4 / 9)
print("own", repr(whole), repr(eff), repr(stats.t.ppf(0.975, eff)), repr(whole * stats.t.ppf(0.975, eff)))
print("normal", repr(stats.norm.ppf(0.975)))

# Placings: five groups of three observations, each group its mean and -0.1, 0, +0.1 about it. One-way analysis of
# variance: between = (MSB - MSW) / 3, on the scale of means the variance of the means less MSW / 3.
means = np.array([100.2, 99.1, 100.9, 99.6, 100.7])
groups = [m + np.array([-0.1, 0.0, 0.1]) for m in means]
msw = np.mean([np.var(g, ddof=1) for g in groups])
msb = 3 * np.var(means, ddof=1)
f = stats.f_oneway(*groups).statistic
assert np.isclose(f, msb / msw)
between = (msb - msw) / 3
# Satterthwaite for the difference of two mean squares; the mean square within has 5 x 2 degrees of freedom. The
# program is given ten for each group's own doubt of its mean, which makes fifty.
total, within = msb / 3, msw / 3
eff = between**2 / (total**2 / 4 + within**2 / 50)
print("placings", repr(np.sqrt(within)), repr(np.sqrt(between) / means.mean()), repr(eff))
