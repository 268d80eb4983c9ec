"""Random reliefs for the zones: which sub-patterns, how large, how steep, at which angle.

Scales are drawn partly in micrometres (lattices) and partly in pixels (what a picture can show),
amplitudes by slope, so that every relief is seen at every pixel size. Secondary layers come from
one common pool for all zones: no spectrum of theirs tells a zone's name.
"""

from __future__ import annotations

import math

import numpy as np

from edgeqc.phantoms.face_recipe import Layer, ZoneRecipe

Rng = np.random.Generator


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Return a number whose logarithm is uniform."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def layer(
    rng: Rng, kind: str, scale_um: float, slope: float, *, angle_deg: float = 0.0,
    anisotropy: float = 1.0, **params: float,
) -> Layer:
    """Return a layer whose amplitude gives about the wanted slope at its scale."""
    amplitude = slope * scale_um / 4 * math.exp(0.2 * rng.standard_normal())
    return Layer(kind, amplitude, scale_um, angle_deg, anisotropy, params)


def _common(rng: Rng, pixel_um: float, slope: float) -> Layer:
    """Return a secondary layer that any zone may have."""
    scale = pixel_um * log_uniform(rng, 1.2, 60)
    kind = rng.choice(["noise", "noise", "noise", "pits", "dimples", "smear", "ridged"])
    return layer(
        rng, str(kind), scale, slope, angle_deg=rng.uniform(-90, 90),
        anisotropy=1.0 if rng.random() < 0.6 else log_uniform(rng, 1, 5),
        exponent=rng.uniform(0.2, 1.2), sharp=rng.uniform(1, 3),
    )


def _lattice_layer(rng: Rng, pixel_um: float, spot: float, line: float, **more: float) -> Layer:
    params = {
        "spot_um": spot,
        "line_um": line,
        "jitter": float(rng.choice([0.0, 0.04, 0.08, 0.12, 0.2, 0.4])) * rng.uniform(0.6, 1),
        "dropout": float(rng.choice([0, 0, 0.02, 0.08, 0.2])),
        "double": float(rng.choice([0, 0, 0.05, 0.15])),
        "stagger": float(rng.choice([0, 0, 0, 0.5, rng.uniform(0, 1)])),
        "radius": rng.uniform(0.3, 0.75),
        "spread": rng.uniform(0.02, 0.4),
        "oval": log_uniform(rng, 0.6, 1.6),
        "cusp": float(rng.random() < 0.35),
        "rim": float(rng.choice([0, 0, 0.3, 0.6])),
        "line_gain": float(rng.choice([0, 0, 0, 0.2, 0.5])),
        "melt_um": 0.0,
    }
    if params["cusp"]:  # overlapping bowls need order, else they are dimples
        params["jitter"] = min(params["jitter"], 0.2)
    angle = float(rng.choice([0, 90, rng.uniform(-8, 8), 90 + rng.uniform(-8, 8),
                              rng.uniform(-90, 90)]))
    return layer(
        rng, "lattice", min(spot, line), log_uniform(rng, 0.25, 2.0), angle_deg=angle,
        **(params | more),
    )


def spot_and_line(rng: Rng) -> tuple[float, float]:
    """Return a spot and a line separation: a published pair, or any of 2 to 12 µm."""
    if rng.random() < 0.4:
        pairs = [(3.0, 6.0), (8.0, 2.0), (4.0, 6.0)]
        return pairs[int(rng.integers(len(pairs)))]
    spot = log_uniform(rng, 2, 12)
    return spot, float(np.clip(spot * log_uniform(rng, 0.4, 2.5), 2, 12))


