import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch  # noqa: E402
from edgeqc.training.strip_looks_section import (  # noqa: E402
    LASER_LOOKS,
    SCISSOR_LOOKS,
    TORN_LOOKS,
)

LOOKS = LASER_LOOKS + SCISSOR_LOOKS + TORN_LOOKS


def _name(look):
    return look.__name__


def _drawn(look, size=3, rows=96, cols=160, seed=7):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


@pytest.mark.parametrize("look", LOOKS, ids=_name)
@pytest.mark.parametrize("shape", [(60, 100), (96, 161), (200, 120)])
def test_every_member_is_a_finite_surface_of_its_own(look, shape):
    plane = _drawn(look, 3, *shape)
    assert plane.shape == (3, *shape)
    assert plane.dtype == torch.float32
    assert torch.isfinite(plane).all()
    assert (plane.std(dim=(1, 2)) > 0.3).all()
    assert (plane[0] - plane[1]).abs().mean() > 0.05


@pytest.mark.parametrize("look", LOOKS, ids=_name)
def test_the_same_seed_draws_the_same(look):
    assert torch.equal(_drawn(look), _drawn(look))


def _peak(plane):
    """Share of the slopes' power that the twenty strongest frequencies hold."""
    rows, cols = plane.shape[-2:]
    window = torch.hann_window(rows)[:, None] * torch.hann_window(cols)[None, :]
    f = torch.hypot(torch.fft.fftfreq(rows)[:, None], torch.fft.rfftfreq(cols)[None, :])
    power = torch.fft.rfft2(plane * window).abs().square() * f**2 * (f > 0.02) * (f < 0.3)
    return power.flatten(1).topk(20, dim=1).values.sum(dim=1) / power.sum(dim=(1, 2))


def _one_way(plane):
    """Share of one direction in the squared gradients (0 of none, 1 of one)."""
    down = plane[:, 2:, 1:-1] - plane[:, :-2, 1:-1]
    along = plane[:, 1:-1, 2:] - plane[:, 1:-1, :-2]
    double = ((along**2 - down**2).mean(dim=(1, 2)), (2 * along * down).mean(dim=(1, 2)))
    return torch.hypot(*double) / (along**2 + down**2).mean(dim=(1, 2))


def _of(looks, measure):
    return torch.cat([measure(_drawn(look, 8, 160, 160)) for look in looks]).median()


def test_a_programmed_grid_repeats_itself_and_a_tear_does_not():
    assert _of(LASER_LOOKS, _peak) > 1.3 * _of(TORN_LOOKS, _peak)


def test_a_blade_draws_one_way_more_than_a_tear_goes():
    assert _of(SCISSOR_LOOKS, _one_way) > 1.2 * _of(TORN_LOOKS, _one_way)


def _persistence(look):
    """Correlation of either half's mean profile across straight marks, at the best direction."""
    plane = _drawn(look, 8, 160, 160)
    turns = torch.linspace(0, torch.pi, 37)[:-1]
    line = torch.linspace(-0.65, 0.65, 104)
    best = torch.full((8,), -1.0)
    for turn in turns:
        cosine, sine = torch.cos(turn), torch.sin(turn)
        u, v = line[None, :], line[:, None]
        grid = torch.stack([cosine * u - sine * v, sine * u + cosine * v], dim=-1)
        seen = torch.nn.functional.grid_sample(
            plane[:, None], grid.expand(8, -1, -1, -1), align_corners=False
        )[:, 0]
        seen = seen - seen.mean(dim=1, keepdim=True)
        first, second = seen[:, :, 8:40].mean(dim=2), seen[:, :, 64:96].mean(dim=2)
        alike = torch.nn.functional.cosine_similarity(first, second)
        best = torch.maximum(best, alike)
    return best


def test_scores_keep_their_profile_along_the_stroke_and_tear_lines_change():
    scores = torch.cat([_persistence(look) for look in SCISSOR_LOOKS]).median()
    tears = torch.cat([_persistence(look) for look in TORN_LOOKS]).median()
    assert scores > tears + 0.1
