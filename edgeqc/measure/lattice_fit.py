"""The rectangular lattice that explains the waves of a zone."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeqc.measure.lattice_spectrum import Wave
from edgeqc.quantity import FloatArray

_ORDERS_ALONG = 5
_ORDERS_ACROSS = 8
_TOLERANCE_BINS = 1.2
_FULL_WEIGHT = 40.0
_LEAST_SKEW_DEG = 0.1
_PROPOSING = 8
# of two readings of one set of nodes, shifted lines leave those out that lie across the lines at
# odd multiples of half an order: power of these over the others of odd order
_FAINT = 0.1
_NEARLY = 0.8
# harmonics beyond the Nyquist limit fold back to periods between 2 and 3 px
_FOLDED_PX = 3.0

Orders = tuple[tuple[int, tuple[float, float]], ...]
"""Numbers of waves and their orders (h along, k across)."""


@dataclass(frozen=True)
class WaveField:
    """The waves in the face's own frame.

    Parameters
    ----------
    waves : tuple of Wave
        The waves, the least probable by chance first.
    places : (n, 2) float array
        Frequencies (s, t) along the face's length and through its thickness, in cycles per µm,
        foreshortening undone.
    to_bins : (2, 2) float array
        Turns a difference of places into resolutions of the zone.
    """

    waves: tuple[Wave, ...]
    places: FloatArray
    to_bins: FloatArray

    @property
    def weight(self) -> FloatArray:
        """Significance of the waves from 0 to 1."""
        return np.array([min(-wave.log_p, _FULL_WEIGHT) / _FULL_WEIGHT for wave in self.waves])


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
    evidence : float
        The same without the multiples of the strongest wave, which any grating has.
    ambiguous : bool
        Whether shifted lines explain the waves nearly as well.
    """

    along: tuple[float, float]
    across: tuple[float, float]
    orders: Orders
    score: float
    explained: float = 1.0
    evidence: float = 0.0
    ambiguous: bool = False

    @property
    def cell(self) -> float:
        """Area of a cell, one spot."""
        return self.spot * self.line

    @property
    def repeat(self) -> float:
        """Area after which the lattice repeats: two cells where every other line is shifted."""
        return self.cell * (2 if self.shifted and not self.shifted_by_half else 1)

    @property
    def shifted(self) -> bool:
        """Whether waves of half an order were seen: every other line is shifted."""
        return any(2 * k % 2 != 0 for _, (_, k) in self.orders)

    @property
    def shifted_by_half(self) -> bool:
        """Whether all waves are those of a shift by half: h + 2k even, cells centred."""
        return self.shifted and all((h + 2 * k) % 2 == 0 for _, (h, k) in self.orders)

    @property
    def settled(self) -> bool:
        """Whether the waves tell the number of lines: some lie across them alone, at odd orders.

        Without such waves, lines twice as far apart and shifted lines explain the others alike.
        """
        waves = [order for _, order in self.orders]
        if self.shifted:
            sides = {math.copysign(1.0, h * k) for h, k in waves if h and 2 * k % 2}
            return len(sides) == 2 and (
                self.shifted_by_half or any(h == 0 for h, _ in waves))
        return not self.ambiguous and any(h == 0 and k % 2 for h, k in waves) and any(
            k == 0 and h % 2 for h, k in waves)

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


def other_reading(lattice: Reciprocal) -> Reciprocal:
    """Return the same points with the directions of spots and lines exchanged.

    Spots s apart in lines l apart, every other line shifted by half, are spots 2 l apart in
    lines s/2 apart, shifted by half too.
    """
    (a, b), (c, d) = lattice.along, lattice.across
    if lattice.shifted:
        orders = tuple((i, (2 * k, h / 2)) for i, (h, k) in lattice.orders)
        return replace(lattice, along=(c / 2, d / 2), across=(2 * a, 2 * b), orders=orders)
    orders = tuple((i, (k, h)) for i, (h, k) in lattice.orders)
    return replace(lattice, along=(c, d), across=(a, b), orders=orders)


def fit_lattices(
    field: WaveField, *, max_skew_deg: float, separations: tuple[float, float]
) -> list[Reciprocal]:
    """Return the rectangular lattices that explain the waves, best first.

    Parameters
    ----------
    field : WaveField
        Significant waves, the strongest first.
    max_skew_deg : float
        How far the two directions may be from a right angle.
    separations : (least, greatest)
        Range of both separations.

    Notes
    -----
    Every ordered pair of waves proposes lattices: one is the wave across the lines, the other
    is a wave along them, plain or with whole or half orders across. Waves are explained that
    lie at a node within the resolution. Any two waves make a lattice: the score begins with the
    logarithm of one over the number of pairs that chance would set at right angles as nearly as
    these. The other waves are taken for a mixture, of those that lie at nodes and of a share of
    strays that lie anywhere: each wave explained adds, by its significance, the logarithm of its
    likelihood at a node over that anywhere, and each stray takes away that of their share. So a
    lattice with many nodes, which explains anything, has to explain more.
    """
    if len(field.waves) < 2:
        return []
    found: list[Reciprocal] = []
    known: set[Orders] = set()  # many proposals come to the same orders
    along, across = _proposals(field.places[_proposing(field)])
    keep = _plausible(along, across, max_skew_deg + 1.0, separations)
    for orders in _match(field, along[keep], across[keep]):
        if orders in known:
            continue
        known.add(orders)
        lattice = _explain(field, orders)
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
    fewest = min(lattice.repeat for lattice in near)
    best = next(lattice for lattice in near if lattice.repeat < 1.03 * fewest)
    best = _shifted_instead(field, best, found)
    return [best, *(lattice for lattice in found if lattice is not best)]


