"""Batches of random fields on the fitting device, one recipe per member of the batch."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import torch
from torch import Tensor


@dataclass(frozen=True)
class Batch:
    """Size, place and randomness of a batch of strips.

    Parameters
    ----------
    size : int
        Members of the batch.
    rows, cols : int
        Samples of every member.
    device : str
        Where its tensors live.
    photographs : (n, side, side) tensor, optional
        Photographs, standardised: textures that name no zone.
    """

    size: int
    rows: int
    cols: int
    device: str
    photographs: Tensor | None = None

    def uniform(self, low: float, high: float) -> Tensor:
        """Return one number per member, (size, 1, 1)."""
        return low + (high - low) * torch.rand(self.size, 1, 1, device=self.device)

    def log_uniform(self, low: float, high: float) -> Tensor:
        """Return one number per member whose logarithm is uniform."""
        return torch.exp(self.uniform(math.log(low), math.log(high)))

    def normal(self) -> Tensor:
        """Return one number per member, normally distributed."""
        return torch.randn(self.size, 1, 1, device=self.device)

    def chance(self, probability: float) -> Tensor:
        """Return 1 for a share of the members, 0 for the others."""
        return (torch.rand(self.size, 1, 1, device=self.device) < probability).float()

    def pick(self, *values: float) -> Tensor:
        """Return one of the values per member."""
        index = torch.randint(len(values), (self.size, 1, 1), device=self.device)
        return torch.tensor(values, device=self.device)[index]

    def some(self, share: float, low: float, high: float) -> Tensor:
        """Return a number between two for a share of the members, 0 for the others."""
        return self.chance(share) * self.uniform(low, high)

    def either(self, first: Tensor, second: Tensor, share: float = 0.5) -> Tensor:
        """Return the first plane for a share of the members, the second for the others."""
        return torch.where(self.chance(share) > 0, first, second)

    def part(self, size: int) -> Batch:
        """Return a batch of another size."""
        return Batch(size, self.rows, self.cols, self.device, self.photographs)


Look = Callable[[Batch], Tensor]
"""What draws a surface on every member of a batch."""


def standardised(plane: Tensor) -> Tensor:
    """Return every member with mean 0 and standard deviation 1."""
    plane = plane - plane.mean(dim=(-2, -1), keepdim=True)
    return plane / (plane.std(dim=(-2, -1), keepdim=True) + 1e-6)


def turned(batch: Batch, angle: Tensor) -> tuple[Tensor, Tensor]:
    """Return coordinates along and across a direction (radians from the strip's length)."""
    row = torch.arange(batch.rows, device=batch.device, dtype=torch.float32)[None, :, None]
    col = torch.arange(batch.cols, device=batch.device, dtype=torch.float32)[None, None, :]
    row, col = row - batch.rows / 2, col - batch.cols / 2
    cosine, sine = torch.cos(angle), torch.sin(angle)
    return cosine * col + sine * row, cosine * row - sine * col


def noise(
    batch: Batch,
    length: Tensor,
    *,
    exponent: Tensor | float = 0.8,
    angle: Tensor | float = 0.0,
    anisotropy: Tensor | float = 1.0,
) -> Tensor:
    """Return Gaussian fields with a spectrum (1 + (2 pi f length)²)^-(1 + exponent)."""
    f_row = torch.fft.fftfreq(batch.rows, device=batch.device)[None, :, None]
    f_col = torch.fft.rfftfreq(batch.cols, device=batch.device)[None, None, :]
    turn = torch.as_tensor(angle, device=batch.device)
    root = torch.sqrt(torch.as_tensor(anisotropy, device=batch.device, dtype=torch.float32))
    along = (torch.cos(turn) * f_col + torch.sin(turn) * f_row) * root
    across = (torch.cos(turn) * f_row - torch.sin(turn) * f_col) / root
    power = 1 + (2 * math.pi * length) ** 2 * (along**2 + across**2)
    gain = torch.exp(-0.5 * (1 + torch.as_tensor(exponent, device=batch.device)) * torch.log(power))
    white = torch.fft.rfft2(
        torch.randn(batch.size, batch.rows, batch.cols, device=batch.device)
    )
    white[:, 0, 0] = 0
    return standardised(torch.fft.irfft2(white * gain, s=(batch.rows, batch.cols)))


def blur(plane: Tensor, sigma: Tensor | float) -> Tensor:
    """Return every member blurred by its own Gaussian (periodic at the ends, by spectrum)."""
    rows, cols = plane.shape[-2:]
    f_row = torch.fft.fftfreq(rows, device=plane.device)[:, None]
    f_col = torch.fft.rfftfreq(cols, device=plane.device)[None, :]
    gain = torch.exp(-2 * (math.pi * torch.as_tensor(sigma, device=plane.device)) ** 2
                     * (f_row**2 + f_col**2))  # fmt: skip
    return torch.fft.irfft2(torch.fft.rfft2(plane) * gain, s=(rows, cols))


def lines(count: int, samples: int, length: Tensor, device: str) -> Tensor:
    """Return (count, samples) correlated random lines, mean 0 and standard deviation about 1."""
    frequency = torch.fft.rfftfreq(samples, device=device)[None, :]
    power = 1 + (2 * math.pi * length.reshape(-1, 1) * frequency) ** 2
    white = torch.fft.rfft(torch.randn(count, samples, device=device))
    white[:, 0] = 0
    line = torch.fft.irfft(white * power**-0.75, n=samples)
    return line / (line.std(dim=1, keepdim=True) + 1e-6)


def at_line(line: Tensor, position: Tensor) -> Tensor:
    """Return a line per member (b, n) read at positions (b, rows, cols), linearly."""
    count = line.shape[1]
    position = position.clamp(0, count - 1.001)
    index = position.long()
    flat = index.reshape(index.shape[0], -1)
    low = torch.gather(line, 1, flat).reshape(position.shape)
    high = torch.gather(line, 1, flat + 1).reshape(position.shape)
    return low + (position - index) * (high - low)


_TABLE = 8192


def entry_of(first: Tensor, second: Tensor, entries: int) -> Tensor:
    """Return the entry of a table that belongs to a place of a lattice, the same wherever read."""
    return (first.long() * 7919 + second.long() * 104729) % entries


def numbers_at(table: Tensor, first: Tensor, second: Tensor) -> Tensor:
    """Return the numbers that a table, or several, holds for places of a lattice.

    Parameters
    ----------
    table : (b, entries) or (n, b, entries) tensor
        A number per entry, or n.
    first, second : (b, rows, cols) tensors
        Whole numbers that tell the place.

    Returns
    -------
    (b, rows, cols) or (n, b, rows, cols) tensor
    """
    key = entry_of(first, second, table.shape[-1]).flatten(1)
    found = torch.gather(table, -1, key.expand(*table.shape[:-1], -1))
    return found.reshape(*table.shape[:-1], *first.shape[1:])


def grained(
    batch: Batch, relief: Tensor, finest: float, coarsest: float, most: float
) -> Tensor:
    """Return a relief with some grain of a scale between two, standard deviation 1 again."""
    ground = noise(
        batch, batch.log_uniform(finest, coarsest), exponent=batch.uniform(0.2, 1.5)
    )
    size = batch.pick(0, 0.3, 1, 1) * batch.uniform(0, most)
    return standardised(standardised(relief) + size * ground)


@dataclass(frozen=True)
class Places:
    """Random points near the places of a unit lattice, as samples see them.

    Parameters
    ----------
    along, across : (b, rows, cols) tensors
        Positions in cell sizes.
    jitter : (b, 1, 1) tensor
        Standard deviation of the points' displacement, in cell sizes.
    gaps : (b, 1, 1) tensor
        Share of missing points.
    """

    along: Tensor
    across: Tensor
    jitter: Tensor
    gaps: Tensor
    tables: Tensor

    def near(self) -> Iterator[tuple[Tensor, Tensor, Tensor, Tensor]]:
        """Yield offsets along and across and two random numbers of the nine places about."""
        i, j = torch.floor(self.across + 0.5), torch.floor(self.along + 0.5)
        for d_i in (-1, 0, 1):
            for d_j in (-1, 0, 1):
                at_i, at_j = i + d_i, j + d_j
                found = numbers_at(self.tables, at_i, at_j)
                away = 50.0 * (found[3] < self.gaps)
                u = self.along - at_j - self.jitter * found[0] + away
                v = self.across - at_i - self.jitter * found[1]
                yield u, v, found[2], found[4]


def places(along: Tensor, across: Tensor, jitter: Tensor, gaps: Tensor) -> Places:
    """Return random points near the places of a unit lattice."""
    size, device = along.shape[0], along.device
    tables = torch.rand(5, size, _TABLE, device=device)
    tables[:2] = torch.randn(2, size, _TABLE, device=device).clamp(-2, 2)
    return Places(along, across, jitter, gaps, tables)


def cells(of: Places) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    """Return distance to the nearest and second point, the cell's number, and the offset."""
    nearest = torch.full_like(of.along, 9.0)
    second = nearest.clone()
    value = torch.zeros_like(nearest)
    off_u, off_v = torch.zeros_like(nearest), torch.zeros_like(nearest)
    for u, v, first, _ in of.near():
        distance = u * u + v * v
        closer = distance < nearest
        second = torch.minimum(second, torch.where(closer, nearest, distance))
        nearest = torch.where(closer, distance, nearest)
        value = torch.where(closer, first, value)
        off_u, off_v = torch.where(closer, u, off_u), torch.where(closer, v, off_v)
    return (
        nearest.clamp(max=4).sqrt(), second.clamp(max=9).sqrt(), value,
        off_u.clamp(-2, 2), off_v.clamp(-2, 2),
    )  # fmt: skip
