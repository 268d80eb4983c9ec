"""The register of the standards' roughness symbols: title, unit, how the value scales, clause.

Rmr1, Rmr2, Smr1 and Smr2 keep the spelling of ISO 13565-2; the standards of 2021 write Rmrk1,
Rmrk2, Smrk1 and Smrk2 for the same ratios (from memory). Volumes are per area or length and are
given in µm³/µm², which equals ml/m².
"""

from __future__ import annotations

from dataclasses import dataclass

PROFILE_STANDARD = "ISO 21920-2:2021"
AREAL_STANDARD = "ISO 25178-2:2021"


@dataclass(frozen=True)
class Symbol:
    """One roughness parameter.

    Parameters
    ----------
    title : str
        Its full name.
    unit : str
        ``"µm"``, ``"1"``, ``"%"``, ``"µm³/µm²"``, ``"1/µm²"``, ...
    height_power, lateral_power : float
        The value grows with this power of the height scale and of the lateral scale; for the
        developed length and area the power of small slopes, which is the cautious one.
    positive : bool
        True where the value cannot be zero or less, so that its interval cannot be either.
    family : str
        Part of the standard that defines it.
    """

    title: str
    unit: str
    height_power: float
    lateral_power: float
    positive: bool
    family: str


def _height(title: str, family: str = "height parameters", positive: bool = True) -> Symbol:
    return Symbol(title, "µm", 1, 0, positive, family)


def _ratio(title: str, family: str = "material ratio parameters") -> Symbol:
    return Symbol(title, "%", 0, 0, False, family)


def _volume(title: str, family: str = "volume parameters") -> Symbol:
    return Symbol(title, "µm³/µm²", 1, 0, True, family)


_CURVE = "material ratio parameters"

PROFILE_SYMBOLS: dict[str, Symbol] = {
    "a": _height("Arithmetic mean height"),
    "q": _height("Root mean square height"),
    "sk": Symbol("Skewness", "1", 0, 0, False, "height parameters"),
    "ku": Symbol("Kurtosis", "1", 0, 0, True, "height parameters"),
    "z": _height("Maximum height, mean over the section lengths", "peak and dale parameters"),
    "zx": _height("Largest height within a section length", "peak and dale parameters"),
    "t": _height("Total height", "peak and dale parameters"),
    "p": _height("Mean peak height over the section lengths", "peak and dale parameters"),
    "pt": _height("Largest peak height", "peak and dale parameters"),
    "v": _height("Mean dale depth over the section lengths", "peak and dale parameters"),
    "vt": _height("Largest dale depth", "peak and dale parameters"),
    "Sm": Symbol("Mean spacing of profile elements", "µm", 0, 1, True, "feature parameters"),
    "c": _height("Mean height of profile elements", "feature parameters"),
    "da": Symbol("Arithmetic mean absolute slope", "1", 1, -1, True, "hybrid parameters"),
    "dq": Symbol("Root mean square slope", "1", 1, -1, True, "hybrid parameters"),
    "dl": Symbol("Developed length excess", "%", 2, -2, True, "hybrid parameters"),
    "mr": _ratio("Material ratio at a height"),
    "mc": _height("Height at a material ratio", _CURVE, positive=False),
    "dc": _height("Height difference between two material ratios", _CURVE),
    "k": _height("Core height", _CURVE),
    "pk": _height("Reduced peak height", _CURVE),
    "vk": _height("Reduced dale depth", _CURVE),
    "mr1": _ratio("Material ratio of the peaks"),
    "mr2": _ratio("Material ratio of the dales"),
    "vmp": _volume("Peak material volume"),
    "vmc": _volume("Core material volume"),
    "vvc": _volume("Core void volume"),
    "vvv": _volume("Dale void volume"),
    "pq": _height("Slope of the plateau part of the probability curve", _CURVE),
    "vq": _height("Slope of the dale part of the probability curve", _CURVE),
    "mq": _ratio("Material ratio at the plateau-to-dale transition"),
}
"""Profile parameters by their symbol without the leading R, P or W."""

