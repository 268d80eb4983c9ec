"""Teach the naming model a laboratory's own textures, from pictures and rasters that it drew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

import edgeqc
from edgeqc.errors import EdgeqcError, ImageError, OutputError
from edgeqc.faces.face import CutFace
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.faces.whole_chords import whole_chords
from edgeqc.imaging.calibration import read_images
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import FloatArray
from edgeqc.zoning.model import N_NAMES, TAUGHT_FORMAT, model_identifier, network_output
from edgeqc.zoning.texture import CELL, MARGIN, ROWS, face_planes
from edgeqc.zoning.zones import OBSCURED

RASTER_ENDING = ".zones.png"
_CELLS_PER_FACE = 4000  # neighbouring cells repeat each other; more only slow the fit down
_PRIOR_SDS = (0.03, 0.1, 0.3)
"""Spreads of a weight around the shipped one to choose from, in units of 1 / the feature's spread;
with a single specimen, which cannot tell, the first."""
_EVIDENCE = 0.01  # weight of one cell against the prior, for the same reason


@dataclass(frozen=True)
class TaughtRecord:
    """What was taught, and how well it does on specimens kept out.

    Parameters
    ----------
    faces, specimens : int
        What was learned from.
    agreement_shipped, agreement_taught : float
        Share of cells named as the laboratory did, mean over specimens; the taught one on
        specimens kept out of the fit (``nan`` with a single specimen).
    by_specimen : dict
        Specimen -> (shipped, taught, kept out).
    left_out : dict
        File name -> why it was not used.
    model : str
        File name of the model written.
    """

    faces: int
    specimens: int
    agreement_shipped: float
    agreement_taught: float
    by_specimen: dict[str, tuple[float, float]]
    left_out: dict[str, str]
    model: str


@dataclass(frozen=True)
class _Lesson:
    specimen: str
    features: FloatArray  # (n, n_features)
    logits: FloatArray  # (n, 4)
    classes: NDArray[np.intp]  # (n,)


def _softmax(logits: FloatArray) -> FloatArray:
    power = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(power / power.sum(axis=1, keepdims=True))


def _read_raster(path: Path, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    raster = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if raster is None or raster.ndim != 2 or raster.shape != shape or raster.dtype != np.uint8:
        found = "unreadable" if raster is None else f"{raster.dtype} {raster.shape}"
        raise ImageError(
            f"the label raster is {found}",
            file=path.name,
            rule=f"8 bits, one channel, {shape[0]} rows by {shape[1]} columns like its picture.",
            remedy="Save it again with the picture's size, codes 0 to 4.",
        )
    if raster.max(initial=0) > OBSCURED or not raster.any():
        raise ImageError(
            f"the label raster holds codes {np.unique(raster).tolist()[:8]}",
            file=path.name,
            rule="0 outside, 1 laser, 2 scissor, 3 torn, 4 obscured; some of 1 to 4.",
            remedy="Draw at least one zone, with these codes.",
        )
    return np.asarray(raster)


def _cells(
    image: CalibratedImage, face: CutFace, raster: NDArray[np.uint8], specimen: str
) -> _Lesson:
    whole = whole_chords(face)
    made = face_planes(image, whole, anterior_known=face.anterior_source == "sheet")
    output = network_output(made)
    n_t, n_s = ROWS // CELL, made.n_columns // CELL
    t = -MARGIN + (np.arange(n_t) + 0.5) / n_t * (1 + 2 * MARGIN)
    station = (np.arange(n_s) + 0.5) / n_s * (face.s_px.size - 1)
    at = np.rint(whole.chord_points_px(station[None, :], t[:, None])).astype(int)
    rows = np.clip(at[..., 0], 0, raster.shape[0] - 1)
    cols = np.clip(at[..., 1], 0, raster.shape[1] - 1)
    seen = (rows == at[..., 0]) & (cols == at[..., 1]) & ((t > 0) & (t < 1))[:, None]
    code = np.where(seen, raster[rows, cols], 0)
    used = np.flatnonzero(code.ravel())
    used = used[:: max(1, used.size // _CELLS_PER_FACE)]
    return _Lesson(
        specimen,
        output.features.reshape(output.features.shape[0], -1)[:, used].T.astype(float),
        output.logits.reshape(N_NAMES, -1)[:, used].T.astype(float),
        code.ravel()[used].astype(np.intp) - 1,
    )


def _lessons(
    folder: Path, sides: dict[str, str], specimens: dict[str, str], left_out: dict[str, str]
) -> Iterator[_Lesson]:
    for raster_path in sorted(folder.glob("*" + RASTER_ENDING)):
        stem = raster_path.name.removesuffix(RASTER_ENDING)
        pictures = [
            path
            for path in sorted(folder.glob(stem + ".*"))
            if path.suffix.lower() in {".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp"}
            and not path.name.endswith(RASTER_ENDING)
        ]
        if not pictures:
            left_out[raster_path.name] = "no picture of that name beside it"
            continue
        try:
            image = read_images(pictures[0])[0]
            raster = _read_raster(raster_path, image.pixels.shape)
            cell = max(1, max(raster.shape) // 256)
            size = (raster.shape[1] // cell, raster.shape[0] // cell)
            inked = (raster > 0).astype(np.float32)
            drawn = np.asarray(cv2.resize(inked, size, interpolation=cv2.INTER_AREA), np.float32)
            faces, _ = trace_cut_faces(
                image, FaceSettings(), anterior=sides.get(pictures[0].name), probability=drawn
            )
        except EdgeqcError as error:
            left_out[pictures[0].name] = str(error)
            continue
        if not faces:
            left_out[pictures[0].name] = "no face was found where zones were drawn"
        for face in faces:
            yield _cells(image, face, raster, specimens.get(pictures[0].name) or stem)


def _shipped_head(lessons: list[_Lesson]) -> tuple[FloatArray, FloatArray]:
    """Return the network's own last step, recovered exactly: its logits are linear in features."""
    features = np.vstack([each.features for each in lessons])
    logits = np.vstack([each.logits for each in lessons])
    design = np.hstack([features, np.ones((features.shape[0], 1))])
    solution = np.asarray(np.linalg.lstsq(design, logits, rcond=None)[0], float)
    return solution[:-1].T, solution[-1]


