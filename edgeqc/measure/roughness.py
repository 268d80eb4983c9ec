"""Roughness of profiles by ISO 21920-2, and of surfaces by ISO 25178-2, each with its doubt.

The heights may come from a height map or from an edge contour; grey levels are no heights.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import MeasurementError
from edgeqc.measure.areal_roughness import ArealSettings, roughness_areal
from edgeqc.measure.height_checks import (
    FLAT,
    LARGEST_HEIGHT_UM,
    SMALLEST_RANGE_UM,
    check_height_range,
    check_spacing,
)
from edgeqc.measure.material_ratio import material_readings
from edgeqc.measure.profile_band import Band, Kind, limited_profile, profile_noise
from edgeqc.measure.profile_conditions import profile_conditions, why_not_had
from edgeqc.measure.profile_parameters import ProfileSettings, ProfileValues, profile_values
from edgeqc.measure.profile_shares import joined, with_shares
from edgeqc.measure.roughness_result import (
    NOISE,
    NOT_SETTLED,
    ROUNDS,
    Conditions,
    HeightDoubt,
    Roughness,
    Shares,
    measured,
)
from edgeqc.measure.roughness_symbols import PROFILE_SYMBOLS
from edgeqc.measure.section_lengths import SETTING_CLASSES, Sections, plan_sections
from edgeqc.quantity import BoolArray, FloatArray

__all__ = [
    "ArealSettings",
    "Band",
    "HeightDoubt",
    "ProfileSettings",
    "ProfileTable",
    "Roughness",
    "roughness_areal",
    "roughness_profile",
    "roughness_profiles",
]

ROWS_AT_ONCE = 50
"""Profiles worked on together: few enough for their arrays to stay in the processor's cache."""

MIN_HEIGHTS = 50
"""Fewest heights of a profile: five section lengths of ten heights."""

NOISE_DRAWS = 8
"""Draws of that noise for a single profile, which has little for chance to even out."""

NOISE_SEED = 21920
"""Seed of the noise that is added once more to see what noise does to each parameter."""


@dataclass(frozen=True)
class ProfileTable:
    """Roughness of many profiles, as arrays.

    Parameters
    ----------
    value : dict of str to (profiles,) float array
        Symbol -> value, NaN where it could not be had.
    shares : dict of str to Shares
        Symbol -> the shares of its standard uncertainty.
    conditions : Conditions
        Common to all profiles.
    usable : (profiles,) bool array
        False for a profile that is constant or has too few heights; its values are NaN.
    count : (profiles,) int array
        Number of heights.
    """

    value: dict[str, FloatArray]
    shares: dict[str, Shares]
    conditions: Conditions
    usable: BoolArray
    count: FloatArray

    def u(self, symbol: str) -> FloatArray:
        """Return the standard uncertainty of a parameter of every profile."""
        return self.shares[symbol].total()

    def at(self, index: int) -> Roughness:
        """Return the values of one profile with their budgets and intervals."""
        values = {}
        for name, value in self.value.items():
            shares = self.shares[name]
            freedom = float(np.broadcast_to(shares.freedom, self.usable.shape)[index])
            budget = {source: float(share[index]) for source, share in shares.shares.items()}
            entry = PROFILE_SYMBOLS[name[1:]]
            note = why_not_had(name, float(value[index]), budget.get(NOISE, 0.0))
            values[name] = measured(
                float(value[index]), budget, freedom, entry, note=note,
                n=int(self.count[index]),
            )
        restless = any(value.budget.get(ROUNDS) for value in values.values())
        notes = [note for note in (self.conditions.note, NOT_SETTLED * restless) if note]
        return Roughness(values, replace(self.conditions, note="; ".join(notes)))


