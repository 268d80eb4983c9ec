"""Agreement and measurement-system studies against published values."""

from pathlib import Path

import numpy as np
import pytest
from study_data import GAUGE, JUDGES, PEAK_FLOW, THERMAL

from edgeqc.errors import StudyError
from edgeqc.study.agreement import (
    corrected_sd,
    intraclass_correlations,
    limits_of_agreement,
    repeatability,
    within_sd,
)
from edgeqc.study.gauge import gauge_by_ranges, gauge_by_variance
from edgeqc.study.overlap import (
    cohen_kappa,
    dice,
    directed_hausdorff,
    fleiss_kappa,
    hausdorff,
    jaccard,
)


def close(found, wanted, rel=0.0, atol=0.0):
    assert np.allclose(found, wanted, rtol=rel, atol=atol), (found, wanted)


def test_limits_of_agreement():
    # Lancet 1986;i:307-310: first readings of both meters
    two = limits_of_agreement(PEAK_FLOW[0], PEAK_FLOW[2], factor=2.0)
    close([two.bias, two.sd], [-2.117647, 38.765130], atol=1e-6)
    close([two.lower, two.upper], [-79.648, 75.413], atol=1e-3)
    close(two.bias_interval, [-22.0, 17.8], atol=0.2)
    close(two.lower_interval, [-114.3, -45.1], atol=0.2)
    close(two.upper_interval, [40.9, 110.1], atol=0.2)
    usual = limits_of_agreement(PEAK_FLOW[0], PEAK_FLOW[2])
    close([usual.lower, usual.upper], [-78.097, 73.862], atol=1e-3)


def test_repeatability():
    # Lancet 1986;i:307-310
    close([repeatability(PEAK_FLOW[0], PEAK_FLOW[1]), repeatability(PEAK_FLOW[2], PEAK_FLOW[3])],
          [43.294, 56.316], atol=1e-3)
    close([within_sd(PEAK_FLOW[:2].T), within_sd(PEAK_FLOW[2:].T)], [15.307, 19.911], atol=1e-3)


def test_means_of_two_readings():
    # Lancet 1986;i:307-310
    large, mini = PEAK_FLOW[:2], PEAK_FLOW[2:]
    means = limits_of_agreement(large.mean(axis=0), mini.mean(axis=0))
    close([means.bias, means.sd], [-6.0, 33.2], atol=0.06)
    close(corrected_sd((large[0], large[1]), (mini[0], mini[1])), 37.7, atol=0.1)


def test_intraclass_correlations():
    # Psychol Bull 1979;86:420-428, tables 2 and 4
    found = intraclass_correlations(JUDGES)
    wanted = {"ICC(1,1)": 0.165742, "ICC(2,1)": 0.289764, "ICC(3,1)": 0.714841,
              "ICC(1,k)": 0.442797, "ICC(2,k)": 0.620051, "ICC(3,k)": 0.909316}
    for name, value in wanted.items():
        close(found[name].value, value, atol=1e-6)
    ends = {"ICC(1,1)": (-0.1329, 0.7226), "ICC(2,1)": (0.0188, 0.7611),
            "ICC(3,1)": (0.3425, 0.9459)}
    for name, interval in ends.items():
        close([found[name].low, found[name].high], interval, atol=1e-3)


def test_gauge_by_variance():
    # Measurement Systems Analysis Reference Manual, 4th ed., chapter III section B
    found = gauge_by_variance(GAUGE)
    ss = found.sums_of_squares
    close([ss["part"], ss["operator"], ss["interaction"], ss["repeat"]],
          [88.3619, 3.1673, 0.3590, 2.7589], atol=1e-3)
    close([found.f["part"], found.f["operator"], found.f["interaction"], found.p["interaction"]],
          [492.291, 79.406, 0.434, 0.974], rel=2e-3)
    assert found.pooled
    v = found.variance
    close([v["repeatability"], v["reproducibility"], v["gauge"], v["part"], v["total"]],
          [0.03997, 0.05146, 0.09143, 1.08645, 1.17788], atol=1e-4)
    share = found.percent_contribution
    close([share["repeatability"], share["reproducibility"], share["gauge"], share["part"]],
          [3.39, 4.37, 7.76, 92.24], atol=0.01)
    study = found.percent_study
    close([study["repeatability"], study["reproducibility"], study["gauge"], study["part"]],
          [18.42, 20.90, 27.86, 96.04], atol=0.01)
    close([found.study_variation("gauge"), found.study_variation("total")], [1.81423, 6.51180],
          atol=1e-4)
    close(found.categories, 4.86, atol=0.02)
    assert found.distinct_categories == 4