def _fit_head(
    lessons: list[_Lesson], prior: tuple[FloatArray, FloatArray], prior_sd: float
) -> tuple[FloatArray, FloatArray]:
    """Return the most probable last step, with the shipped one as the prior's centre."""
    from scipy.optimize import minimize

    features = np.vstack([each.features for each in lessons])
    classes = np.concatenate([each.classes for each in lessons])
    # every face counts the same, whatever its size
    weight = np.concatenate(
        [
            np.full(each.classes.size, _CELLS_PER_FACE / max(1, each.classes.size))
            for each in lessons
        ]
    )
    spread = features.std(axis=0) + 1e-3
    aimed = np.eye(N_NAMES)[classes]
    centre = np.hstack([prior[0] * spread, prior[1][:, None]]).ravel()
    design = np.hstack([features / spread, np.ones((features.shape[0], 1))])

    # a zone that no lesson shows is not unlearned: it takes no part
    absent = np.setdiff1d(np.arange(N_NAMES), classes)

    def loss(flat: FloatArray) -> tuple[float, FloatArray]:
        head = flat.reshape(N_NAMES, -1)
        logits = design @ head.T
        logits[:, absent] = -1e9
        probability = _softmax(logits)
        picked = np.log(np.maximum(probability[np.arange(classes.size), classes], 1e-12))
        away = (flat - centre) / prior_sd
        slope = ((probability - aimed) * (weight * _EVIDENCE)[:, None]).T @ design
        value = -_EVIDENCE * float(weight @ picked) + 0.5 * float(away @ away)
        return value, slope.ravel() + away / prior_sd

    solved = minimize(loss, centre, jac=True, method="L-BFGS-B", options={"maxiter": 300})
    head = np.asarray(solved.x).reshape(N_NAMES, -1)
    return head[:, :-1] / spread, head[:, -1]


def _agreement(lessons: list[_Lesson], head: tuple[FloatArray, FloatArray]) -> float:
    right = [
        float(((each.features @ head[0].T + head[1]).argmax(axis=1) == each.classes).mean())
        for each in lessons
    ]
    return float(np.mean(right))