def _laser_layers(rng: Rng, kind: str, pixel_um: float) -> list[Layer]:
    fit = pixel_um * log_uniform(rng, 3, 25)
    if kind in ("lattice", "melt"):
        spot, line = spot_and_line(rng)
        low = 3.5 * pixel_um
        if kind == "lattice" and min(spot, line) < low:  # too fine for this picture: go coarser
            grow = low * rng.uniform(1, 1.6) / min(spot, line)
            if max(spot, line) * grow <= 12 or rng.random() < 0.9:
                spot, line = min(12.0, spot * grow), min(12.0, line * grow)
        if kind == "lattice":
            return [_lattice_layer(rng, pixel_um, spot, line)]
        melt = min(spot, line) * rng.uniform(0.2, 0.5)
        base = _lattice_layer(rng, pixel_um, spot, line, melt_um=melt)
        return [base, layer(rng, "noise", fit * 2, log_uniform(rng, 0.02, 0.3), exponent=1.0)]
    if kind == "fine":
        spot = pixel_um * rng.uniform(0.8, 2.4)
        line = pixel_um * rng.uniform(0.8, 2.4)
        return [_lattice_layer(rng, pixel_um, spot, line)]
    if kind == "smooth":
        return [layer(
            rng, "noise", fit * rng.uniform(1, 4), log_uniform(rng, 0.01, 0.15),
            exponent=rng.uniform(0.5, 1.3), anisotropy=log_uniform(rng, 1, 3),
            angle_deg=rng.uniform(-90, 90),
        )]
    if kind == "bubbles":
        return [layer(
            rng, "bubbles", pixel_um * log_uniform(rng, 7, 45), log_uniform(rng, 0.5, 3),
            gaps=rng.uniform(0, 0.7), jitter=rng.uniform(0.2, 0.5), bend=rng.uniform(0, 1),
            rim=float(rng.choice([0, 0.2, 0.5])),
        )]
    return [layer(
        rng, "bands", pixel_um * log_uniform(rng, 8, 60), log_uniform(rng, 0.15, 1),
        angle_deg=float(rng.choice([0, rng.uniform(-10, 10), rng.uniform(-90, 90)])),
        bend=rng.uniform(0.1, 1.2), reach=log_uniform(rng, 5, 30), skew=rng.uniform(0, 0.9),
        second=rng.uniform(0, 0.8), ratio=rng.uniform(1.5, 4), uneven=rng.uniform(0, 0.5),
    )]


def laser_zone(rng: Rng, kind: str, pixel_um: float) -> ZoneRecipe:
    """Return a random laser zone of a kind."""
    layers = _laser_layers(rng, kind, pixel_um)
    faint = kind in ("smooth", "melt", "fine")
    if kind != "smooth" and rng.random() < 0.35:  # kinds mix: bubbles in a lattice, and so on
        other = str(rng.choice(["bubbles", "layered", "fine"]))
        extra = _laser_layers(rng, other, pixel_um)[0]
        layers.append(Layer(
            extra.kind, extra.amplitude_um * rng.uniform(0.2, 0.7), extra.scale_um,
            extra.angle_deg, extra.anisotropy, extra.params,
        ))
    for _ in range(int(rng.integers(0, 3))):
        layers.append(_common(rng, pixel_um, log_uniform(rng, 0.02, 0.4) * (0.3 if faint else 1)))
    sd = log_uniform(rng, 0.012, 0.08) if faint else log_uniform(rng, 0.05, 0.35)
    return _zone(rng, kind, layers, sd)


def _zone(rng: Rng, kind: str, layers: list[Layer], sd: float) -> ZoneRecipe:
    return ZoneRecipe(
        kind, tuple(layers), 1.0, sd,
        patchiness=float(rng.choice([0, 0.15, 0.3, 0.5])) * rng.random(),
        drift=float(rng.choice([0, 0.02, 0.05, 0.1])) * rng.random(),
        direct=float(rng.choice([0, 0, 0, 0, 0.5, -0.5, 1, -1])) * rng.uniform(0.6, 1),
    )


