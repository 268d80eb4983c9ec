"""The statistics of a settings study against published values."""

from pathlib import Path

import numpy as np
import pytest
from study_data import (
    DEPOSITION,
    DYESTUFF,
    EDDY_CURRENT,
    ERGO_STOOL,
    HANDBOOK_ONE_WAY,
    PLANT_GROWTH,
    RAIL,
    gasoline,
)

from edgeqc.errors import StudyError
from edgeqc.study.arm_tests import (
    arm_means,
    bootstrap_anova,
    classical_anova,
    effective_df,
    pooled_difference,
    sums_of_squares,
    welch_anova,
    welch_difference,
)
from edgeqc.study.counts import fit_counts, rate_ratio
from edgeqc.study.dose_response import dose_for, dose_response, pooled_monotone
from edgeqc.study.equivalence import equivalence
from edgeqc.study.fractions import beta_arms_test, beta_regression, fraction_interval
from edgeqc.study.mixed import fit_mixed
from edgeqc.study.multiplicity import holm
from edgeqc.study.permutation import permutation_test
from edgeqc.study.power import (
    design_effect,
    t_power,
    units_per_arm,
    units_per_arm_anova,
    upper_sd,
)
from edgeqc.study.regression import coded, factorial_design, least_squares, surface_design
from edgeqc.study.variance_components import fit_components


def close(found, wanted, rel=0.0, atol=0.0):
    assert np.allclose(found, wanted, rtol=rel, atol=atol), (found, wanted)


def grouped(rows):
    """Values and the index of their row."""
    return np.concatenate(rows), np.repeat(np.arange(len(rows)), [len(row) for row in rows])


def nist_anova(name):
    """Groups and certified F of a NIST StRD one-way data set, as scipy carries it."""
    stats = pytest.importorskip("scipy.stats")
    folder = Path(stats.__file__).parent / "tests" / "data" / "nist_anova"
    if not (folder / f"{name}.dat").is_file():
        pytest.skip("this scipy does not carry the NIST data")
    lines = (folder / f"{name}.dat").read_text().splitlines()
    certified = next(float(line.split()[-1]) for line in lines if line.startswith("Between"))
    cells = np.array([[float(cell) for cell in line.split()] for line in lines[60:]])
    return [cells[cells[:, 0] == k, 1] for k in np.unique(cells[:, 0])], certified


# --- arms -----------------------------------------------------------------------------------
@pytest.mark.parametrize(("name", "certified", "rel"), [
    ("SiRstv", 1.18046237440255, 1e-9), ("AtmWtAg", 15.946733567793, 1e-9),
    ("SmLs01", 21, 1e-9), ("SmLs02", 201, 1e-9), ("SmLs03", 2001, 1e-9),
    ("SmLs04", 21, 1e-9), ("SmLs05", 201, 1e-9), ("SmLs06", 2001, 1e-9),
    ("SmLs07", 21, 1e-3), ("SmLs08", 201, 1e-3), ("SmLs09", 2001, 1e-3)])
def test_one_way_anova_reaches_the_certified_values(name, certified, rel):
    # NIST Statistical Reference Datasets, analysis of variance
    groups, read = nist_anova(name)
    close(read, certified, rel=1e-12)
    close(classical_anova(groups).statistic, certified, rel=rel)


def test_one_way_handbook_example():
    # NIST/SEMATECH e-Handbook 7.4.3.3
    between, within, _, _ = sums_of_squares(HANDBOOK_ONE_WAY)
    close([between, within], [27.897, 17.452], atol=1e-3)
    found = classical_anova(HANDBOOK_ONE_WAY)
    close([found.statistic, found.p], [9.591107, 0.00325], atol=1e-4)