def _best_spread(
    lessons: list[_Lesson], names: list[str], prior: tuple[FloatArray, FloatArray]
) -> tuple[float, dict[str, float]]:
    """Return how far the lessons may move the weights, and each specimen's agreement kept out.

    The spread with the best mean agreement over specimens kept out; of equals the smallest.
    """
    if len(names) == 1:
        return _PRIOR_SDS[0], {names[0]: float("nan")}
    tried: list[tuple[float, dict[str, float]]] = []
    for prior_sd in _PRIOR_SDS:
        found: dict[str, float] = {}
        for name in names:
            kept = [each for each in lessons if each.specimen == name]
            rest = [each for each in lessons if each.specimen != name]
            found[name] = _agreement(kept, _fit_head(rest, prior, prior_sd))
        tried.append((prior_sd, found))
    return max(tried, key=lambda each: float(np.mean(list(each[1].values()))))


def teach_zones(
    folder: Path,
    out: Path,
    *,
    sides: dict[str, str] | None = None,
    specimens: dict[str, str] | None = None,
) -> TaughtRecord:
    """Fit the naming model's last step to a laboratory's own zones and write it to a file.

    Parameters
    ----------
    folder : Path
        Pictures, each with a label raster ``<stem>.zones.png`` beside it (0 outside, 1 laser,
        2 scissor, 3 torn, 4 obscured; 8 bits, the picture's size).
    out : Path
        Model file to write (JSON).
    sides : dict, optional
        Picture file name -> its anterior side, from the specimen sheet.
    specimens : dict, optional
        Picture file name -> its specimen; without it each picture is its own specimen.

    Returns
    -------
    TaughtRecord
        Cross-validated agreement by specimen, and what was left out.

    Raises
    ------
    ImageError
        The folder holds no usable picture with a raster.
    OutputError
        The model file cannot be written.

    Notes
    -----
    Multinomial logistic regression on the network's features, with a Gaussian prior around the
    shipped weights: one picture moves it little, many move it far. Agreement is that of
    specimens left out one at a time (J. R. Stat. Soc. B 1974, 36:111); the prior's spread is the
    one of three that agrees best on them, which makes the figure a little favourable. The file
    holds numbers only; reading it runs no code.
    """
    left_out: dict[str, str] = {}
    lessons = list(_lessons(folder, sides or {}, specimens or {}, left_out))
    if not lessons:
        raise ImageError(
            "no picture with a usable label raster",
            file=folder.name,
            rule=f"A picture and its raster, named <stem>{RASTER_ENDING}, side by side.",
            remedy="; ".join(f"{name}: {why}" for name, why in left_out.items())
            or "Draw the zones of at least one picture.",
        )
    prior = _shipped_head(lessons)
    names = sorted({each.specimen for each in lessons})
    prior_sd, kept_out = _best_spread(lessons, names, prior)
    by_specimen = {
        name: (_agreement([each for each in lessons if each.specimen == name], prior), taught)
        for name, taught in kept_out.items()
    }
    head = _fit_head(lessons, prior, prior_sd)
    record = TaughtRecord(
        faces=len(lessons),
        specimens=len(names),
        agreement_shipped=float(np.mean([pair[0] for pair in by_specimen.values()])),
        agreement_taught=float(np.mean([pair[1] for pair in by_specimen.values()])),
        by_specimen=by_specimen,
        left_out=left_out,
        model=out.name,
    )
    _write(out, head, record)
    return record


def _write(out: Path, head: tuple[FloatArray, FloatArray], record: TaughtRecord) -> None:
    def number(value: float) -> float | None:
        return None if np.isnan(value) else round(value, 4)

    stored = {
        "format": TAUGHT_FORMAT,
        "network": model_identifier(),
        "software_version": edgeqc.__version__,
        "training": {
            "faces": record.faces,
            "specimens": record.specimens,
            "agreement_shipped": number(record.agreement_shipped),
            "agreement_taught_cross_validated": number(record.agreement_taught),
            "by_specimen": {
                name: {"shipped": number(pair[0]), "taught": number(pair[1])}
                for name, pair in record.by_specimen.items()
            },
            "left_out": record.left_out,
        },
        "weight": head[0].tolist(),
        "offset": head[1].tolist(),
    }
    try:
        out.write_text(json.dumps(stored, indent=1, ensure_ascii=False) + "\n", "utf-8")
    except OSError as error:
        raise OutputError(
            f"the model cannot be written ({error.strerror})",
            file=out.name,
            remedy="Choose a folder that exists and can be written to.",
        ) from error