def test_gauge_by_ranges():
    # Measurement Systems Analysis Reference Manual, 4th ed., chapter III section B
    found = gauge_by_ranges(GAUGE)
    sd = {name: np.sqrt(value) for name, value in found.variance.items()}
    close([sd["repeatability"], sd["reproducibility"], sd["gauge"], sd["part"], sd["total"]],
          [0.2019, 0.2297, 0.3058, 1.1046, 1.1461], atol=2e-4)
    study = found.percent_study
    close([study["repeatability"], study["reproducibility"], study["gauge"], study["part"]],
          [17.62, 20.04, 26.68, 96.38], atol=0.02)
    assert found.distinct_categories == 5


def test_second_crossed_gauge_set():
    # public worked example on thermal performance of insulation
    found = gauge_by_variance(THERMAL)
    ms = found.mean_squares
    close([ms["part"], ms["operator"], ms["interaction"], ms["repeat"]],
          [437.3284, 19.6333, 2.6951, 0.5111], atol=1e-4)
    assert not found.pooled
    close([found.variance["gauge"], found.variance["part"]], [1.80370, 48.29259], atol=1e-4)
    close(found.percent_contribution["gauge"], 3.6005, atol=1e-4)


def test_overlap_of_squares_and_stripes():
    # counted by hand
    a, b = np.zeros((20, 20), bool), np.zeros((20, 20), bool)
    a[5:15, 2:12], b[5:15, 5:15] = True, True
    close([dice(a, b), jaccard(a, b)], [0.7, 7 / 13], atol=1e-12)
    close(hausdorff(np.argwhere(a), np.argwhere(b)), 3.0, atol=1e-12)
    first, second = np.zeros((10, 10), bool), np.zeros((10, 10), bool)
    first[:, 0:5], second[:, 3:8] = True, True
    close([dice(first, second), jaccard(first, second)], [0.4, 0.25], atol=1e-12)
    assert dice(np.zeros((3, 3)), np.zeros((3, 3))) == 1.0
    with pytest.raises(StudyError, match="laid over"):
        dice(a, first)


def test_directed_distance():
    # scipy.spatial.distance.directed_hausdorff, documented example
    u = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])
    v = np.array([(2.0, 0.0), (0.0, 2.0), (-2.0, 0.0), (0.0, -4.0)])
    close([directed_hausdorff(u, v), directed_hausdorff(v, u)], [2.23606797749979, 3.0],
          atol=1e-9)


def test_cohen_kappa():
    # Educ Psychol Meas 1960;20:37-46: the two-by-two example of textbooks
    found = cohen_kappa([[20, 5], [10, 15]])
    close([found.observed, found.expected, found.kappa], [0.7, 0.5, 0.4], atol=1e-12)
    close([found.low, found.high], [0.15, 0.65], atol=0.01)
    from statsmodels.stats.inter_rater import cohens_kappa

    other = cohens_kappa(np.array([[20, 5], [10, 15]]))
    close([found.low, found.high], [other.kappa_low, other.kappa_upp], atol=1e-5)


def test_fleiss_kappa():
    # Psychol Bull 1971;76:378-382 worked example of textbooks: 14 raters, 10 subjects, 0.210;
    # the table as statsmodels carries it
    import statsmodels

    file = Path(statsmodels.__file__).parent / "stats/tests/test_inter_rater.py"
    if not file.is_file():
        pytest.skip("this statsmodels does not carry the table")
    rows = file.read_text().split("table0 = np.asarray(")[1].split('"""')[1].splitlines()
    cells = np.array([[float(cell) for cell in row.split()[1:6]] for row in rows
                      if len(row.split()) == 7])
    assert cells.shape == (10, 5)
    close(fleiss_kappa(cells).kappa, 0.209930, atol=1e-5)


def test_refusals():
    with pytest.raises(StudyError, match="three pairs"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(StudyError, match="constants"):
        gauge_by_ranges(np.ones((12, 2, 2)))