def roughness_profile(
    height_um: ArrayLike,
    spacing_um: float,
    *,
    nesting_index_um: float | None = None,
    setting_class: str | None = None,
    kind: Kind = "R",
    doubt: HeightDoubt | None = None,
    settings: ProfileSettings | None = None,
    band: Band | None = None,
) -> Roughness:
    """Return the roughness of one profile by the standard's symbols.

    Parameters
    ----------
    height_um : (n,) array
        Heights in µm at equal spacing; NaN marks gaps. Real lengths only, never grey levels.
    spacing_um : float
        Sampling interval in µm.
    nesting_index_um : float, optional
        Nesting index of the L-filter in µm, which is also the section length. Without it (and
        without a class) no L-filter is applied, the heights are taken as limited to their scale
        already, and the profile is cut into five sections.
    setting_class : {"Sc1", ..., "Sc5"}, optional
        Setting class that gives nesting index, section and evaluation length.
    kind : {"R", "P", "W"}
        Roughness, primary or waviness profile.
    doubt : HeightDoubt, optional
        Noise and scale uncertainty of the heights.
    settings : ProfileSettings, optional
        How the parameters are taken.
    band : Band, optional
        Form, S-filter, kind of L-filter, end treatment.

    Returns
    -------
    Roughness
        Mapping of symbol (``"Rq"``, ``"Rz"``, ``"RSm"``, ...) to ``Measured``, with conditions.

    Raises
    ------
    MeasurementError
        Where the profile is constant, all gap, too short, or the spacing or nesting index
        impossible.

    Notes
    -----
    Rz, Rp and Rv are means over the section lengths; all other parameters are taken over the
    evaluation length. P- and W-parameters use the evaluation length as their only section (from
    memory). The uncertainty has the shares "sampling along the surface" (scatter between blocks
    of the evaluation length), "levelling", "filter ends" (half the range between the two end
    treatments, taken as rectangular), "height noise", "height scale" and "pixel size", and
    "rounds of the robust filter" where these had not settled.

    References
    ----------
    ISO 21920-2:2021; ISO 21920-3:2021 (setting classes).

    Examples
    --------
    >>> x = (np.arange(5000) + 0.5) / 1000
    >>> result = roughness_profile(np.sin(2 * np.pi * x), 0.001)
    >>> round(result["Rq"].value, 4)
    0.7071
    """
    height = np.asarray(height_um, dtype=np.float64)
    if height.ndim != 1:
        raise MeasurementError(
            f"the profile has the shape {height.shape}",
            rule="One profile is a one-dimensional array of heights.",
            remedy="Give many profiles to roughness_profiles, a surface to roughness_areal.",
        )
    table = roughness_profiles(
        height[None], spacing_um, nesting_index_um=nesting_index_um, setting_class=setting_class,
        kind=kind, doubt=doubt, settings=settings, band=band,
    )
    return table.at(0)


def roughness_profiles(
    height_um: ArrayLike,
    spacing_um: float,
    *,
    nesting_index_um: float | None = None,
    setting_class: str | None = None,
    kind: Kind = "R",
    doubt: HeightDoubt | None = None,
    settings: ProfileSettings | None = None,
    band: Band | None = None,
) -> ProfileTable:
    """Return the roughness of many profiles of equal length at once.

    Parameters
    ----------
    height_um : (profiles, n) array
        Heights in µm at equal spacing; NaN marks gaps.
    spacing_um, nesting_index_um, setting_class, kind, doubt, settings, band
        As in ``roughness_profile``.

    Returns
    -------
    ProfileTable
        A profile that is constant or has too few heights has NaN and is not ``usable``; where
        that holds for all of them, ``MeasurementError``.

    References
    ----------
    ISO 21920-2:2021.
    """
    spacing = check_spacing(spacing_um)
    height, usable, count = _checked_profiles(height_um)
    known, how, limits = doubt or HeightDoubt(), settings or ProfileSettings(), band or Band()
    if kind not in ("R", "P", "W"):
        raise MeasurementError(
            f"the kind of profile is {kind!r}", rule="It is R, P or W.", remedy="Choose one."
        )
    if setting_class in SETTING_CLASSES and nesting_index_um is None:
        nesting_index_um = SETTING_CLASSES[setting_class].nesting_index_um
    sections = _plan(height.shape[1], spacing, kind, nesting_index_um, setting_class)

    known_here = np.isfinite(height[:, sections.starts[0] : sections.starts[-1]]).sum(axis=1)
    usable = usable & (known_here >= MIN_HEIGHTS)
    if not usable.any():
        raise MeasurementError(
            f"the evaluation length holds {int(known_here.max())} heights",
            rule=f"Roughness needs at least {MIN_HEIGHTS} heights there.",
            remedy="Measure where the contour is known.",
        )

    def values_of(heights: FloatArray, this_band: Band) -> ProfileValues:
        z, restless = limited_profile(heights, spacing, kind, nesting_index_um, this_band)
        return replace(profile_values(z, spacing, sections.starts, how), restless=restless)

    good = height[usable]
    filtered = limits.short_nesting_index_um is not None or (
        kind != "P" and nesting_index_um is not None
    )
    left = profile_noise(known, spacing, kind, nesting_index_um, limits)
    rng = np.random.default_rng(NOISE_SEED)
    parts = []
    for start in range(0, good.shape[0], ROWS_AT_ONCE):
        piece = good[start : start + ROWS_AT_ONCE]
        plain = values_of(piece, limits)
        ends = _other_ends(piece, plain, limits, values_of) if filtered else {}
        noisy = None
        if known.noise_um > 0:
            noisy = _noisier(piece, (rng, known, spacing), limits, values_of)
        parts.append(with_shares(plain, ends, noisy, known, left, limits.form))
    value, shares = joined(parts, kind, usable)
    conditions = replace(
        profile_conditions(kind, nesting_index_um, limits, sections),
        readings=material_readings(how.material, kind) | how.element_reading(kind),
    )
    return ProfileTable(value, shares, conditions, usable, count)


