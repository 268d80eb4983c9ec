"""Roughness of surfaces by ISO 25178-2, on rectangles and on irregular zones, with its doubt."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import MeasurementError
from edgeqc.measure.areal_parameters import (
    ArealValues,
    areal_material_values,
    height_and_hybrid_values,
)
from edgeqc.measure.areal_spatial import spatial_values
from edgeqc.measure.feature_parameters import (
    FEATURES,
    PRUNING,
    curvature_spread,
    feature_values,
)
from edgeqc.measure.form import SurfaceForm, free_parameters, surface_form
from edgeqc.measure.height_checks import FLAT, check_height_range, checked_surface
from edgeqc.measure.material_ratio import MaterialSettings, material_readings
from edgeqc.measure.noise_taken_out import broken_up, noise_known, without_noise
from edgeqc.measure.profile_band import Band, surface_noise
from edgeqc.measure.robust_areal import robust_surface
from edgeqc.measure.roughness_result import (
    ENDS,
    LEVELLING,
    NO_TRANSITION,
    NOISE,
    NOT_SETTLED,
    REACH,
    ROUNDS,
    SAMPLING,
    Conditions,
    HeightDoubt,
    Roughness,
    measured,
    scale_shares,
)
from edgeqc.measure.roughness_symbols import AREAL_STANDARD, AREAL_SYMBOLS
from edgeqc.measure.surface_filter import gaussian_areal_filter
from edgeqc.quantity import FloatArray, Measured

FILTER_TITLES: dict[str, str] = {
    "Gaussian": "Gaussian (ISO 16610-61)",
    "robust Gaussian": "robust Gaussian regression, order 2 (ISO 16610-71)",
}

MIN_SIDE = 8
"""Fewest heights along either side of the region."""

MIN_HEIGHTS = 256
"""Fewest heights in the region."""

NOISE_SEED = 25178
"""Seed of the noise that is added once more to see what noise does to each parameter."""

LAY = "direction of the lay (along the ridges), from growing column towards growing row"

_FORMS = ("mean", "plane", "polynomial 2", "polynomial 3", "sphere", "cylinder")


@dataclass(frozen=True)
class ArealSettings:
    """How areal parameters are taken.

    Parameters
    ----------
    material : MaterialSettings
        Where the material ratio curve is read.
    features : bool
        Whether the feature parameters are taken too.
    pruning : float
        Least rise of a hill or dale over its saddle, as a share of Sz.

    References
    ----------
    ISO 25178-2:2021.
    """

    material: MaterialSettings = field(default_factory=MaterialSettings)
    features: bool = True
    pruning: float = PRUNING


def roughness_areal(
    height_um: ArrayLike,
    spacing_um: float | tuple[float, float],
    *,
    mask: ArrayLike | None = None,
    nesting_index_um: float | None = None,
    band: Band | None = None,
    doubt: HeightDoubt | None = None,
    settings: ArealSettings | None = None,
) -> Roughness:
    """Return the roughness of a surface by the standard's symbols.

    Parameters
    ----------
    height_um : (rows, cols) array
        Heights in µm; NaN marks gaps. Real lengths only, never grey levels.
    spacing_um : float or (float, float)
        Sampling interval in µm, one for both directions or (row, col).
    mask : (rows, cols) bool array, optional
        True where a height belongs to the region.
    nesting_index_um : float, optional
        Nesting index of the L-filter. Without it no L-filter is applied (an S-F surface).
    band : Band, optional
        Form, S-filter, kind of L-filter, end treatment. By default nothing but the mean is
        taken off: give ``Band(form="plane")`` to level.
    doubt : HeightDoubt, optional
        Noise and scale uncertainty of the heights.
    settings : ArealSettings, optional
        How the parameters are taken.

    Returns
    -------
    Roughness
        Mapping of symbol (``"Sq"``, ``"Sal"``, ``"Sdr"``, ...) to ``Measured``, with conditions.

    Raises
    ------
    MeasurementError
        Where the surface is constant, all gap, a strip or too small, or the spacing or nesting
        index impossible.

    Notes
    -----
    The uncertainty has the shares "sampling along the surface" (scatter between tiles; for
    features between the features), "levelling", "filter ends", "height noise", "height scale"
    and "pixel size"; "rounds of the robust filter" where these had not settled.

    References
    ----------
    ISO 25178-2:2021; ISO 25178-3:2012 (S-F and S-L surfaces).

    Examples
    --------
    >>> x = (np.arange(500) + 0.5) / 100
    >>> z = np.sin(2 * np.pi * x)[None, :] * np.ones((100, 1))
    >>> round(roughness_areal(z, 0.01)["Sq"].value, 4)
    0.7071
    """
    height, spacing = _region(height_um, spacing_um, mask)
    limits, known, how = band or Band(), doubt or HeightDoubt(), settings or ArealSettings()
    z, restless = _limited(height, spacing, nesting_index_um, limits)
    reach = max(map(abs, _extremes(height)))
    high, low = _extremes(z)
    if high - low <= FLAT * reach:  # the form took everything, up to rounding
        high = low
    check_height_range(low, high, "surface")
    plain = _values(z, spacing, how)
    ends: dict[str, float] = {}
    if nesting_index_um is not None or limits.short_nesting_index_um is not None:
        ends = _other_ends(height, spacing, (nesting_index_um, limits, how), plain)
    noisy: dict[str, float] = {}
    bend = math.nan
    if known.noise_um > 0:
        noise = known.draw(np.random.default_rng(NOISE_SEED), height.shape, spacing)
        noisier, _ = _limited(height + noise, spacing, nesting_index_um, limits)
        noisy = _values(noisier, spacing, how).value
        if how.features:
            bend = curvature_spread(noisier - z, spacing)
    left = surface_noise(known, spacing, nesting_index_um, limits)
    broken = broken_up(how.pruning * plain.value["Sz"], left)
    variants = _Variants(ends, noisy, left, restless, broken, bend)
    values = _with_doubt(plain, variants, known, limits.form, z)
    note = NOT_SETTLED if restless else ""
    conditions = _conditions(z, spacing, nesting_index_um, limits, note)
    readings = material_readings(how.material, "S")
    readings.update(dict.fromkeys(FEATURES, f"pruned at {100 * how.pruning:g} % of Sz"))
    readings["Std"] = LAY
    return Roughness(values, replace(conditions, readings=readings))


def _other_ends(
    height: FloatArray,
    spacing: tuple[float, float],
    taken: tuple[float | None, Band, ArealSettings],
    plain: ArealValues,
) -> dict[str, float]:
    """Values under the other end treatment; a robust filter's from its linear counterpart."""
    nesting, band, how = taken

    def values(of: Band) -> dict[str, float]:
        z, _ = _limited(height, spacing, nesting, of)
        return _values(z, spacing, how, everything=False).value

    other = values(band.linear().other_ends())
    if band.filter == "Gaussian":
        return other
    one = values(band.linear())
    return {name: plain.value[name] + other[name] - one[name] for name in other}


