"""The rectangular lattice that explains the peaks of a spectrum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeqc.measure.lattice_spectrum import Peak
from edgeqc.quantity import FloatArray

_ORDERS_ALONG = 5
_ORDERS_ACROSS = 8
_TOLERANCE_BINS = 1.0
_FULL_WEIGHT = 60.0
_UNEXPLAINED = 3.0
# harmonics beyond the Nyquist limit fold back to periods between 2 and 3 px
_FOLDED_PX = 3.0


Orders = tuple[tuple[int, tuple[float, float]], ...]
"""Numbers of waves and their orders (h along, k across)."""


@dataclass(frozen=True)
class Wave:
    """A peak in the face's own frame.

    Parameters
    ----------
    s, t : float
        Frequency along the face's length and through its thickness, in cycles per µm (or per
        pixel), foreshortening undone.
    peak : Peak
        The peak.
    bin : float
        Resolution, in the same unit.
    """

    s: float
    t: float
    peak: Peak
    bin: float

    @property
    def period_px(self) -> float:
        """Period in pixels of the picture."""
        return 1 / math.hypot(self.peak.row, self.peak.col)

    @property
    def weight(self) -> float:
        """Significance from 0 to 1."""
        return min(-self.peak.log_p, _FULL_WEIGHT) / _FULL_WEIGHT


@dataclass(frozen=True)
class Reciprocal:
    """A reciprocal lattice, and what it explains.

    Parameters
    ----------
    along, across : (s, t)
        Frequency vectors of the spots along a line and of the lines.
    orders : tuple of (int, (float, float))
        Number of the wave and its order (h along, k across; k counts in halves, because every
        other line may be shifted).
    score : float
        Logarithm of how much better it explains the waves than chance.
    explained : float
        Share of the waves' weight that it explains (folded harmonics left aside).
    """

    along: tuple[float, float]
    across: tuple[float, float]
    orders: Orders
    score: float
    explained: float = 1.0

    @property
    def cell(self) -> float:
        """Area of a cell, one spot."""
        return self.spot * self.line

    @property
    def shifted(self) -> bool:
        """Whether waves of half an order were seen: every other line is shifted."""
        return any(2 * k % 2 != 0 for _, (_, k) in self.orders)

    @property
    def shifted_both_ways(self) -> bool:
        """Whether waves of half an order were seen on either side, as a shift makes them."""
        signs = {math.copysign(1.0, h * k) for _, (h, k) in self.orders if h and 2 * k % 2}
        return len(signs) == 2

    @property
    def spot(self) -> float:
        """Separation of the spots along a line."""
        cross = self.along[0] * self.across[1] - self.along[1] * self.across[0]
        return math.hypot(*self.across) / abs(cross)

    @property
    def line(self) -> float:
        """Separation of the lines."""
        return 1 / math.hypot(*self.across)

    @property
    def angle_deg(self) -> float:
        """Direction of the lines from the face's length, in degrees from -90 to 90."""
        # lines run at right angles to the frequency vector across them
        angle = math.degrees(math.atan2(self.across[0], -self.across[1]))
        return (angle + 90) % 180 - 90

    @property
    def skew_deg(self) -> float:
        """How far the two directions are from a right angle, in degrees."""
        dot = self.along[0] * self.across[0] + self.along[1] * self.across[1]
        size = math.hypot(*self.along) * math.hypot(*self.across)
        return 90 - math.degrees(math.acos(min(1.0, abs(dot) / size)))


def fit_lattices(
    waves: list[Wave], *, max_skew_deg: float, separations: tuple[float, float]
) -> list[Reciprocal]:
    """Return the rectangular lattices that explain the waves, best first.

    Parameters
    ----------
    waves : list of Wave
        Significant peaks, the strongest first.
    max_skew_deg : float
        How far the two directions may be from a right angle.
    separations : (least, greatest)
        Range of both separations.

    Notes
    -----
    Every ordered pair of waves proposes a lattice: one is the wave across the lines, the other
    is a wave along them, plain or with whole or half orders across. Waves are explained that
    lie at a node within the resolution. A lattice with many nodes explains anything, so that
    each wave explained counts the logarithm of one over the share of the band that the nodes
    take; waves left unexplained count against it.
    """
    found: list[Reciprocal] = []
    known: dict[Orders, Reciprocal | None] = {}  # many proposals come to the same orders
    for along, across in _proposals(waves):
        for swap in (False, True):
            pair = (across, along) if swap else (along, across)
            orders = _match(waves, *pair)
            if orders not in known:
                known[orders] = _explain(waves, orders)
            lattice = known[orders]
            if lattice is None or lattice.skew_deg > max_skew_deg:
                continue
            if separations[0] <= min(lattice.spot, lattice.line) and (
                max(lattice.spot, lattice.line) <= separations[1]
            ):
                found.append(lattice)
    found.sort(key=lambda lattice: -lattice.score)
    found = _distinct(found)
    if not found:
        return []
    # a lattice of twice the cell with every other wave missing explains the same waves
    least = found[0].score - 0.03 * abs(found[0].score)
    near = [lattice for lattice in found if lattice.score >= least]
    best = min(near, key=lambda lattice: lattice.cell)
    return [best, *(lattice for lattice in found if lattice is not best)]