def _scissor_layers(rng: Rng, kind: str, pixel_um: float) -> list[Layer]:
    lay = float(rng.choice([
        rng.normal(0, 8), rng.normal(90, 12), rng.uniform(-90, 90), rng.uniform(20, 70)
        * rng.choice([-1, 1]),
    ]))
    fine = pixel_um * log_uniform(rng, 1.5, 12)
    marks = layer(
        rng, "striations", fine, log_uniform(rng, 0.1, 1.0), angle_deg=lay,
        bend=rng.uniform(0, 3), reach=log_uniform(rng, 20, 150), parts=int(rng.integers(1, 4)),
        exponent=rng.uniform(0.3, 1.0), fade=rng.uniform(0, 0.6), sharp=float(rng.random() < 0.3),
    )
    if kind == "striated":
        return [marks]
    if kind == "drawn":
        return [layer(
            rng, "noise", fine, log_uniform(rng, 0.1, 1.0), angle_deg=lay,
            anisotropy=log_uniform(rng, 6, 40), exponent=rng.uniform(0.3, 1.2),
        )]
    if kind == "waves":
        waves = layer(
            rng, "bands", pixel_um * log_uniform(rng, 25, 160), log_uniform(rng, 0.1, 0.8),
            angle_deg=lay + rng.normal(90, 20) * rng.integers(0, 2), bend=rng.uniform(0, 1),
            skew=rng.uniform(0, 0.9), second=rng.uniform(0, 0.6), ratio=rng.uniform(1.3, 3),
            uneven=rng.uniform(0, 0.6),
        )
        return [waves, _weaker(marks, rng.uniform(0.2, 1))]
    if kind == "smear":
        smear = layer(
            rng, "smear", pixel_um * log_uniform(rng, 3, 15), log_uniform(rng, 0.2, 1.0),
            angle_deg=lay, anisotropy=log_uniform(rng, 4, 16), sharp=rng.uniform(1.5, 5),
            exponent=rng.uniform(0.6, 1.2),
        )
        return [smear, _weaker(marks, rng.uniform(0.1, 0.8))]
    if kind == "chatter":
        chatter = layer(
            rng, "bands", pixel_um * log_uniform(rng, 6, 30), log_uniform(rng, 0.2, 1.0),
            angle_deg=lay + 90 + rng.normal(0, 10), bend=rng.uniform(0, 0.6),
            reach=log_uniform(rng, 10, 40), skew=rng.uniform(0.3, 1.0), uneven=rng.uniform(0.2, 1),
        )
        return [chatter, _weaker(marks, rng.uniform(0.3, 1))]
    return _two_blades(rng, marks, lay)


def _two_blades(rng: Rng, marks: Layer, lay: float) -> list[Layer]:
    """Return the marks of two blades, crossing all over or meeting at a line."""
    second = lay + float(rng.choice([-1, 1])) * rng.uniform(10, 60)
    if rng.random() < 0.4:  # crossing marks all over
        return [marks, Layer(
            marks.kind, marks.amplitude_um * rng.uniform(0.3, 1),
            marks.scale_um * rng.uniform(0.7, 2), second, 1.0, dict(marks.params),
        )]
    meeting = {"second_deg": second, "at": rng.uniform(0.25, 0.75),
               "step": float(rng.choice([0, 0.5, 1.5])) * rng.random(),
               "ridge": float(rng.choice([0, 1, 3])) * rng.random()}
    return [Layer("overlap", marks.amplitude_um, marks.scale_um, lay, 1.0,
                  {**marks.params, **meeting})]


def _weaker(item: Layer, factor: float) -> Layer:
    return Layer(
        item.kind, item.amplitude_um * factor, item.scale_um, item.angle_deg, item.anisotropy,
        item.params,
    )


def scissor_zone(rng: Rng, kind: str, pixel_um: float) -> ZoneRecipe:
    """Return a random scissor zone of a kind."""
    layers = _scissor_layers(rng, kind, pixel_um)
    if rng.random() < 0.35:
        other = str(rng.choice(["waves", "smear", "chatter"]))
        layers.append(_weaker(_scissor_layers(rng, other, pixel_um)[0], rng.uniform(0.2, 0.6)))
    for _ in range(int(rng.integers(0, 3))):
        layers.append(_common(rng, pixel_um, log_uniform(rng, 0.02, 0.3)))
    return _zone(rng, kind, layers, log_uniform(rng, 0.03, 0.3))


def _torn_layers(rng: Rng, kind: str, pixel_um: float) -> list[Layer]:
    pull = float(rng.choice([rng.normal(90, 15), rng.normal(0, 15), rng.uniform(-90, 90)]))
    scale = pixel_um * log_uniform(rng, 4, 35)
    slope = log_uniform(rng, 0.3, 2.0)
    bend = rng.uniform(0, 0.5)
    if kind in ("rough", "fibrils", "ligaments", "rivers"):
        return _drawn_out(rng, kind, pixel_um, slope, (pull, bend))
    return _celled(rng, kind, scale, slope, (pull, bend))