_HEIGHT = "4.2 height parameters"
_SPATIAL = "4.3 spatial parameters"
_HYBRID = "4.4 hybrid parameters"
_RATIO = "4.5 material ratio parameters"
_FEATURE = "5 feature parameters"

AREAL_SYMBOLS: dict[str, Symbol] = {
    "Sa": _height("Arithmetic mean height", _HEIGHT),
    "Sq": _height("Root mean square height", _HEIGHT),
    "Ssk": Symbol("Skewness", "1", 0, 0, False, _HEIGHT),
    "Sku": Symbol("Kurtosis", "1", 0, 0, True, _HEIGHT),
    "Sp": _height("Maximum peak height", _HEIGHT),
    "Sv": _height("Maximum pit depth", _HEIGHT),
    "Sz": _height("Maximum height", _HEIGHT),
    "Sal": Symbol("Autocorrelation length", "µm", 0, 1, True, _SPATIAL),
    "Str": Symbol("Texture aspect ratio", "1", 0, 0, True, _SPATIAL),
    "Std": Symbol("Texture direction", "deg", 0, 0, False, _SPATIAL),
    "Sdq": Symbol("Root mean square gradient", "1", 1, -1, True, _HYBRID),
    "Sdr": Symbol("Developed interfacial area ratio", "%", 2, -2, True, _HYBRID),
    "Sk": _height("Core height", _RATIO),
    "Spk": _height("Reduced peak height", _RATIO),
    "Svk": _height("Reduced dale depth", _RATIO),
    "Smr1": _ratio("Material ratio of the peaks", _RATIO),
    "Smr2": _ratio("Material ratio of the dales", _RATIO),
    "Smr": _ratio("Material ratio at a height", _RATIO),
    "Smc": _height("Height at a material ratio", _RATIO, positive=False),
    "Sdc": _height("Height difference between two material ratios", _RATIO),
    "Sxp": _height("Extreme peak height", _RATIO),
    "Spq": _height("Slope of the plateau part of the probability curve", _RATIO),
    "Svq": _height("Slope of the dale part of the probability curve", _RATIO),
    "Smq": _ratio("Material ratio at the plateau-to-dale transition", _RATIO),
    "Vmp": _volume("Peak material volume", _RATIO),
    "Vmc": _volume("Core material volume", _RATIO),
    "Vvc": _volume("Core void volume", _RATIO),
    "Vvv": _volume("Dale void volume", _RATIO),
    "Spd": Symbol("Density of peaks", "1/µm²", 0, -2, True, _FEATURE),
    "Svd": Symbol("Density of pits", "1/µm²", 0, -2, True, _FEATURE),
    "Spc": Symbol("Mean curvature of the peaks", "1/µm", 1, -2, True, _FEATURE),
    "Svc": Symbol("Mean curvature of the pits", "1/µm", 1, -2, True, _FEATURE),
    "S5p": _height("Five-point peak height", _FEATURE),
    "S5v": _height("Five-point pit depth", _FEATURE),
    "S10z": _height("Ten-point height", _FEATURE),
    "Sha": Symbol("Mean hill area", "µm²", 0, 2, True, _FEATURE),
    "Sda": Symbol("Mean dale area", "µm²", 0, 2, True, _FEATURE),
    "Shv": Symbol("Mean hill volume", "µm³", 1, 2, True, _FEATURE),
    "Sdv": Symbol("Mean dale volume", "µm³", 1, 2, True, _FEATURE),
}
"""Areal parameters by symbol; ``family`` is the clause of ISO 25178-2:2021."""


def symbol_of(name: str) -> Symbol:
    """Return the register's entry for a full symbol such as ``"Ra"``, ``"WSm"`` or ``"Sq"``.

    Examples
    --------
    >>> symbol_of("RSm").title
    'Mean spacing of profile elements'
    """
    return AREAL_SYMBOLS[name] if name in AREAL_SYMBOLS else PROFILE_SYMBOLS[name[1:]]
