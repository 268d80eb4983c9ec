"""Torn reliefs: fields that can be drawn, and neither a blade's lines nor a laser's lattice."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch, blur, standardised  # noqa: E402
from edgeqc.training.strip_looks_fracture import FRACTURE_LOOKS  # noqa: E402

STRAIGHT = 0.97  # whole-field coherence of a blade's lines that run on across the face
REPEATED = 0.5  # correlation of a field with itself far away
FAR = 48  # samples
FEW = 0.05


def _drawn(look, seed, size=4):
    with torch.random.fork_rng(devices=[]), torch.no_grad():
        torch.manual_seed(seed)
        return look(Batch(size, 128, 256, "cpu"))


def _coherence(relief, sigma):
    """Length of the mean doubled-angle vector of the gradients, weighted by their squares."""
    down, along = torch.gradient(blur(relief, sigma), dim=(1, 2))
    inner = (slice(None), slice(8, -8), slice(8, -8))
    down, along = down[inner], along[inner]
    even = (along**2 - down**2).mean(dim=(1, 2))
    odd = (2 * along * down).mean(dim=(1, 2))
    return torch.sqrt(even**2 + odd**2) / (along**2 + down**2).mean(dim=(1, 2))


def _repetition(relief):
    """Highest correlation of the relief's detail with itself, farther away than ``FAR``."""
    detail = standardised((relief - blur(relief, 12.0))[:, 12:-12, 12:-12])
    rows, cols = detail.shape[-2:]
    padded = (2 * rows, 2 * cols)
    power = torch.fft.rfft2(detail, s=padded).abs() ** 2
    shared = torch.fft.rfft2(torch.ones(rows, cols), s=padded).abs() ** 2
    same = torch.fft.irfft2(power, s=padded)
    overlap = torch.fft.irfft2(shared, s=padded)
    row = (torch.fft.fftfreq(2 * rows) * 2 * rows)[:, None]
    col = (torch.fft.fftfreq(2 * cols) * 2 * cols)[None, :]
    far = (row**2 + col**2 > FAR**2) & (overlap > 0.3 * rows * cols)
    return (same[:, far] / overlap[far]).amax(dim=1)


@pytest.fixture(scope="module")
def reliefs():
    return torch.cat([_drawn(look, seed) for look in FRACTURE_LOOKS for seed in (11, 12, 13)])


@pytest.mark.parametrize("look", FRACTURE_LOOKS, ids=lambda look: look.__name__)
def test_every_look_is_a_field_of_its_own(look):
    relief = _drawn(look, 3)
    assert relief.shape == (4, 128, 256)
    assert relief.dtype == torch.float32
    assert torch.isfinite(relief).all()
    assert (relief.std(dim=(1, 2)) > 0.1).all()
    shape = standardised(relief).flatten(1)
    correlation = shape @ shape.T / shape.shape[1]
    assert (correlation.fill_diagonal_(0).abs() < 0.9).all()
    assert torch.equal(relief, _drawn(look, 3))
    assert not torch.allclose(relief, _drawn(look, 4))


def test_looks_stay_finite_over_many_seeds_and_odd_sizes():
    for look in FRACTURE_LOOKS:
        for seed in range(20, 24):
            with torch.random.fork_rng(devices=[]), torch.no_grad():
                torch.manual_seed(seed)
                relief = look(Batch(8, 64, 160, "cpu"))
            assert torch.isfinite(relief).all(), look.__name__
            assert (relief.std(dim=(1, 2)) > 0.1).all(), look.__name__


def test_torn_lines_do_not_run_on_straight(reliefs):
    """A blade's lines all point one way; a tear's waver, join and end."""
    for sigma in (1.0, 2.0, 4.0):
        assert (_coherence(reliefs, sigma) > STRAIGHT).float().mean() < FEW
    generator = torch.Generator().manual_seed(5)
    blade = blur(torch.randn(4, 128, 1, generator=generator).expand(4, 128, 256), 1.5)
    blade = blade + 0.02 * torch.randn(4, 128, 256, generator=generator)
    assert (_coherence(blade, 1.0) > STRAIGHT).all()  # so the measure does tell them


@pytest.mark.parametrize("spacing", [9, 16, 30])
def test_torn_marks_form_no_lattice(reliefs, spacing):
    """Pits at even places look like themselves a few places on; a tear's marks do not."""
    assert (_repetition(reliefs) > REPEATED).float().mean() < FEW
    generator = torch.Generator().manual_seed(6)
    row, col = torch.meshgrid(torch.arange(128.0), torch.arange(256.0), indexing="ij")
    jitter = 0.04 * spacing * torch.randn(2, 40, 40, generator=generator)
    i, j = (row / spacing).long(), (col / spacing).long()
    off = [(place % spacing) - spacing / 2 - jitter[k][i, j] for k, place in enumerate((row, col))]
    pits = -torch.exp(-(off[0] ** 2 + off[1] ** 2) / (spacing / 4) ** 2)
    assert (_repetition(pits[None]) > REPEATED).all()  # so the measure does tell them


@pytest.mark.parametrize("look", FRACTURE_LOOKS, ids=lambda look: look.__name__)
def test_every_tensor_lives_on_the_batchs_device(look):
    assert look(Batch(2, 32, 64, "meta")).device.type == "meta"  # others do not mix with it
