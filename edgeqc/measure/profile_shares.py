"""The shares of a batch of profiles' uncertainty put together, and its noise taken out."""

from __future__ import annotations

import math

import numpy as np

from edgeqc.measure.block_spread import spread_of_mean
from edgeqc.measure.form import free_parameters
from edgeqc.measure.noise_taken_out import (
    noise_known,
    scatter_without_noise,
    without_noise,
)
from edgeqc.measure.profile_parameters import ProfileValues
from edgeqc.measure.roughness_result import (
    ENDS,
    LEVELLING,
    NOISE,
    REACH,
    ROUNDS,
    SAMPLING,
    HeightDoubt,
    Shares,
    scale_shares,
)
from edgeqc.measure.roughness_symbols import PROFILE_SYMBOLS
from edgeqc.quantity import BoolArray, FloatArray


def with_shares(
    plain: ProfileValues,
    ends: dict[str, FloatArray],
    noisy: ProfileValues | None,
    doubt: HeightDoubt,
    noise_left_um: float,
    form: str,
) -> tuple[dict[str, FloatArray], dict[str, Shares]]:
    """Put the shares of each value's uncertainty together, and take the noise out."""
    values, result = dict(plain.value), {}
    rms = plain.value["q"]
    # removing a form of p parameters takes about p times the variance of the mean away
    taken = 0.5 * free_parameters(form, 1) * plain.levelling / rms**2
    for name, value in plain.value.items():
        entry = PROFILE_SYMBOLS[name]
        shares = {SAMPLING: plain.sampling[name], **scale_shares(value, entry, doubt)}
        shares[LEVELLING] = np.abs(value) * taken * entry.height_power
        if plain.restless is not None:
            shares[ROUNDS] = np.abs(value) * (REACH * plain.restless / rms) * max(
                entry.height_power, 1.0)
        if ends:
            shares[ENDS] = np.abs(ends[name] - value) / math.sqrt(3.0)
        result[name] = Shares(shares, plain.freedom[name])
    if noisy is not None:
        _take_noise_out(plain, noisy, (doubt, noise_left_um), values, result)
    return values, result


def _take_noise_out(
    plain: ProfileValues,
    noisy: ProfileValues,
    known: tuple[HeightDoubt, float],
    values: dict[str, FloatArray],
    result: dict[str, Shares],
) -> None:
    """Replace values and shares by those without noise; ``known``: doubt, noise left in µm."""
    doubt, noise_left_um = known
    noise = noise_known(
        plain.value["q"], noise_left_um, (plain.value["dq"], noisy.value["dq"]),
        doubt.noise_u_rel)
    for name, value in plain.value.items():
        entry, pair = PROFILE_SYMBOLS[name], (value, noisy.value[name])
        bare = without_noise(name, entry, pair, noise)
        values[name] = bare.value
        shares = {k: share * bare.growth for k, share in result[name].shares.items()}
        if name in plain.blocks:
            apart = scatter_without_noise(
                name, entry, pair, (plain.blocks[name], noisy.blocks[name]))
            if apart is not None:
                # sections and blocks alike: never less than without the noise read backwards
                shares[SAMPLING] = np.fmax(spread_of_mean(apart), plain.sampling[name])
        result[name] = Shares({**shares, NOISE: bare.share}, plain.freedom[name])


def joined(
    parts: list[tuple[dict[str, FloatArray], dict[str, Shares]]], kind: str, usable: BoolArray
) -> tuple[dict[str, FloatArray], dict[str, Shares]]:
    """Join the pieces and put NaN where a profile was of no use."""

    def spread(pieces: list[FloatArray]) -> FloatArray:
        whole = np.full(usable.size, np.nan)
        whole[usable] = np.concatenate(pieces)
        return whole

    values, shares = {}, {}
    for name in parts[0][0]:
        values[kind + name] = spread([value[name] for value, _ in parts])
        first = parts[0][1][name]
        shares[kind + name] = Shares(
            {k: spread([piece[name].shares[k] for _, piece in parts]) for k in first.shares},
            spread([
                np.broadcast_to(piece[name].freedom, value[name].shape) for value, piece in parts
            ]),
        )
    return values, shares