def test_pooled_pairs_handbook_example():
    # NIST/SEMATECH e-Handbook 7.4.7.1: simultaneous 95 % intervals
    from scipy.stats import studentized_range

    groups = [*HANDBOOK_ONE_WAY, np.array([5.8, 3.8, 6.1, 5.6, 6.2])]
    wanted = {(0, 1): (0.29, 4.47), (0, 2): (1.13, 5.31), (3, 0): (-2.25, 1.93),
              (2, 1): (-2.93, 1.25), (3, 1): (0.13, 4.31), (3, 2): (0.97, 5.15)}
    for (first, second), ends in wanted.items():
        found = pooled_difference(groups, first, second)
        half = studentized_range.ppf(0.95, 4, found.df) / np.sqrt(2) * found.se
        close([found.estimate - half, found.estimate + half], ends, atol=0.01)


def test_plant_growth():
    # R data set PlantGrowth; values by R 4.2 and by scipy
    found = classical_anova(PLANT_GROWTH)
    close([found.statistic, found.p], [4.846088, 0.015910], atol=1e-5)
    arms = arm_means(PLANT_GROWTH)
    welch = welch_anova(arms)
    close([welch.statistic, welch.df_den, welch.p], [5.180972, 17.12842, 0.017393], atol=1e-5)
    howell = {(0, 1): (1.19126, 16.5236, 0.474555), (0, 2): (2.13402, 16.7858, 0.112889),
              (1, 2): (3.01010, 14.1036, 0.023703)}
    tukey = {(0, 1): 0.390871, (0, 2): 0.197996, (1, 2): 0.012006}
    for pair, (t, df, p) in howell.items():
        one = welch_difference(arms, *pair, family=3)
        close([abs(one.estimate) / one.se, one.df, one.p_family], [t, df, p], atol=1e-4)
        close(pooled_difference(PLANT_GROWTH, *pair).p_family, tukey[pair], atol=1e-4)


def test_welch_agrees_with_an_independent_library():
    from scipy.stats import f_oneway, tukey_hsd

    rng = np.random.default_rng(3)
    groups = [rng.normal(scale=s, size=n) for s, n in ((1, 4), (3, 7), (2, 5))]
    other = f_oneway(*groups, equal_var=False)
    mine = welch_anova(arm_means(groups))
    close([mine.statistic, mine.p], [other.statistic, other.pvalue], rel=1e-10)
    pairs = tukey_hsd(*groups, equal_var=False)
    one = welch_difference(arm_means(groups), 0, 2, family=3)
    close(one.p_family, pairs.pvalue[0, 2], rel=1e-6)


def test_holm():
    # Scand J Stat 1979;6:65-70, worked by hand
    close(holm(np.array([0.01, 0.04, 0.03, 0.005])), [0.03, 0.06, 0.06, 0.02], atol=1e-12)
    close(holm(np.array([0.01, 0.02, 0.03, 0.04, 0.05])), [0.05, 0.08, 0.09, 0.09, 0.09],
          atol=1e-12)
    kept = holm(np.array([0.01, np.nan, 0.02]))
    assert np.isnan(kept[1])
    close(kept[[0, 2]], [0.02, 0.02], atol=1e-12)


def test_equivalence_plant_growth():
    one = pooled_difference(PLANT_GROWTH[:2], 1, 0)
    found = equivalence(one.estimate, one.se, one.df, margin=1.0)
    close([found.p, found.p_lower], [0.029279, 0.000172], atol=1e-5)
    close([found.low, found.high], [-0.169048, 0.911048], atol=1e-5)
    assert found.equivalent
    assert not equivalence(one.estimate, one.se, one.df, margin=0.5).equivalent


def test_effective_degrees_of_freedom():
    # JCGM 100:2008, G.4.1
    close(effective_df(np.array([1.0, 1.0]), np.array([9.0, 9.0])), 18.0, atol=0.05)
    close(effective_df(np.array([0.57, 0.25]) ** 2, np.array([9.0, np.inf])), 12.8, atol=0.05)
    # JCGM 100:2008, H.1: four contributions, 16.75 before truncation
    u = np.array([25.0, 9.7, 2.9, 16.6])
    close(effective_df(u**2, np.array([18.0, 25.6, 50.0, 2.0])), 16.75, atol=0.2)