def _proposals(waves: list[Wave]) -> list[tuple[FloatArray, FloatArray]]:
    """Return the lattices (along, across) that pairs of waves propose."""
    proposals = []
    for i, first in enumerate(waves):
        for j, second in enumerate(waves):
            if i == j:
                continue
            p, q = np.array([first.s, first.t]), np.array([second.s, second.t])
            proposals += _from_line_wave(p, q)
            if j > i:
                proposals += _from_equal_waves(p, q)
    return proposals


def _from_line_wave(across: FloatArray, other: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    order = float(other @ across / (across @ across))
    half = round(2 * order) / 2
    if abs(half) > 3:
        return []
    along = other - half * across
    if np.hypot(*along) < 0.1 * np.hypot(*across):
        return []
    return [(along, across)]


def _from_equal_waves(p: FloatArray, q: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Two waves of equal length are (1, 1/2) and (1, -1/2) of lines that are shifted by half."""
    if abs(np.hypot(*p) / np.hypot(*q) - 1) > 0.04:
        return []
    return [((p + q) / 2, p - q), ((p - q) / 2, p + q)]


def _explain(waves: list[Wave], orders: Orders) -> Reciprocal | None:
    """Mend a lattice by least squares, match the waves anew, and rate what it explains."""
    first = _solved(waves, orders)
    if first is None:
        return None
    orders = _match(waves, *first)
    solved = _solved(waves, orders)
    if solved is None:
        return None
    along, across = solved
    halves = any(2 * k % 2 for _, (_, k) in orders)
    density = _node_share(waves, along, across, 0.5 if halves else 1.0)
    matched = {i: h * along + k * across for i, (h, k) in orders}
    score, missed = 0.0, 0.0
    for i, wave in enumerate(waves):
        if i in matched:
            off = np.hypot(*(matched[i] - [wave.s, wave.t])) / wave.bin / _TOLERANCE_BINS
            score += wave.weight * math.log(1 / density) * (1 - min(1.0, off * off))
        elif wave.period_px > _FOLDED_PX:
            missed += wave.weight
    score -= _UNEXPLAINED * missed
    held = sum(waves[i].weight for i in matched)
    return Reciprocal((float(along[0]), float(along[1])), (float(across[0]), float(across[1])),
                      orders, score, held / (held + missed))


def _solved(waves: list[Wave], orders: Orders) -> tuple[FloatArray, FloatArray] | None:
    """Return the frequency vectors (along, across) that fit the waves of these orders best."""
    design = np.array([order for _, order in orders], float).reshape(-1, 2)
    square = design.T @ design  # of whole and half numbers: exact
    if square[0, 0] * square[1, 1] - square[0, 1] ** 2 == 0:
        return None  # orders along one line do not fix two directions
    weight = np.array([math.sqrt(waves[i].weight + 1e-3) / waves[i].bin for i, _ in orders])
    target = np.array([[waves[i].s, waves[i].t] for i, _ in orders], float)
    solved = np.linalg.lstsq(design * weight[:, None], target * weight[:, None], rcond=None)[0]
    return solved[0], solved[1]


def _match(waves: list[Wave], along: FloatArray, across: FloatArray) -> Orders:
    """Return the orders of the waves that lie at a node of the lattice."""
    if abs(float(along[0] * across[1] - along[1] * across[0])) < 1e-12:
        return ()
    places = np.array([(wave.s, wave.t) for wave in waves])
    h_real, k_real = np.linalg.inv(np.stack([along, across], axis=1)) @ places.T
    h = np.rint(h_real)
    k = np.where(h == 0, np.rint(k_real), np.rint(2 * k_real) / 2)
    rest = np.hypot(*(places - h[:, None] * along - k[:, None] * across).T)
    near = rest <= _TOLERANCE_BINS * np.array([wave.bin for wave in waves])
    near &= ((h != 0) | (k != 0)) & (np.abs(h) <= _ORDERS_ALONG) & (np.abs(k) <= _ORDERS_ACROSS)
    # 0.0 is added to turn a negative zero into a plain one
    return tuple((int(i), (float(h[i]) + 0.0, float(k[i]) + 0.0)) for i in np.nonzero(near)[0])


def _node_share(
    waves: list[Wave], along: FloatArray, across: FloatArray, step: float
) -> float:
    """Share of the band of frequencies that lies within tolerance of a node."""
    reach = max(math.hypot(wave.s, wave.t) for wave in waves)
    cell = abs(float(along[0] * across[1] - along[1] * across[0])) * step
    tolerance = _TOLERANCE_BINS * float(np.median([wave.bin for wave in waves]))
    in_reach = math.pi * reach**2 / cell
    return min(0.9, max(1e-6, in_reach * tolerance**2 / reach**2))


def _distinct(lattices: list[Reciprocal]) -> list[Reciprocal]:
    kept: list[Reciprocal] = []
    for lattice in lattices:
        same = any(
            abs(lattice.spot / other.spot - 1) < 0.03
            and abs(lattice.line / other.line - 1) < 0.03
            and abs((lattice.angle_deg - other.angle_deg + 90) % 180 - 90) < 3
            for other in kept
        )
        if not same:
            kept.append(lattice)
        if len(kept) >= 12:
            break
    return kept