def _noisier(
    heights: FloatArray,
    noise: tuple[np.random.Generator, HeightDoubt, float],
    band: Band,
    values_of: Callable[[FloatArray, Band], ProfileValues],
) -> ProfileValues:
    """Return the mean values with the noise added once more; few profiles get several draws."""
    rng, known, spacing = noise
    draws = max(1, min(NOISE_DRAWS, ROWS_AT_ONCE // heights.shape[0]))
    many = np.tile(heights, (draws, 1))
    noisy = values_of(many + known.draw(rng, many.shape, (spacing,)), band)

    def mean(field: FloatArray) -> FloatArray:
        of_draws = field.reshape(draws, heights.shape[0], *field.shape[1:])
        had = np.isfinite(of_draws)
        with np.errstate(invalid="ignore"):
            found: FloatArray = np.where(had, of_draws, 0.0).sum(axis=0) / had.sum(axis=0)
        return found

    return replace(
        noisy, value={name: mean(value) for name, value in noisy.value.items()},
        blocks={name: mean(block) for name, block in noisy.blocks.items()},
    )


def _other_ends(
    heights: FloatArray,
    plain: ProfileValues,
    band: Band,
    values_of: Callable[[FloatArray, Band], ProfileValues],
) -> dict[str, FloatArray]:
    """Return the values under the other end treatment.

    What the ends do to a robust filter is taken from its linear counterpart.
    """
    other = values_of(heights, band.linear().other_ends()).value
    if band.filter == "Gaussian":
        return other
    one = values_of(heights, band.linear()).value
    return {name: plain.value[name] + other[name] - one[name] for name in other}


def _checked_profiles(height_um: ArrayLike) -> tuple[FloatArray, BoolArray, FloatArray]:
    height = np.asarray(height_um, dtype=np.float64)
    if height.ndim != 2 or height.size == 0:
        raise MeasurementError(
            f"the profiles have the shape {height.shape}",
            rule="Profiles are a (profiles, n) array of heights.",
            remedy="Put one profile in each row.",
        )
    finite = np.isfinite(height)
    height = np.where(finite, height, np.nan)
    count = finite.sum(axis=1)
    if not finite.any():
        raise MeasurementError(
            "the profile is all gap", rule="At least some heights are numbers.",
            remedy="Check the contour or the zone's mask.",
        )
    enough = count >= MIN_HEIGHTS
    if not enough.any():
        raise MeasurementError(
            f"the profile has {int(count.max())} heights",
            rule=f"Roughness needs at least {MIN_HEIGHTS} heights.",
            remedy="Measure over a longer stretch or at a smaller spacing.",
        )
    high = np.max(height, axis=1, where=finite, initial=-np.inf)
    low = np.min(height, axis=1, where=finite, initial=np.inf)
    largest = np.maximum(np.abs(high), np.abs(low))
    varied = high - low > np.maximum(FLAT * largest, SMALLEST_RANGE_UM)
    varied &= largest <= LARGEST_HEIGHT_UM
    if not (varied & enough).any():
        first = int(np.argmax(enough))
        check_height_range(float(low[first]), float(high[first]), "profile")
    return height, varied & enough, count


def _plan(
    samples: int, spacing: float, kind: Kind, nesting: float | None, setting_class: str | None
) -> Sections:
    if kind == "R":
        return plan_sections(
            samples, spacing, nesting_index_um=nesting, setting_class=setting_class
        )
    return plan_sections(samples, spacing, section_count=1)
