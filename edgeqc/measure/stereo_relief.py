"""The relief of one patch of a stereo pair: how likely every relief is, brightness included.

A match moves patches until they agree and takes what disagrees for noise. Here the pair's
difference is explained by three things at once: the parallax of a relief that is a random field of
unknown spectrum, the change of brightness that the tilt makes of that very relief's slopes, and
white noise. Spectrum, weights of the change and noise are found on the patch. What comes out is
no single relief but draws of all that the pair allows, fine relief that it cannot show included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from edgeqc.measure.stereo_field import (
    FieldSpectrum,
    conjugate_gradient,
    frequencies,
    learned_spectrum,
    shrunk,
)
from edgeqc.measure.stereo_patch import (
    FIRST_NOISE,
    LaidPair,
    ReliefPatch,
    form_under,
    lay_over,
    shading_of,
    smoothed_guess,
    surface_slopes,
)
from edgeqc.measure.stereo_refine import Plane, gradient
from edgeqc.measure.stereo_shading import TERMS, shading_slopes
from edgeqc.measure.stereo_witness import Witness, witness_of
from edgeqc.quantity import FloatArray

LONGEST_STRIDE = 8.0
"""How much farther than one plain round an accelerated one may go."""

COARSE_BAND, FINE_BAND = (0.03, 0.2), (0.3, 0.45)
"""Frequencies, in cycles per pixel, at which what is left unexplained and noise are looked for."""

RIDGE = 1e-3
"""Share of the mean diagonal that is added where weights are solved for: two terms may be alike."""


@dataclass(frozen=True)
class ReliefSettings:
    """How the relief of a zone is found from a stereo pair.

    Parameters
    ----------
    warps : int
        How often the pictures are laid over each other anew by the relief found so far.
    rounds : int
        Rounds of learning spectrum, shading and noise each time.
    inner, last_inner : int
        Rounds of the linear solver in between, and at the end.
    draws : int
        Draws of the relief.
    margin_px : int
        Margin around a patch, so that its two borders do not touch.
    block_px : int
        Longest side of a patch that is treated as one.
    seed : int
        Seed of the draws: the same pair gives the same figures.
    """

    warps: int = 3
    rounds: int = 7
    inner: int = 6
    last_inner: int = 20
    draws: int = 2
    margin_px: int = 24
    block_px: int = 448
    seed: int = 7103


@dataclass(frozen=True)
class FoundRelief:
    """What the pair says of a patch.

    Parameters
    ----------
    mean_px : (n, m) float32 array
        Expected parallax in pixels.
    draws_px : tuple of (n, m) float32 arrays
        Draws of it.
    noise_sd : float
        Noise of the difference of the two pictures, in grey levels.
    weight : (TERMS,) float array
        Weights of the shading terms.
    excess : float
        Root of what is left of the pair's difference at coarse frequencies over what is left at
        the finest ones: 1 for noise alone, more where something is not explained.
    witness : Witness
        What the brightness says of this relief.
    """

    mean_px: Plane
    draws_px: tuple[Plane, ...]
    noise_sd: float
    weight: FloatArray
    excess: float
    witness: Witness


@dataclass(frozen=True)
class _State:
    """What is believed at present; ``white`` holds the mean's and the draws' white noise."""

    mean: Plane
    spectrum: FieldSpectrum
    weight: FloatArray
    noise_var: float
    white: tuple[Plane, ...]


@dataclass(frozen=True)
class _Dice:
    """White noise behind the draws, the same in every round so that rounds can settle."""

    picture: tuple[Plane, ...]
    field: tuple[Plane, ...]


def find_relief(
    patch: ReliefPatch, *, shading: bool, settings: ReliefSettings, far: bool = False
) -> FoundRelief:
    """Return the relief of a patch.

    Parameters
    ----------
    patch : ReliefPatch
        The patch, with its margin.
    shading : bool
        Whether brightness may change with the tilt.
    settings : ReliefSettings
        Settings.
    far : bool
        Whether the search starts far off, from a guess with all fine relief smoothed away. A
        relief that the pair settles is found from either start.

    Notes
    -----
    With u the parallax, D(u) the difference of the pictures laid over each other by u, and S(u)
    the shading of its slopes: D(u0) + D'·(u - u0) = S(u) + noise, and u a Gaussian field. Both
    sides are linear in u near the present guess, so that its mean solves a linear system, and so
    does a draw of it (noise is added to the data and to the prior). Spectrum, weights and noise
    variance are set to what is expected of the draws (expectation maximisation, weights
    extrapolated), which needs no window, no transfer function and no noise to take out
    afterwards: what the pair does not show stays in the draws at its expected size. D' is taken
    from the mean of both pictures freed of noise, whose error is independent of the difference.

    References
    ----------
    J. Roy. Stat. Soc. B 39 (1977), p. 1-38 (expectation maximisation). Scand. J. Statist. 35
    (2008), p. 335-353 (extrapolation). IEEE Trans. Signal Process. 58 (2010), p. 5870-5880
    (draws by perturbed optimisation).
    """
    rng = np.random.default_rng(settings.seed)
    shape = patch.inside.shape
    dice = _Dice(*(
        tuple(rng.standard_normal(shape, np.float32) for _ in range(settings.draws))
        for _ in range(2)
    ))
    form = form_under(patch)
    guess = smoothed_guess(patch) if far else patch.parallax_px
    start = np.where(patch.inside, guess - form, 0).astype(np.float32)
    state = _State(start, learned_spectrum([start]), np.zeros(TERMS), math.nan, ())
    for warp in range(settings.warps):
        laid = lay_over(patch, form, state.mean, state.noise_var)
        if math.isnan(state.noise_var):
            first = FIRST_NOISE * float(np.var(laid.difference[patch.inside]))
            state = replace(state, noise_var=max(first, 1e-12))
        path: list[FloatArray] = []
        for turn in range(settings.rounds):
            ends = warp == settings.warps - 1 and turn == settings.rounds - 1
            long = ends or (warp == 0 and turn == 0)
            state = _draw(patch, laid, state, dice,
                          rounds=settings.last_inner if long else settings.inner)
            if not ends:
                state = _learn(patch, laid, state, path if shading else None)
    fields = [form + state.spectrum.field(white) for white in state.white]
    excess = _excess(patch, laid, state)
    return FoundRelief(
        fields[0], tuple(fields[1:]), math.sqrt(state.noise_var), state.weight, excess,
        witness_of(patch, laid, fields[0]),
    )


def _excess(patch: ReliefPatch, laid: LaidPair, state: _State) -> float:
    """Return how much of the difference is left at coarse frequencies against fine ones."""
    radius = np.hypot(*frequencies((laid.base.shape[0], laid.base.shape[1])))
    power = np.zeros_like(radius)
    for white in state.white[1:]:
        draw = state.spectrum.field(white)
        left = laid.difference + laid.slope * (draw - laid.base)
        if state.weight.any():
            terms = shading_of(patch, draw)
            left = left - sum(np.float32(k) * t for k, t in zip(state.weight, terms, strict=True))
        power += np.square(np.abs(fft.rfft2(np.where(patch.inside, left, 0))))
    coarse, fine = (
        float(power[(radius >= low) & (radius < high)].mean())
        for low, high in (COARSE_BAND, FINE_BAND)
    )
    return math.sqrt(coarse / max(fine, 1e-30))


def _draw(
    patch: ReliefPatch, laid: LaidPair, state: _State, dice: _Dice, *, rounds: int
) -> _State:
    """Return the state with its mean and its draws found anew."""
    by_across = by_along = offset = np.zeros_like(laid.base)
    if state.weight.any():
        lift = np.float32(patch.lift)
        by_across, by_along = shading_slopes(*surface_slopes(patch, state.mean), state.weight)
        by_across, by_along = by_across * lift, by_along * (lift * np.float32(patch.row_stretch))
        terms = shading_of(patch, state.mean)
        offset = np.asarray(sum(
            np.float32(k) * term for k, term in zip(state.weight, terms, strict=True)))
    shaded = bool(state.weight.any())
    inverse = (patch.inside / state.noise_var).astype(np.float32)
    spectrum = state.spectrum

    def change(parallax: Plane) -> Plane:
        made = -laid.slope * parallax
        if shaded:
            made += by_across * gradient(parallax, 1) + by_along * gradient(parallax, 0)
        return made

    def back(residual: Plane) -> Plane:
        made = -laid.slope * residual
        if shaded:  # the central difference is antisymmetric
            made -= gradient(by_across * residual, 1) + gradient(by_along * residual, 0)
        return spectrum.field(made)

    def operator(white: Plane) -> Plane:
        return back(inverse * change(spectrum.field(white))) + white

    # change(u) = difference + slope·base-terms: everything that does not depend on u to the right
    data = laid.difference - laid.slope * laid.base - offset + (
        change(state.mean) + laid.slope * state.mean)
    evidence = float(np.mean(np.square(laid.slope[patch.inside]))) * float(np.mean(inverse))
    near = shrunk(spectrum, evidence)
    starts = state.white or tuple(np.zeros_like(laid.base) for _ in range(len(dice.field) + 1))
    found = [conjugate_gradient(operator, back(inverse * data), starts[0], rounds=rounds,
                                nearly_inverse=near)]
    sd = np.float32(math.sqrt(state.noise_var))
    for picture, field, start in zip(dice.picture, dice.field, starts[1:], strict=True):
        wanted = back(inverse * (data + sd * picture)) + field
        found.append(conjugate_gradient(operator, wanted, start, rounds=rounds,
                                        nearly_inverse=near))
    return replace(state, mean=spectrum.field(found[0]), white=tuple(found))


def _learn(
    patch: ReliefPatch, laid: LaidPair, state: _State, path: list[FloatArray] | None
) -> _State:
    """Return the state with spectrum, weights and noise as expected of the present draws."""
    draws = [state.spectrum.field(white) for white in state.white[1:]]
    square, product = np.zeros((TERMS, TERMS)), np.zeros(TERMS)
    left: list[tuple[FloatArray | None, FloatArray]] = []
    for draw in draws:
        rest = np.asarray((laid.difference + laid.slope * (draw - laid.base))[patch.inside], float)
        if path is None:
            left.append((None, rest))
            continue
        terms: FloatArray = np.stack(
            [term[patch.inside].astype(float) for term in shading_of(patch, draw)], axis=1
        )
        square += terms.T @ terms
        product += terms.T @ rest
        left.append((terms, rest))
    weight = state.weight
    if path is not None:
        ridge = RIDGE * float(np.trace(square)) / TERMS
        weight = np.asarray(np.linalg.solve(square + ridge * np.eye(TERMS), product), float)
    residual = [rest if made is None else rest - made @ weight for made, rest in left]
    noise = max(float(np.mean([np.mean(part**2) for part in residual])), 1e-12)
    if path is not None:
        weight = _accelerated(path, weight, square)
    spectrum = learned_spectrum(draws)
    fields = [state.mean, *draws]
    return _State(state.mean, spectrum, weight, noise, tuple(spectrum.white(f) for f in fields))


def _accelerated(
    path: list[FloatArray], weight: FloatArray, metric: FloatArray
) -> FloatArray:
    """Return the weights, every third time carried on along their way (``path`` is kept up)."""
    path.append(weight)
    if len(path) < 3:
        return weight
    start, middle, end = path[-3:]
    path.clear()
    first, bend = middle - start, end - 2 * middle + start
    stride = math.sqrt(max(float(first @ metric @ first), 0.0)
                       / max(float(bend @ metric @ bend), 1e-30))
    stride = min(max(stride, 1.0), LONGEST_STRIDE)
    return np.asarray(start + 2 * stride * first + stride**2 * bend)