def _ends_matter(nesting: float | None, band: Band) -> bool:
    """Whether a filter is applied whose treatment of ends is a choice."""
    return band.short_nesting_index_um is not None or (
        nesting is not None and band.filter == "Gaussian"
    )


def _region(
    height_um: ArrayLike, spacing_um: float | tuple[float, float], mask: ArrayLike | None
) -> tuple[FloatArray, tuple[float, float]]:
    """Cut the height map to the region's bounding box, NaN outside the region."""
    height, valid, spacing = checked_surface(height_um, spacing_um)
    if mask is not None:
        chosen = np.asarray(mask, dtype=np.bool_)
        if chosen.shape != height.shape:
            raise MeasurementError(
                f"the mask has the shape {chosen.shape}, the height map {height.shape}",
                rule="Mask and height map have the same shape.",
                remedy="Lay the zone over the height map first.",
            )
        valid = valid & chosen
    rows, cols = np.flatnonzero(valid.any(axis=1)), np.flatnonzero(valid.any(axis=0))
    if rows.size == 0:
        raise MeasurementError(
            "the region holds no height", rule="At least some heights lie in the region.",
            remedy="Check the zone's mask against the height map.",
        )
    box = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    inside = valid[box]
    if min(inside.shape) < MIN_SIDE or np.count_nonzero(inside) < MIN_HEIGHTS:
        raise MeasurementError(
            f"the region is {inside.shape[0]} by {inside.shape[1]} heights,"
            f" {np.count_nonzero(inside)} of them with a number",
            rule=f"Areal roughness needs {MIN_SIDE} heights along either side and {MIN_HEIGHTS}"
            " in all.",
            remedy="Choose a larger region, or take a profile along a strip.",
        )
    cut = np.where(inside, height[box], np.nan)
    high, low = _extremes(cut)
    check_height_range(low, high, "surface")
    return cut, spacing


def _extremes(height: FloatArray) -> tuple[float, float]:
    """Return the highest and the lowest height, gaps left out."""
    return float(np.fmax.reduce(height, axis=None)), float(np.fmin.reduce(height, axis=None))


def _limited(
    height: FloatArray, spacing: tuple[float, float], nesting: float | None, band: Band
) -> tuple[FloatArray, float]:
    """Take off the form, then the S- and the L-filter, then the mean.

    Also returns how far the robust filter still moved, in µm; 0 where it had settled.
    """
    restless = 0.0
    form = _form(band.form)
    z = height if form == "mean" else height - surface_form(height, spacing, form)
    if band.short_nesting_index_um is not None:
        z = gaussian_areal_filter(
            z, spacing, band.short_nesting_index_um, end_treatment=band.end_treatment
        )
    if nesting is not None:
        if band.filter == "robust Gaussian":
            robust = robust_surface(z, spacing, nesting)
            z = z - robust.surface_um
            restless = 0.0 if robust.settled else robust.move_um
        else:
            z = z - gaussian_areal_filter(
                z, spacing, nesting, end_treatment=band.end_treatment
            )
    valid = np.isfinite(z)
    count = np.count_nonzero(valid)
    centred: FloatArray = z - np.where(valid, z, 0.0).sum() / count
    # the rounding of a large offset's mean is left over
    centred -= np.where(valid, centred, 0.0).sum() / count
    return centred, restless