def _shifted_instead(
    field: WaveField, best: Reciprocal, found: list[Reciprocal]
) -> Reciprocal:
    """Return lines half as far apart, every other one shifted, if only faint waves speak against.

    Such lines alternate a little in depth too and leave faint waves of half an order across.
    """
    if best.shifted:
        return best
    for other in found:
        if not other.shifted or other.shifted_by_half or (
            abs(other.repeat / best.repeat - 1) > 0.03
        ):
            continue
        explained = {i for i, _ in other.orders}
        against = [field.waves[i].power for i, _ in best.orders if i not in explained]
        halves = [field.waves[i].power for i, (_, k) in other.orders if 2 * k % 2]
        across = [field.waves[i].power for i, (h, _) in other.orders if h == 0]
        if max(against, default=0.0) >= _FAINT * max(halves):
            continue
        if other.score < _NEARLY * best.score:
            continue
        if max(across, default=0.0) < max(against, default=0.0):
            return replace(best, ambiguous=True)
        return other
    return best


def _proposing(field: WaveField) -> list[int]:
    """Return the numbers of the waves that propose lattices: the strongest and the longest."""
    strong = [i for i, weight in enumerate(field.weight) if weight > 0.3 or i < _PROPOSING]
    long = sorted(strong, key=lambda i: -field.waves[i].period_px)
    return sorted({*strong[:_PROPOSING], *long[:_PROPOSING]})