# --- permutation ----------------------------------------------------------------------------
def test_permutation_lists_all_arrangements_when_few():
    values = np.array([1.0, 2, 3, 10, 11, 12])
    arm = np.array([0, 0, 0, 1, 1, 1])
    found = permutation_test(values, arm, np.random.default_rng(1))
    # 20 ways to deal 6 units to two arms of 3; the observed one and its mirror are extreme
    close(found.p, 2 / 20, atol=1e-12)


def test_permutation_agrees_with_an_independent_library():
    from scipy.stats import permutation_test as other

    rng = np.random.default_rng(5)
    a, b = rng.normal(size=5), rng.normal(1.0, size=5)

    def welch(first, second, axis):
        spread = first.var(axis, ddof=1) / 5 + second.var(axis, ddof=1) / 5
        return (first.mean(axis) - second.mean(axis)) ** 2 / spread

    wanted = other((a, b), welch, alternative="greater", n_resamples=np.inf).pvalue
    found = permutation_test(np.concatenate([a, b]), np.repeat([0, 1], 5), rng)
    close(found.p, wanted, atol=1e-12)


def test_permutation_stays_inside_blocks():
    # each block holds one unit of each arm; 2^4 arrangements, two of them extreme
    values = np.array([0.0, 1, 10, 11.1, 20, 21, 30, 31.1])
    arm, block = np.tile([0, 1], 4), np.repeat(np.arange(4), 2)
    rng = np.random.default_rng(2)
    inside = permutation_test(values, arm, rng, block=block, draws=4000)
    outside = permutation_test(values, arm, rng, draws=4000)
    close(inside.p, 2 / 16, atol=0.02)
    assert outside.p > 0.5


# --- mixed models ---------------------------------------------------------------------------
def test_dyestuff():
    # lme4 reference fit; balanced one-way closed form (MSB - MSW) / 5
    y, batch = grouped(DYESTUFF)
    X = np.ones((y.size, 1))
    fit = fit_mixed(y, X, batch)
    close([fit.beta[0], fit.between, fit.within], [1527.5, 1764.05, 2451.25], rel=1e-4)
    close([np.sqrt(fit.covariance[0, 0]), fit.criterion], [19.3834, 319.6543], rel=1e-5)
    full = fit_mixed(y, X, batch, method="ML")
    close([full.between, full.within, full.criterion], [1388.333, 2451.25, 327.3271], rel=1e-4)
    assert fit.converged
    assert not fit.boundary


def test_rail():
    # Pinheiro & Bates (2000), section 1.1
    y, rail = grouped(RAIL)
    fit = fit_mixed(y, np.ones((18, 1)), rail)
    close([fit.beta[0], np.sqrt(fit.covariance[0, 0])], [66.5, 10.171], atol=1e-3)
    close([np.sqrt(fit.between), np.sqrt(fit.within)], [24.80547, 4.020779], rel=1e-4)
    close(-fit.criterion / 2, -61.0885, rel=1e-4)


def test_ergo_stool():
    # Pinheiro & Bates (2000), section 1.2; balanced, so that the F test is the exact one
    y, subject = grouped(ERGO_STOOL)
    X = np.zeros((36, 4))
    X[:, 0] = 1
    for stool in (1, 2, 3):
        X[stool::4, stool] = 1
    fit = fit_mixed(y, X, subject)
    close(fit.beta, [8.555556, 3.888889, 2.222222, 0.666667], rel=1e-4)
    close([np.sqrt(fit.between), np.sqrt(fit.within)], [1.332465, 1.100295], rel=1e-4)
    test = fit.contrast(np.eye(4)[1:])
    close([test.statistic, test.df_den], [22.35564, 24], rel=1e-5)


def test_boundary_is_zero_and_said():
    # units that agree better than their faces allow: variance between units exactly 0
    y = np.array([1.0, 5, 2, 4.2, 3, 3.1, 1.5, 4.5])
    unit = np.repeat(np.arange(4), 2)
    fit = fit_mixed(y, np.ones((8, 1)), unit)
    assert fit.between == 0
    assert fit.boundary
    close(fit.within, y.var(ddof=1), rel=1e-6)
    free = fit_mixed(y, np.ones((8, 1)), unit, bounded=False)
    assert free.between < 0
    close(free.contrast(np.eye(1)).df_den, 3, rel=1e-4)
    equal = fit_mixed(np.array([1.0, 5, 2, 4, 3, 3, 1.5, 4.5]), np.ones((8, 1)), unit,
                      bounded=False)
    assert equal.between == 0  # units that agree exactly: no fit below zero


