"""Makes trace.csv and expected.json: least squares by numpy and scipy.

Run in this folder with the versions of requirements.txt:

    python3 make.py

The trace is fibre of 0.2 dB/km with a step of 0.1 dB, sampled every 10 m, seen
with a pulse of 10 ns (1 m, below the spacing), with noise that is constant in
linear power; where the power is not above zero the level is left empty.
Nothing here comes from the program under test.
"""

import json
from pathlib import Path

import numpy as np
import scipy
from scipy import optimize, stats

HERE = Path(__file__).parent
SEED = 20240229
SPACING_M = 10.0
SAMPLES = 1700
LIT = 1200          # samples 0..1200 are fibre, the rest is noise
EDGE = 600          # the step lies behind sample 600
STEP_DB = 0.1
DB_PER_KM = 0.2
NOISE = 1.0 / 400.0  # rms, against the power at sample 0
BEFORE = (40, 600)   # windows of the two lines, first and one past last
AFTER = (603, 1190)
DB_PER_NEPER = 5.0 / np.log(10.0)

rng = np.random.default_rng(SEED)
index = np.arange(SAMPLES)
clean_db = -DB_PER_KM * index * SPACING_M / 1000.0 - np.where(index > EDGE, STEP_DB, 0.0)
power = np.where(index < LIT, 10.0 ** (clean_db / 5.0), 0.0)
seen = power + NOISE * rng.standard_normal(SAMPLES)
with np.errstate(invalid="ignore", divide="ignore"):
    level_db = np.round(5.0 * np.log10(seen), 5)

with open(HERE / "trace.csv", "w", encoding="ascii", newline="\n") as out:
    out.write("distance_m,level_db\n")
    for i in index:
        text = "" if np.isnan(level_db[i]) else f"{level_db[i]:.5f}"
        out.write(f"{i * SPACING_M:.0f},{text}\n")

# From here on only what the file holds.
sigma_db = DB_PER_NEPER * NOISE / 10.0 ** (clean_db / 5.0)


def weighted_line(lo, hi):
    """Weighted least squares, once by numpy's polyfit and once by scipy's curve_fit."""
    x, y, s = index[lo:hi].astype(float), level_db[lo:hi], sigma_db[lo:hi]
    by_numpy, covariance = np.polyfit(x, y, 1, w=1.0 / s, cov="unscaled")
    by_scipy, again = optimize.curve_fit(
        lambda x, slope, at: slope * x + at, x, y, sigma=s, absolute_sigma=True
    )
    assert np.allclose(by_numpy, by_scipy, rtol=1e-6)
    assert np.allclose(covariance, again, rtol=1e-5)
    at = EDGE + 0.5
    gradient = np.array([at, 1.0])
    residuals = (y - np.polyval(by_numpy, x)) / s
    return {
        "lo": lo,
        "hi": hi,
        "slope": by_numpy[0],
        "slope_error": np.sqrt(covariance[0, 0]),
        "at_edge": np.polyval(by_numpy, at),
        "at_edge_error": np.sqrt(gradient @ covariance @ gradient),
        "chi_square": float(residuals @ residuals),
    }


def step_in_power():
    """Both lines at once, as exponentials in linear power with one noise for all."""
    keep = np.r_[np.arange(*BEFORE), np.arange(*AFTER)]
    x, y = index[keep].astype(float), 10.0 ** (level_db[keep] / 5.0)
    at = EDGE + 0.5

    def model(x, level, step, slope_before, slope_after):
        line = np.where(
            x < at, level + slope_before * (x - at), level - step + slope_after * (x - at)
        )
        return 10.0 ** (line / 5.0)

    fitted, covariance = optimize.curve_fit(
        model,
        x,
        y,
        p0=[-1.2, 0.1, -0.002, -0.002],
        sigma=np.full(x.shape, NOISE),
        absolute_sigma=True,
        xtol=1e-12,
        ftol=1e-12,
    )
    return {"loss_db": fitted[1], "loss_error_db": np.sqrt(covariance[1, 1])}


def detection():
    """Probabilities of the chi-square and normal tests."""
    rows = []
    for snr in ([4.0, 4.0], [3.0, 5.0], [1.0, 0.5], [6.0, 0.0], [8.0, 9.0]):
        for alarm in (1e-3, 1e-5, 1e-8):
            limit = stats.chi2.isf(alarm, 2)
            found = stats.ncx2.sf(limit, 2, float(np.dot(snr, snr)))
            rows.append({"snr": snr, "alarm": alarm, "found": float(found)})
    for snr in (2.0, 4.0, 6.0):
        for alarm in (1e-3, 1e-5):
            limit = stats.chi2.isf(alarm, 1)
            found = stats.ncx2.sf(limit, 1, snr * snr)
            rows.append({"snr": [snr], "alarm": alarm, "found": float(found)})
    return rows


expected = {
    "made_with": {"numpy": np.__version__, "scipy": scipy.__version__, "seed": SEED},
    "noise": NOISE,
    "spacing_m": SPACING_M,
    "edge": EDGE,
    "start_db": float(clean_db[0]),
    "db_per_sample": DB_PER_KM * SPACING_M / 1000.0,
    "step_db": STEP_DB,
    "before": weighted_line(*BEFORE),
    "after": weighted_line(*AFTER),
    "in_power": step_in_power(),
    "detection": detection(),
}
with open(HERE / "expected.json", "w", encoding="ascii", newline="\n") as out:
    json.dump(expected, out, indent=1)
    out.write("\n")