def _drawn_out(
    rng: Rng, kind: str, pixel_um: float, slope: float, lay: tuple[float, float]
) -> list[Layer]:
    """Return rough, fibrous and river-lined reliefs."""
    pull, bend = lay
    if kind == "rough":
        return [layer(
            rng, "noise", pixel_um * log_uniform(rng, 2, 25), slope, angle_deg=pull,
            anisotropy=log_uniform(rng, 1, 2.5), exponent=rng.uniform(0.1, 1.2),
        )]
    if kind == "fibrils":
        return [layer(
            rng, "ridged", pixel_um * log_uniform(rng, 3, 15), slope, angle_deg=pull,
            anisotropy=log_uniform(rng, 2.5, 10), power=rng.uniform(1, 3),
            exponent=rng.uniform(0.6, 1.2),
        )]
    if kind == "ligaments":
        return [layer(
            rng, "ridged", pixel_um * log_uniform(rng, 5, 20), 1.4 * slope, angle_deg=pull,
            anisotropy=log_uniform(rng, 4, 14), power=rng.uniform(1.5, 4),
            sparse=rng.uniform(0.2, 0.6), exponent=rng.uniform(0.7, 1.2),
        )]
    return [layer(
        rng, "rivers", pixel_um * log_uniform(rng, 12, 60), slope, angle_deg=pull,
        anisotropy=log_uniform(rng, 2, 6), wander=rng.uniform(0.3, 1.2),
        steep=rng.uniform(0.05, 0.4), bend=bend, exponent=rng.uniform(0.8, 1.3),
    )]


def _celled(
    rng: Rng, kind: str, scale: float, slope: float, lay: tuple[float, float]
) -> list[Layer]:
    """Return dimples, facets, hackle and crazing."""
    pull, bend = lay
    if kind == "dimples":
        return [layer(
            rng, "dimples", scale, slope, angle_deg=pull, anisotropy=log_uniform(rng, 1, 2.5),
            jitter=rng.uniform(0.35, 0.6), power=rng.uniform(1, 2.2), bend=bend,
        )]
    if kind == "facets":
        return [layer(
            rng, "facets", scale * 1.5, slope, angle_deg=pull, anisotropy=log_uniform(rng, 1, 3),
            jitter=rng.uniform(0.4, 0.6), step=rng.uniform(0, 1), worn=rng.uniform(0, 1), bend=bend,
        )]
    if kind == "hackle":
        return [layer(
            rng, "hackle", scale * 1.5, slope, angle_deg=rng.uniform(-180, 180),
            anisotropy=log_uniform(rng, 1, 4), from_along=rng.uniform(-0.5, 0.5),
            from_across=rng.uniform(-1.2, -0.3), mirror=rng.uniform(0.05, 0.5), exponent=0.7,
        )]
    return [layer(
        rng, "crazing", scale * 1.5, slope, angle_deg=pull, anisotropy=log_uniform(rng, 1, 3),
        jitter=rng.uniform(0.35, 0.6), width=rng.uniform(0.05, 0.2), bend=bend,
    )]


def torn_zone(rng: Rng, kind: str, pixel_um: float) -> ZoneRecipe:
    """Return a random torn zone of a kind."""
    layers = _torn_layers(rng, kind, pixel_um)
    rough = layer(
        rng, "noise", pixel_um * log_uniform(rng, 4, 60), log_uniform(rng, 0.1, 1.2),
        exponent=rng.uniform(0.4, 1.0), anisotropy=log_uniform(rng, 1, 3),
        angle_deg=rng.uniform(-90, 90),
    )
    if rng.random() < 0.92:
        layers.append(rough)
    if rng.random() < 0.4:
        others = ["fibrils", "rivers", "dimples", "facets", "ligaments", "crazing"]
        other = str(rng.choice(others))
        layers.append(_weaker(_torn_layers(rng, other, pixel_um)[0], rng.uniform(0.2, 0.8)))
    for _ in range(int(rng.integers(0, 2))):
        layers.append(_common(rng, pixel_um, log_uniform(rng, 0.02, 0.5)))
    return _zone(rng, kind, layers, log_uniform(rng, 0.06, 0.35))