def _proposals(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the frequency vectors (along, across) that pairs of waves propose, both ways."""
    first, second = (index.ravel() for index in np.indices((len(places),) * 2))
    apart = first != second
    p, q = places[first[apart]], places[second[apart]]
    # p across the lines, q along them plus some whole or half orders across
    order = np.rint(2 * np.einsum("ij,ij->i", q, p) / np.einsum("ij,ij->i", p, p)) / 2
    plain = np.abs(order) <= 3
    along, across = [(q - order[:, None] * p)[plain]], [p[plain]]
    # two waves of equal length are (1, 1/2) and (1, -1/2) of lines that are shifted
    equal = np.abs(np.hypot(*p.T) / np.maximum(np.hypot(*q.T), 1e-12) - 1) <= 0.04
    along += [(p + q)[equal] / 2, (p - q)[equal] / 2]
    across += [(p - q)[equal], (p + q)[equal]]
    a, b = np.concatenate(along), np.concatenate(across)
    return np.concatenate([a, b]), np.concatenate([b, a])


def _plausible(
    along: FloatArray, across: FloatArray, skew_deg: float, separations: tuple[float, float]
) -> NDArray[np.bool_]:
    """Whether proposals are rectangular and within the range of separations."""
    size = np.hypot(*along.T), np.hypot(*across.T)
    fine = (size[0] > 1e-9) & (size[1] > 1e-9)
    safe = [np.where(fine, value, 1.0) for value in size]
    dot = np.abs(np.einsum("ij,ij->i", along, across)) / (safe[0] * safe[1])
    fine &= dot <= math.sin(math.radians(skew_deg))
    for value in safe:
        fine &= (1 / value >= 0.95 * separations[0]) & (1 / value <= 1.05 * separations[1])
    return np.asarray(fine, np.bool_)


def _explain(field: WaveField, orders: Orders) -> Reciprocal | None:
    """Mend a lattice by least squares, match the waves anew, and rate what it explains."""
    first = solve_orders(field, orders)
    if first is None:
        return None
    orders = _match(field, first[:1], first[1:])[0]
    solved = solve_orders(field, orders)
    if solved is None:
        return None
    along, across = solved
    lattice = Reciprocal((float(along[0]), float(along[1])), (float(across[0]), float(across[1])),
                         orders, 0.0)
    matched = dict(orders)
    weight = field.weight
    counted = [i for i, wave in enumerate(field.waves)
               if i in matched or wave.period_px > _FOLDED_PX]
    row = _same_row(field, matched, solved)
    rated = [_rate(field, lattice, [i for i in counted if i not in left]) for left in ((), row)]
    held = float(sum(weight[i] for i in matched))
    return replace(lattice, score=rated[0], evidence=rated[1],
                   explained=held / max(held, float(sum(weight[i] for i in counted))))


def _rate(field: WaveField, lattice: Reciprocal, counted: list[int]) -> float:
    """Return the logarithm of how much better a lattice explains waves than chance."""
    matched, weight = dict(lattice.orders), field.weight
    pairs = len(counted) * (len(counted) - 1) / 2
    vectors = np.array([lattice.along, lattice.across])
    density = _node_share(field, vectors[0], vectors[1], 0.5 if lattice.shifted else 1.0)
    stray = (0.5 + sum(weight[i] for i in counted if i not in matched)) / (
        1 + sum(weight[i] for i in counted))
    score = -math.log(max(pairs, 1) * max(lattice.skew_deg, _LEAST_SKEW_DEG) / 45)
    further = sorted((i for i in counted if i in matched), key=lambda i: field.waves[i].log_p)
    for i in further[2:]:
        off = np.hypot(*(field.to_bins @ (matched[i] @ vectors - field.places[i])))
        near = 1 - min(1.0, float(off) / _TOLERANCE_BINS) ** 2
        score += float(weight[i]) * near * max(0.0, math.log((1 - stray) / density))
    return score + math.log(stray) * sum(float(weight[i]) for i in counted if i not in matched)


def _same_row(
    field: WaveField, matched: dict[int, tuple[float, float]], solved: FloatArray
) -> set[int]:
    """Return the waves in one row with the strongest, itself left out.

    They are multiples of one wave, as any grating has them: no evidence of a second direction.
    """
    first = min(matched, key=lambda i: field.waves[i].log_p)
    h, k = (round(2 * order) for order in matched[first])  # halves too
    step = np.array([h, k]) / math.gcd(h, k) @ solved
    step = step if matched[first][0] % 1 == 0 and matched[first][1] % 1 == 0 else 0.5 * step
    times = np.rint(field.places @ step / (step @ step))
    apart = np.hypot(*(field.to_bins @ (field.places - times[:, None] * step).T))
    return {int(i) for i in np.flatnonzero((apart <= _TOLERANCE_BINS) & (times != 0))} - {first}


def solve_orders(field: WaveField, orders: Orders) -> FloatArray | None:
    """Return the frequency vectors (along, across) that fit the waves of these orders best."""
    if not orders:
        return None
    design = np.array([order for _, order in orders], float).reshape(-1, 2)
    square = design.T @ design  # of whole and half numbers: exact
    if square[0, 0] * square[1, 1] - square[0, 1] ** 2 == 0:
        return None  # orders along one line do not fix two directions
    index = [i for i, _ in orders]
    ratio = np.array([field.waves[i].ratio for i in index])
    # a crest's place has a variance of one over its power; a bent frame shifts all alike
    weight = 1 / np.sqrt(1 / ratio + 1 / 300)[:, None]
    target = field.places[index]
    return np.asarray(np.linalg.lstsq(design * weight, target * weight, rcond=None)[0])


def _match(field: WaveField, along: FloatArray, across: FloatArray) -> list[Orders]:
    """Return, for every lattice, the orders of the waves that lie at its nodes."""
    basis = np.stack([along, across], axis=-1)
    fine = np.abs(np.linalg.det(basis)) > 1e-12
    basis = np.where(fine[:, None, None], basis, np.eye(2))
    real = np.linalg.inv(basis) @ field.places.T
    h = np.rint(real[:, 0])
    k = np.where(h == 0, np.rint(real[:, 1]), np.rint(2 * real[:, 1]) / 2)
    rest = field.places.T[None] - basis @ np.stack([h, k], axis=1)
    near = np.hypot(*np.moveaxis(field.to_bins @ rest, 1, 0)) <= _TOLERANCE_BINS
    near &= ((h != 0) | (k != 0)) & (np.abs(h) <= _ORDERS_ALONG) & (np.abs(k) <= _ORDERS_ACROSS)
    near &= fine[:, None]
    # 0.0 is added to turn a negative zero into a plain one
    return [_each_once(
        (int(i), (float(h[n, i]) + 0.0, float(k[n, i]) + 0.0)) for i in np.flatnonzero(near[n])
    ) for n in range(len(near))]


def _each_once(orders: Iterable[tuple[int, tuple[float, float]]]) -> Orders:
    """Keep the first, strongest, wave at every node (a node and its opposite are one)."""
    first: dict[tuple[float, float], tuple[int, tuple[float, float]]] = {}
    for i, (h, k) in orders:
        first.setdefault(max((h, k), (-h, -k)), (i, (h, k)))
    return tuple(first.values())


def _node_share(
    field: WaveField, along: FloatArray, across: FloatArray, step: float
) -> float:
    """Share of the band of frequencies that lies within tolerance of a node."""
    cell = abs(float(np.linalg.det(field.to_bins @ np.stack([along, across], axis=-1)))) * step
    return min(0.9, max(1e-6, math.pi * _TOLERANCE_BINS**2 / max(cell, 1e-9)))


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