def _form(name: str) -> SurfaceForm:
    if name not in _FORMS:
        raise MeasurementError(
            f"the form to take off a surface is {name!r}",
            rule=f"It is {', '.join(_FORMS)}.",
            remedy="Choose one of these.",
        )
    return name  # type: ignore[return-value]


def _values(
    z: FloatArray, spacing: tuple[float, float], settings: ArealSettings, *, everything: bool = True
) -> ArealValues:
    """All families together; without ``everything`` only those that cost little."""
    parts = [height_and_hybrid_values(z, spacing), areal_material_values(z, settings.material)]
    if everything:
        parts.append(spatial_values(z, spacing))
        if settings.features:
            reach = parts[0].value["Sz"], parts[0].sampling["Sz"]
            parts.append(feature_values(z, spacing, reach, settings.pruning))
    value: dict[str, float] = {}
    sampling: dict[str, float] = {}
    freedom: dict[str, float] = {}
    notes: dict[str, str] = {}
    for part in parts:
        value.update(part.value)
        for name, share in part.sampling.items():
            # moments: the scatter between tiles, or what the tails of the curve leave open
            sampling[name] = float(np.fmax(share, sampling.get(name, share)))
        notes.update(part.notes)
        freedom.update(part.freedom)
    return ArealValues(value, sampling, freedom, parts[0].levelling_um2, notes)


@dataclass(frozen=True)
class _Variants:
    """Values under the other ends, and with noise once more; what filters and noise leave open."""

    ends: dict[str, float]
    noisy: dict[str, float]
    noise_left_um: float
    restless: float
    broken: bool
    bend: float


def _with_doubt(
    plain: ArealValues,
    variants: _Variants,
    doubt: HeightDoubt,
    form: str,
    z: FloatArray,
) -> dict[str, Measured]:
    ends, noisy, restless = variants.ends, variants.noisy, variants.restless
    rms, count = plain.value["Sq"], int(np.count_nonzero(np.isfinite(z)))
    taken = 0.5 * free_parameters(form, 2) * plain.levelling_um2 / rms**2
    bare = None
    if noisy:
        slopes = np.array([plain.value["Sdq"]]), np.array([noisy["Sdq"]])
        bare = replace(
            noise_known(np.array([rms]), variants.noise_left_um, slopes, doubt.noise_u_rel),
            broken=variants.broken, bend=variants.bend,
        )
    ends_rel = abs(ends["Sq"] / rms - 1.0) / math.sqrt(3.0) if ends else 0.0
    result = {}
    for name, entry in AREAL_SYMBOLS.items():
        if name not in plain.value:
            continue
        value, note = plain.value[name], plain.notes.get(name, "")
        if name == "Smq" and math.isnan(value):
            note = NO_TRANSITION
        budget = {SAMPLING: plain.sampling[name]}
        for source, share in scale_shares(np.array(value), entry, doubt).items():
            budget[source] = float(share)
        budget[LEVELLING] = abs(value) * taken * entry.height_power
        if ends:
            budget[ENDS] = (
                abs(ends[name] - value) / math.sqrt(3.0) if name in ends
                else abs(value) * ends_rel * max(entry.height_power, 1.0)
            )
        if restless:
            budget[ROUNDS] = REACH * restless / rms * abs(value) * max(entry.height_power, 1.0)
        if bare is not None:
            one = without_noise(
                name, entry, (np.array([value]), np.array([noisy[name]])), bare)
            if math.isfinite(value) and not math.isfinite(one.value[0]):
                note = one.why
            value = float(one.value[0])
            budget = {source: share * float(one.growth[0]) for source, share in budget.items()}
            budget[NOISE] = float(one.share[0])
        result[name] = measured(
            value, budget, plain.freedom.get(name, math.inf), entry, note=note, n=count)
    return result


def _conditions(
    z: FloatArray,
    spacing: tuple[float, float],
    nesting: float | None,
    band: Band,
    note: str,
) -> Conditions:
    filtered = _ends_matter(nesting, band)
    notes = [note] if note else []
    if nesting is None:
        notes.append("no L-filter was applied")
    if band.short_nesting_index_um is None:
        notes.append(f"lateral limit is the pixel, {max(spacing):.3g} µm")
    return Conditions(
        kind="S",
        filter=FILTER_TITLES[band.filter] if nesting is not None else "none",
        nesting_index_um=nesting,
        short_nesting_index_um=band.short_nesting_index_um,
        end_treatment=band.ends_title if filtered else "",
        form=band.form,
        evaluation_length_um=max(n * step for n, step in zip(z.shape, spacing, strict=True)),
        evaluation_area_um2=float(np.count_nonzero(np.isfinite(z))) * spacing[0] * spacing[1],
        standard=AREAL_STANDARD,
        note="; ".join(notes),
    )