def test_pastes():
    # lme4 reference fit of Davies & Goldsmith (1972); data as statsmodels carries them
    pandas = pytest.importorskip("pandas")
    import statsmodels

    file = Path(statsmodels.__file__).parent / "regression/tests/results/pastes.csv"
    if not file.is_file():
        pytest.skip("this statsmodels does not carry the data")
    table = pandas.read_csv(file)
    batch = table["batch"].to_numpy(str)
    cask = (table["batch"] + table["cask"]).to_numpy(str)
    fit = fit_components(table["strength"].to_numpy(), np.ones((60, 1)),
                         {"batch": batch, "cask": cask})
    close(fit.beta, 60.05333, rel=1e-6)
    close([fit.variances["cask"], fit.variances["batch"], fit.variances["residual"]],
          [8.43367, 1.65731, 0.67800], rel=1e-3)
    close(fit.criterion, 246.9907, rel=1e-4)


def test_closed_form_and_dense_fits_agree():
    rng = np.random.default_rng(7)
    unit = np.repeat(np.arange(16), rng.integers(1, 6, 16))
    X = np.eye(4)[unit // 4]
    y = rng.normal(size=16)[unit] + rng.normal(size=unit.size)
    rows = np.array([[1.0, -1, 0, 0], [0, 1, -1, 0], [0, 0, 1, -1]])
    fast = fit_mixed(y, X, unit).contrast(rows)
    slow = fit_components(y, X, {"unit": unit}).contrast(rows)
    close([fast.statistic, fast.df_den, fast.p], [slow.statistic, slow.df_den, slow.p], rel=1e-4)
    close(fast.se, slow.se, rel=1e-5)


def test_mixed_model_agrees_with_an_independent_library():
    import statsmodels.api as sm

    rng = np.random.default_rng(11)
    unit = np.repeat(np.arange(20), rng.integers(2, 6, 20))
    X = np.eye(4)[unit // 5]
    y = 2 * rng.normal(size=20)[unit] + rng.normal(size=unit.size)
    mine = fit_mixed(y, X, unit)
    other = sm.MixedLM(y, X, groups=unit).fit(reml=True, method="powell")
    close(mine.beta, other.fe_params, rel=1e-4, atol=1e-4)
    close([mine.between, mine.within], [other.cov_re[0, 0], other.scale], rel=2e-3)


def test_mixed_model_is_equivariant_and_refuses_nonsense():
    y, batch = grouped(DYESTUFF)
    X = np.ones((y.size, 1))
    fit, moved = fit_mixed(y, X, batch), fit_mixed(1e6 + 0.001 * y, X, batch)
    close(moved.beta[0] - 1e6, 0.001 * fit.beta[0], rel=1e-7)
    close(moved.between, 1e-6 * fit.between, rel=1e-5)
    with pytest.raises(StudyError, match="rank"):
        fit_mixed(y, np.ones((y.size, 2)), batch)
    with pytest.raises(StudyError, match="vary"):
        fit_mixed(np.ones(30), X, batch)


def test_known_variance_takes_its_share():
    rng = np.random.default_rng(13)
    unit = np.repeat(np.arange(300), 3)
    u = np.where(np.arange(900) % 3 == 0, 1.5, 0.2)
    y = rng.normal(size=300)[unit] + 0.5 * rng.normal(size=900) + u * rng.normal(size=900)
    fit = fit_mixed(y, np.ones((900, 1)), unit, known_variance=u**2)
    close([fit.between, fit.within], [1.0, 0.25], atol=0.2)
    plain = fit_mixed(y, np.ones((900, 1)), unit)
    assert fit.covariance[0, 0] < plain.covariance[0, 0]


# --- fractions and counts -------------------------------------------------------------------
def test_beta_regression_food_share():
    # J Appl Stat 2004;31:799-815, table 2; data as statsmodels carries them
    pandas = pytest.importorskip("pandas")
    import statsmodels

    file = Path(statsmodels.__file__).parent / "othermod/tests/results/foodexpenditure.csv"
    if not file.is_file():
        pytest.skip("this statsmodels does not carry the data")
    table = pandas.read_csv(file)
    X = np.column_stack([np.ones(len(table)), table["income"], table["persons"]])
    fit = beta_regression((table["food"] / table["income"]).to_numpy(), X)
    close(fit.beta, [-0.62255, -0.01230, 0.11846], atol=1e-5)
    close([fit.phi, fit.log_likelihood], [35.61, 45.33], atol=0.005)
    close(np.sqrt(np.diag(fit.covariance))[:3], [0.221, 0.0031, 0.036], rel=0.04)


def test_beta_regression_gasoline():
    # J Appl Stat 2004;31:799-815, table 1
    y, X = gasoline()
    fit = beta_regression(y, X)
    close([fit.beta[0], fit.beta[1], fit.beta[10]], [-6.15957, 1.72773, 0.010967], rel=1e-4)
    close([fit.phi, fit.log_likelihood], [440.278, 84.798], rel=1e-4)
    assert fit.converged


def test_exact_zeros_and_ones_are_not_squeezed():
    y = np.array([1.0, 1.0, 0.9, 0.5, 0.6, 0.7])
    X = np.eye(2)[np.repeat([0, 1], 3)]
    with pytest.raises(StudyError, match="exactly 0 or 1"):
        beta_regression(y, X)
    found = beta_arms_test(y, X)
    assert np.isnan(found.p)
    assert "2 of 6 units" in found.note
    low, high = fraction_interval(0.98, 0.015, 3)
    assert 0 < low < 0.98 < high < 1


def test_counts_reduce_to_the_textbook_ratio():
    # without overdispersion: log ratio with variance 1/a + 1/b (Rothman, Modern Epidemiology)
    count = np.array([10.0, 10, 10, 20, 20, 20])
    fit = fit_counts(count, np.full(6, 3.0), np.repeat([0, 1], 3))
    assert fit.dispersion == 1.0
    ratio, low, high, _ = rate_ratio(fit, 0, 1)
    close(ratio, 2.0, rel=1e-12)
    half = 2.776445 * np.sqrt(1 / 30 + 1 / 60)  # t, 4 degrees of freedom
    close([low, high], [2 * np.exp(-half), 2 * np.exp(half)], rel=1e-5)
    nothing = fit_counts(np.array([0.0, 0, 0, 4, 5, 6]), np.ones(6), np.repeat([0, 1], 3))
    assert np.isnan(rate_ratio(nothing, 0, 1)[0])
    # deviance of all counts in one of two equal arms: 2·15·ln 2 (McCullagh & Nelder, 6.2)
    close(nothing.test.statistic, 30 * np.log(2), rel=1e-12)


# --- regression -----------------------------------------------------------------------------
def test_norris():
    # NIST Statistical Reference Datasets, linear regression
    stats = pytest.importorskip("scipy.stats")
    file = Path(stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    if not file.is_file():
        pytest.skip("this scipy does not carry the NIST data")
    cells = np.array([[float(cell) for cell in line.split()]
                      for line in file.read_text().splitlines()[60:] if line.strip()])
    fit = least_squares(cells[:, 0], np.column_stack([np.ones(len(cells)), cells[:, 1]]))
    close(fit.beta, [-0.262323073774029, 1.00211681802045], rel=1e-9)
    close(fit.se, [0.232818234301152, 0.000429796848199937], rel=1e-9)
    close([fit.residual_sd, fit.r_squared], [0.884796396144373, 0.999993745883712], rel=1e-9)


def test_longley():
    # NIST Statistical Reference Datasets, linear regression of higher difficulty
    from statsmodels.datasets import longley

    data = longley.load_pandas()
    fit = least_squares(data.endog.to_numpy(),
                        np.column_stack([np.ones(16), data.exog.to_numpy()]))
    close(fit.beta, [-3482258.63459582, 15.0618722713733, -0.0358191792925910,
                     -2.02022980381683, -1.03322686717359, -0.0511041056535807,
                     1829.15146461355], rel=1e-7)
    close(fit.residual_sd, 304.854073561965, rel=1e-7)


def test_calibration_line():
    # JCGM 100:2008, H.3: thermometer, fitted about 20 °C
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
                  26.511])
    b = np.array([-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160])
    fit = least_squares(b, np.column_stack([np.ones(11), t - 20]))
    close(fit.beta, [-0.1712, 0.00218], atol=5e-5)
    close(fit.se, [0.0029, 0.00067], atol=5e-5)
    correlation = fit.covariance[0, 1] / (fit.se[0] * fit.se[1])
    close([correlation, fit.residual_sd], [-0.930, 0.0035], atol=5e-4)
    value, u = fit.predict(np.array([[1.0, 10.0]]))
    close([value[0], u[0]], [-0.1494, 0.0041], atol=5e-5)


def test_factorial_effects():
    # NIST/SEMATECH e-Handbook 5.4.7.1 (values and data from memory, consistent)
    levels = [np.tile([-1.0, 1.0], 4), np.tile([-1.0, -1, 1, 1], 2), np.repeat([-1.0, 1.0], 4)]
    X, terms = factorial_design(levels, ("X1", "X2", "X3"), order=3)
    effect = dict(zip(terms, np.linalg.solve(X, EDDY_CURRENT) * 2, strict=True))
    close(effect["constant"] / 2, 2.65875, atol=1e-5)
    wanted = {"X1": 3.10250, "X2": -0.86750, "X3": 0.21250, "X1 × X2": 0.12750,
              "X1 × X3": 0.24750, "X2 × X3": 0.29750, "X1 × X2 × X3": 0.14250}
    for name, value in wanted.items():
        close(effect[name], value, atol=1e-5)
    close(least_squares(EDDY_CURRENT, X[:, :2]).residual_sd, 0.57272, atol=1e-5)
    close(least_squares(EDDY_CURRENT, X[:, :3]).residual_sd, 0.30429, atol=1e-5)


def test_response_surface():
    # NIST/SEMATECH e-Handbook 5.4.7.2 (values and data from memory, consistent)
    P, H = coded(DEPOSITION[:, 0]), coded(DEPOSITION[:, 1])
    X, terms = surface_design((P, H), ("P", "H"))
    assert terms == ("constant", "P", "H", "P × H", "P²", "H²")
    uniformity = least_squares(DEPOSITION[:, 2], X[:, :4])
    close(uniformity.beta, [5.93, -1.91, -0.22, 1.70], atol=0.005)
    close(uniformity.r_squared, 0.870, atol=5e-4)
    stress = least_squares(DEPOSITION[:, 3], X[:, [0, 1, 2, 4]])
    close(stress.beta, [7.73, 0.74, 0.50, -0.49], atol=0.005)
    close(stress.r_squared, 0.985, atol=5e-4)


# --- planning -------------------------------------------------------------------------------
@pytest.mark.parametrize(("d", "at80", "at90", "paired"), [
    (0.2, 393.406, 526.333, 198.151), (0.5, 63.7656, 85.031, 33.367),
    (0.8, 25.5246, 33.826, 14.303)])
def test_t_test_sizes(d, at80, at90, paired):
    # Cohen (1988), chapter 2; exact values by R
    close([units_per_arm(d), units_per_arm(d, power=0.9)], [at80, at90], rel=1e-4)
    close(units_per_arm(d, paired=True), paired, rel=1e-4)


def test_anova_sizes():
    # Cohen (1988), chapter 8; exact values by R
    found = [[units_per_arm_anova(f, k) for f in (0.1, 0.25, 0.4)] for k in (3, 4)]
    close(found, [[322.157, 52.397, 21.104], [273.543, 44.599, 18.043]], rel=1e-4)
    # variance between group means 1 (divisor 3), within 3: R, power.anova.test
    close(units_per_arm_anova(np.sqrt(0.75 / 3), 4), 11.92613, rel=1e-4)


def test_power_agrees_with_the_noncentral_t():
    from scipy.stats import nct, t

    for df, shift in ((3, 2.0), (10, 2.8), (60, 1.0)):
        cut = t.ppf(0.975, df)
        close(t_power(shift, df), nct.sf(cut, df, shift) + nct.cdf(-cut, df, shift), atol=1e-5)


def test_design_effect_and_cautious_spread():
    # five images of one specimen at intra-class correlation 0.5 are worth 1.67
    close(5 / design_effect(5, 0.5), 1.6667, atol=1e-4)
    from scipy.stats import chi2

    close(upper_sd(1.0, 12), np.sqrt(12 / chi2.ppf(0.2, 12)), rel=1e-12)


# --- dose and response ----------------------------------------------------------------------
def test_saturating_curve_gives_back_its_parameters():
    dose = np.repeat([5.0, 10, 20, 40], 4)
    exact = 0.95 * (1 - np.exp(-dose / 12))
    rng = np.random.default_rng(4)
    curve = dose_response(dose, exact + 0.01 * rng.normal(size=16))
    close([curve.top, curve.scale], [0.95, 12.0], rel=0.05)
    assert curve.kind == "saturating"
    assert curve.lack_of_fit_p > 0.05
    true = -12 * np.log(1 - 0.85 / 0.95)
    target = dose_for(curve, 0.85)
    assert target.low < true < target.high
    unreached = dose_for(curve, 0.99)
    assert np.isnan(unreached.dose)


def test_a_curve_that_does_not_fit_gives_way_to_a_monotone_one():
    dose = np.repeat([5.0, 10, 20, 40], 5)
    step = np.where(dose < 15, 0.2, 0.9) + 0.01 * np.random.default_rng(6).normal(size=20)
    curve = dose_response(dose, step)
    assert curve.kind == "monotone"
    assert "does not fit" in curve.note
    assert np.all(np.diff(curve.fitted) >= -1e-12)
    found = dose_for(curve, 0.5)
    # nothing is known between the two doses but that the step lies there
    assert 10 <= found.low < found.dose < found.high <= 20


def test_pool_adjacent_violators():
    # Barlow et al. (1972), chapter 1: worked by hand
    close(pooled_monotone(np.array([1.0, 3, 2, 4]), np.array([1.0, 1, 3, 1])),
          [1, 2.25, 2.25, 4], atol=1e-12)


def test_monotone_band_holds_for_all_doses_at_once():
    rng = np.random.default_rng(8)
    doses, held = np.array([1.0, 2, 3, 4]), 0
    for _ in range(300):
        dose = np.repeat(doses, 4)
        curve = dose_response(dose, np.sqrt(dose) + 0.3 * rng.normal(size=16), saturating=False)
        at = np.searchsorted(curve.dose, doses)
        held += bool(np.all((curve.low[at] <= np.sqrt(doses))
                            & (np.sqrt(doses) <= curve.high[at])))
    assert held / 300 >= 0.93


def test_bootstrap_anova_agrees_with_welch_where_both_hold():
    arms = arm_means(PLANT_GROWTH)
    found = bootstrap_anova(arms, np.random.default_rng(1))
    close(found.p, welch_anova(arms).p, atol=0.006)


def test_spread_check_agrees_with_an_independent_library():
    from scipy.stats import levene

    apart = [np.abs(group - np.median(group)) for group in PLANT_GROWTH]
    close(classical_anova(apart).p, levene(*PLANT_GROWTH, center="median").pvalue, rel=1e-9)


@pytest.mark.parametrize("y", [
    [1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0],  # faces of a unit agree exactly
    [1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0],  # units agree exactly
    [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0]])
def test_degenerate_tables_fit_without_nonsense(y):
    fit = fit_mixed(np.array(y), np.repeat(np.eye(2), 4, axis=0), np.repeat(np.arange(4), 2),
                    bounded=False)
    test = fit.contrast(np.array([[-1.0, 1.0]]))
    assert np.all(np.isfinite([test.statistic, test.df_den, test.p, test.se[0]]))
    assert 0 <= test.p <= 1
