"""Names of zones as wholes: each strip and stretch of a residual by itself, the sheet's say."""

import numpy as np
import pytest

from edgeqc.zoning.border_moves import BorderEvidence
from edgeqc.zoning.naming import name_regions
from edgeqc.zoning.partition import PartitionSettings, partition_face

N_T, N_S = 40, 160
TORN, SCISSOR = 2, 1
LASERED = slice(0, 100)


def opinion(strip, stretch):
    """Cells of a network: laser over a strip, and beside it a stretch without laser.

    ``strip`` and ``stretch`` are the probabilities of torn there, the rest goes to scissor.
    """
    net = np.full((4, N_T, N_S), 1e-3)
    net[0, :30, LASERED] = 1.0
    for rows, columns, torn in ((slice(30, None), LASERED, strip), (slice(None), slice(100, None),
                                                                    stretch)):  # fmt: skip
        net[TORN, rows, columns] = torn
        net[SCISSOR, rows, columns] = 1 - torn
    return net / net.sum(axis=0)


def partitioned(net, switch=1e-3):
    settings = PartitionSettings(switch_probability=switch)
    named = net[:3] / net[:3].sum(axis=0)
    return partition_face(np.log(named), np.ones((N_T, N_S)), settings)


def names_of(part):
    labels = part.cell.argmax(axis=0)
    return labels[35, 50], labels[20, 130]


def names(naming):
    return names_of(naming.partition)


@pytest.mark.parametrize(
    ("strip", "stretch", "expected"),
    [(0.8, 0.1, (TORN, SCISSOR)), (0.2, 0.1, (SCISSOR, SCISSOR)), (0.9, 0.97, (TORN, TORN))],
)
def test_strip_and_stretch_are_named_apart(strip, stretch, expected):
    # a partition that hardly ever lets the kind change gives both the name of the larger
    net = opinion(strip, stretch)
    part = partitioned(net, switch=1e-300)
    assert len(set(names_of(part))) == 1
    naming = name_regions(None, part, net, taught=True)
    assert names(naming) == expected


def test_draws_follow_the_names_chord_by_chord():
    net = opinion(0.8, 0.1)
    naming = name_regions(None, partitioned(net, switch=1e-300), net, taught=True)
    kinds = naming.partition.draw_kinds
    assert (kinds[:, 10:90] == 0).all()
    assert (kinds[:, 110:] == 1).all()
    np.testing.assert_allclose(naming.partition.cell.sum(axis=0), 1.0, atol=1e-9)
    np.testing.assert_allclose(naming.partition.state.sum(axis=(1, 2)), 1.0, atol=1e-9)


def test_a_stretch_of_the_whole_thickness_is_rather_scissor_than_torn():
    # torn in the strip, torn at the same odds in the stretch: only the strip believes it
    net = opinion(0.7, 0.7)
    assert names(name_regions(None, partitioned(net), net, taught=True)) == (TORN, SCISSOR)


def test_what_speaks_against_either_part_counts():
    sure = name_regions(None, partitioned(opinion(0.97, 0.03)), opinion(0.97, 0.03), taught=True)
    unsure = name_regions(None, partitioned(opinion(0.7, 0.03)), opinion(0.7, 0.03), taught=True)
    assert sure.net_rival < 0.05
    assert unsure.net_rival == pytest.approx(0.3, abs=0.02)
    assert unsure.worst_against > sure.worst_against


def test_the_sheet_weighs_on_names_and_is_contradicted_by_clear_textures():
    net = opinion(0.6, 0.03)
    by_scissors = name_regions(None, partitioned(net), net, taught=True, freed_by="scissors")
    assert names(by_scissors) == (SCISSOR, SCISSOR)
    clear = opinion(0.99, 0.03)
    against = name_regions(None, partitioned(clear), clear, taught=True, freed_by="scissors")
    assert against.contradiction > 0.9


def two_kinds(first, second):
    """A laser zone over a residual, its first half torn at ``first``, the rest at ``second``."""
    net = np.full((4, N_T, N_S), 1e-3)
    net[0, :30] = 1.0
    for columns, torn in ((slice(0, 70), first), (slice(70, None), second)):
        net[TORN, 30:, columns] = torn
        net[SCISSOR, 30:, columns] = 1 - torn
    return net / net.sum(axis=0)


def borders_at(column, log_odds=2.0):
    """Evidence of a border through the residual after a column, and of none anywhere else."""
    along = np.full((N_T, N_S - 1), -7.0)
    if column is not None:
        along[30:, column] = log_odds
    return BorderEvidence(np.zeros((N_T + 1, N_S)), along)


def ends_of(naming):
    labels = naming.partition.cell.argmax(axis=0)
    return labels[35, 20], labels[35, 150]


@pytest.mark.parametrize(
    ("seam", "expected"), [(69, (TORN, SCISSOR)), (None, (SCISSOR, SCISSOR)), (30, (SCISSOR,) * 2)]
)
def test_a_residual_changes_its_kind_only_where_a_border_is_seen(seam, expected):
    net = two_kinds(0.8, 0.1)
    part = partitioned(net)
    labels = part.cell.argmax(axis=0)
    assert (labels[35, 20], labels[35, 150]) == (TORN, SCISSOR)
    naming = name_regions(None, part, net, taught=True, borders=borders_at(seam))
    assert ends_of(naming) == expected
    np.testing.assert_allclose(naming.partition.state.sum(axis=(1, 2)), 1.0, atol=1e-9)


def test_a_residual_named_as_one_carries_the_doubt_of_both_halves():
    net = two_kinds(0.8, 0.1)
    part = partitioned(net)
    apart = name_regions(None, part, net, taught=True, borders=borders_at(69))
    as_one = name_regions(None, part, net, taught=True, borders=borders_at(None))
    assert as_one.worst_against > apart.worst_against
    assert as_one.net_rival > apart.net_rival
