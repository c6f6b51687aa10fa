"""Makes splice_log.json: tests of means and trends by scipy and statsmodels.

Run in this folder with the versions of requirements.txt:

    python3 splice_log.py

Losses, estimates and counts are drawn with a fixed seed. Nothing here comes from
the program under test.
"""

import json
from pathlib import Path

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.multitest import multipletests

HERE = Path(__file__).parent
SEED = 20260413
rng = np.random.default_rng(SEED)


def losses(n, median):
    return np.round(median * np.exp(0.4 * rng.standard_normal(n)), 4)


def case(n1, n2, wear):
    arcs = 1000.0 + np.arange(n1)
    one = np.round(losses(n1, 0.03) + wear * np.arange(n1), 4)
    other = losses(n2, 0.025)
    estimate = np.round(np.clip(one - 0.01 + 0.008 * rng.standard_normal(n1), 0.0, None), 2)
    less = one - estimate
    mean = stats.ttest_1samp(less, 0.0)
    difference = stats.ttest_ind(one, other, equal_var=False)
    line = stats.linregress(arcs, one)
    cleaves = (2.0 * arcs) % 50.0
    # Eight splices' cleaves rise with their arcs, and nothing tells them apart.
    both = None
    if n1 > 8:
        both = sm.OLS(one, sm.add_constant(np.column_stack([arcs, cleaves]))).fit()
    return {
        "arcs": arcs.tolist(),
        "one_db": one.tolist(),
        "other_db": other.tolist(),
        "estimate_db": estimate.tolist(),
        "mean": float(np.mean(less)),
        "mean_std": float(np.std(less, ddof=1)),
        "mean_std_error": float(stats.sem(less)),
        "mean_p": float(mean.pvalue),
        "difference": float(np.mean(one) - np.mean(other)),
        "difference_std_error": float(
            np.sqrt(np.var(one, ddof=1) / n1 + np.var(other, ddof=1) / n2)
        ),
        "difference_p": float(difference.pvalue),
        "slope": float(line.slope),
        "slope_std_error": float(line.stderr),
        "intercept": float(line.intercept),
        "slope_p": float(line.pvalue),
        "cleaves": cleaves.tolist(),
        "held": both
        and {
            "slope": float(both.params[1]),
            "slope_std_error": float(both.bse[1]),
            "p": float(both.pvalues[1]),
        },
    }


cases = [case(8, 30, 0.0), case(72, 72, 0.0003), case(40, 9, 0.002), case(500, 400, 0.0)]
p = [row[key] for row in cases for key in ("mean_p", "difference_p", "slope_p")]
expected = {
    "made_with": {
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "statsmodels": statsmodels.__version__,
        "seed": SEED,
    },
    "cases": cases,
    "holm": {"p": p, "adjusted": multipletests(p, method="holm")[1].tolist()},
}
with open(HERE / "splice_log.json", "w", encoding="ascii", newline="\n") as out:
    json.dump(expected, out, indent=1)
    out.write("\n")
