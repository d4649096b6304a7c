"""Rendered pictures of test strips beside a printed chart: the judge of everything that reads colours.

From spectra, never from tints of red, green and blue.  A pad is a dye on paper by Kubelka-Munk (Kubelka and Munk
1931) with light that the surface throws back; the chart is four-colour print by Neugebauer's equations (Neugebauer
1937; Demichel's weights) with inks that match the pad under D50 alone, and an error of print; the light is a CIE
illuminant; the camera is one whose sensitivities were measured (NPL, as the library colour-science ships them).  The
phone then balances white, maps to sRGB with a matrix fitted to a colour checker, exposes, bends the tone, and the
lens adds shading, blur and noise; JPEG and 8 bits come last.  Every colour here is made up: no maker's.

All numbers are drawn from the generator that is handed in, so a seed is a picture.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from helpers.later import Later

colour = Later("colour")

Spectrum = NDArray[np.float64]
NM = np.arange(400.0, 701.0, 10.0)
CAMERAS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")
LIGHTS = ("D50", "D65", "LED-B2", "LED-B3", "LED-B4", "LED-V1", "FL2", "FL11")
WARMEST = "A"
PADS: dict[str, tuple[float, ...]] = {
    "nitrate": (0, 10, 25, 50, 100, 250),
    "nitrite": (0, 0.5, 1, 3, 10),
    "ph": (6.0, 6.5, 7.0, 7.5, 8.0, 8.5),
    "kh": (0, 3, 5, 10, 15, 20),
}
CELL, ROW = 34, 34
"""Size of a chart's field or a pad with its gap, px."""


def band(peak_nm: float, width_nm: float) -> Spectrum:
    """A dye's absorption band, 1 at its peak; width is its standard deviation."""
    return np.exp(-0.5 * ((NM - peak_nm) / width_nm) ** 2)


# -- the pad ------------------------------------------------------------------------------------------------------

_PAPER = 0.87 - 0.10 * np.exp(-(NM - 400.0) / 40.0)
"""Reflectance of the pad's own paper: a little yellow."""
_SURFACE = 0.02
_AZO = band(543.0, 38.0) + 0.45 * band(510.0, 30.0)
"""A reddish purple azo dye; the peak is APHA 4500-NO2 B's 543 nm, the rest is invented."""
_ACID, _BASE = band(435.0, 40.0), 1.3 * band(592.0, 42.0)
"""The two forms of an indicator, yellow and blue."""


def km_of(reflectance: Spectrum) -> Spectrum:
    """K/S of an opaque layer (Kubelka-Munk)."""
    return (1.0 - reflectance) ** 2 / (2.0 * reflectance)


def reflectance_of(km: Spectrum) -> Spectrum:
    """Reflectance of an opaque layer of that K/S."""
    return 1.0 + km - np.sqrt(km * km + 2.0 * km)


def pad_spectrum(substance: str, value: float, strength: float = 1.0) -> Spectrum:
    """What a pad throws back after a dip in water of that value; `strength` is how much this strip differs."""
    km = km_of(_PAPER)
    if substance == "ph":
        base = 1.0 / (1.0 + 10.0 ** (7.2 - value))
        km = km + strength * (1.1 * (1.0 - base) * _ACID + 1.1 * base * _BASE)
    elif substance == "kh":
        base = value / (value + 6.0)
        km = km + strength * (0.9 * (1.0 - base) * _ACID + 0.9 * base * _BASE)
    else:
        per, half = (0.02, 150.0) if substance == "nitrate" else (0.30, 8.0)
        grown = value * strength
        km = km + per * grown / (1.0 + grown / half) * _AZO
    return _SURFACE + (1.0 - _SURFACE) * reflectance_of(km)


# -- the chart ----------------------------------------------------------------------------------------------------

_CARD = 0.90 - 0.03 * np.exp(-(NM - 400.0) / 30.0)
_INKS = (
    1.0 - 0.93 / (1.0 + np.exp(-(NM - 590.0) / 12.0)) - 0.12 * band(420.0, 25.0),
    1.0 - 0.95 * band(545.0, 40.0) - 0.25 * band(430.0, 30.0) * (1.0 - band(545.0, 40.0)),
    1.0 - 0.90 / (1.0 + np.exp((NM - 492.0) / 11.0)),
)
"""How much of the light cyan, magenta and yellow let through twice."""


@cache
def _primaries() -> NDArray[np.float64]:
    """The eight solids of Neugebauer's equations, each a spectrum."""
    made = []
    for laid in product((0, 1), repeat=3):
        through = np.ones_like(NM)
        for on, ink in zip(laid, _INKS, strict=True):
            through = through * ink if on else through
        made.append(0.02 + 0.98 * _CARD * through)
    return np.array(made)


def _printed(areas: NDArray[np.float64]) -> Spectrum:
    """Neugebauer's mean over the solids, with Demichel's weights for the dot areas of cyan, magenta and yellow."""
    weights = [
        np.prod([a if on else 1.0 - a for on, a in zip(laid, areas, strict=True)]) for laid in product((0, 1), repeat=3)
    ]
    return np.asarray(np.array(weights) @ _primaries())


@cache
def _observer() -> NDArray[np.float64]:
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.array([np.interp(NM, cmfs.wavelengths, cmfs.values[:, i]) for i in range(3)])


@cache
def light_spectrum(name: str) -> Any:
    """A CIE illuminant's power, 1 on the mean."""
    sd = colour.SDS_ILLUMINANTS[name]
    power = np.interp(NM, sd.wavelengths, sd.values)
    return power / power.mean()


def _lab_d50(spectrum: Spectrum) -> Any:
    weights = _observer() * light_spectrum("D50")
    white = weights.sum(axis=1)
    ratio = (weights @ spectrum) / white
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@cache
def _matched(substance: str, value: float) -> tuple[float, ...]:
    """Dot areas whose print looks like the pad under D50."""
    from scipy.optimize import least_squares

    aim = _lab_d50(pad_spectrum(substance, value))
    found = least_squares(lambda a: _lab_d50(_printed(a)) - aim, [0.2, 0.4, 0.2], bounds=(0.0, 1.0))
    return tuple(found.x)


def chart_spectrum(substance: str, value: float, rng: np.random.Generator | None, print_delta_e: float) -> Spectrum:
    """One field as this press printed it: dot areas a little off, by `print_delta_e` under D50 on the mean."""
    areas = np.array(_matched(substance, value))
    if rng is None or print_delta_e <= 0.0:
        return _printed(areas)
    aim = _lab_d50(_printed(areas))
    off = rng.normal(size=3)
    moved = np.clip(areas + 0.02 * off, 0.0, 1.0)
    seen = float(np.linalg.norm(_lab_d50(_printed(moved)) - aim))
    wanted = print_delta_e * float(rng.uniform(0.6, 1.4))
    return _printed(np.clip(areas + 0.02 * off * wanted / max(seen, 0.2), 0.0, 1.0))


# -- the phone ----------------------------------------------------------------------------------------------------


@cache
def _sensitivities(camera: str) -> Any:
    told = colour.MSDS_CAMERA_SENSITIVITIES[camera]
    return np.array([np.interp(NM, told.wavelengths, told.values[:, i], left=0.0, right=0.0) for i in range(3)])


@cache
def _profile(camera: str, light: str) -> Any:
    """White-balanced camera channels to linear sRGB, fitted to a colour checker under this light (white stays white).

    The target is what the eye sees of it under D65: a phone's maker balances white first and then the rest.
    """
    checker = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    patches = np.array([np.interp(NM, sd.wavelengths, sd.values) for sd in checker.values()])
    response = _sensitivities(camera) * light_spectrum(light)
    raw = (patches @ response.T) / response.sum(axis=1)
    eye = _observer() * light_spectrum("D65")
    xyz = (patches @ eye.T) / eye[1].sum()
    to_srgb = np.linalg.inv(np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]))
    aim = xyz @ to_srgb.T
    # Rows sum to 1: least squares over what each channel differs from green.
    rows = []
    for i in range(3):
        others = [k for k in range(3) if k != i]
        a = raw[:, others] - raw[:, [i]]
        x, *_ = np.linalg.lstsq(a, aim[:, i] - raw[:, i], rcond=None)
        row = np.zeros(3)
        row[others] = x
        row[i] = 1.0 - x.sum()
        rows.append(row)
    return np.array(rows)


@dataclass(frozen=True, kw_only=True)
class Phone:
    """One phone in one light, with the habits of its software."""

    camera: str
    light: str
    balance: tuple[float, float] = (1.0, 1.0)
    """Error of red's and blue's white balance."""
    exposure: float = 0.75
    """Linear light of white card, 1 is clipped."""
    tone: float = 1.0
    """Exponent by which light is bent."""
    noise: float = 0.01
    shading: tuple[float, float] = (0.0, 0.0)
    """How light falls off across and down the picture, as a share."""
    blur_px: float = 0.7
    quality: int = 90

    @staticmethod
    def drawn(rng: np.random.Generator, lights: Sequence[str] = LIGHTS) -> Phone:
        """A phone as it comes: every habit drawn within what phones do (common practice, no source)."""
        return Phone(
            camera=CAMERAS[int(rng.integers(len(CAMERAS)))],
            light=lights[int(rng.integers(len(lights)))],
            balance=(float(np.exp(rng.normal(0, 0.04))), float(np.exp(rng.normal(0, 0.04)))),
            exposure=float(rng.uniform(0.5, 0.85)),
            tone=float(np.exp(rng.normal(0, 0.06))),
            noise=float(rng.uniform(0.004, 0.015)),
            shading=(float(rng.uniform(-0.25, 0.25)), float(rng.uniform(-0.1, 0.1))),
            blur_px=float(rng.uniform(0.4, 1.4)),
            quality=int(rng.integers(75, 96)),
        )

    def light_of(self, spectrum: Spectrum) -> Any:
        """Linear sRGB of a surface, before exposure."""
        response = _sensitivities(self.camera) * light_spectrum(self.light)
        raw = (response @ spectrum) / response.sum(axis=1)
        raw = raw * np.array([self.balance[0], 1.0, self.balance[1]])
        return _profile(self.camera, self.light) @ raw


# -- the picture --------------------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class Sheet:
    """What lies on the table: a strip and its chart, with the press's and the strip's own errors drawn once."""

    values: Mapping[str, float]
    pads: Mapping[str, tuple[float, ...]] = field(default_factory=lambda: PADS)
    strip: dict[str, Spectrum] = field(default_factory=dict)
    chart: dict[str, list[Spectrum]] = field(default_factory=dict)

    @staticmethod
    def laid(
        values: Mapping[str, float],
        rng: np.random.Generator,
        *,
        strip_spread: float = 0.0,
        charts: Mapping[str, list[Spectrum]] | None = None,
    ) -> Sheet:
        """A strip dipped in that water, beside the chart given (one kit's chart stays the same) or a new one."""
        strip = {k: pad_spectrum(k, v, float(np.exp(rng.normal(0.0, strip_spread)))) for k, v in values.items()}
        chart = dict(charts) if charts is not None else printed_charts(rng, list(values))
        return Sheet(values=dict(values), strip=strip, chart=chart)


def printed_charts(
    rng: np.random.Generator, substances: Sequence[str] = ("nitrate",), print_delta_e: float = 1.35
) -> dict[str, list[Spectrum]]:
    """One kit's chart as it came off the press."""
    return {k: [chart_spectrum(k, v, rng, print_delta_e) for v in PADS[k]] for k in substances}


@dataclass(kw_only=True)
class Shot:
    """A picture and where things are in it, px: boxes are (left, top, right, bottom)."""

    image: Image.Image
    boxes: dict[str, tuple[int, int, int, int]]
    substances: tuple[str, ...]

    def jpeg(self, quality: int = 95) -> bytes:
        """The picture as a file."""
        out = io.BytesIO()
        self.image.save(out, "JPEG", quality=quality)
        return out.getvalue()


def shoot(sheet: Sheet, phone: Phone, rng: np.random.Generator, scale: int = 1) -> Shot:
    """The picture: each substance is a row, its pad to the left on the strip, its fields to the right on the card."""
    rows = list(sheet.strip)
    columns = max(len(sheet.chart[k]) for k in rows)
    cell, row = CELL * scale, ROW * scale
    width, height = cell * (columns + 4), row * (2 * len(rows) + 2)
    table = phone.light_of(np.full_like(NM, 0.35))
    light = np.empty((height, width, 3))
    light[:] = table
    boxes: dict[str, tuple[int, int, int, int]] = {}

    def fill(name: str, box: tuple[int, int, int, int], spectrum: Spectrum) -> None:
        left, top, right, bottom = box
        light[top:bottom, left:right] = phone.light_of(spectrum)
        boxes[name] = box

    fill("strip", (cell // 2, row // 2, cell // 2 + cell, height - row // 2), _SURFACE + (1 - _SURFACE) * _PAPER)
    fill("card", (2 * cell, row // 2, width - cell // 2, height - row // 2), 0.02 + 0.98 * _CARD)
    gap = cell // 6
    for n, name in enumerate(rows):
        top = row + 2 * n * row
        fill(f"pad {name}", (cell // 2, top, cell // 2 + cell, top + row), sheet.strip[name])
        boxes[f"paper {name}"] = (cell // 2, top + row + gap // 2, cell // 2 + cell, top + 2 * row - gap // 2)
        for i, spectrum in enumerate(sheet.chart[name]):
            left = 2 * cell + cell // 2 + i * cell
            fill(f"field {name} {i}", (left, top, left + cell, top + row), spectrum)
            boxes[f"card {name} {i}"] = (left, top + row + gap // 2, left + cell, top + 2 * row - gap // 2)
    return Shot(image=_developed(light, phone, rng), boxes=boxes, substances=tuple(rows))


def _developed(light: NDArray[np.float64], phone: Phone, rng: np.random.Generator) -> Image.Image:
    height, width, _ = light.shape
    across, down = np.linspace(-0.5, 0.5, width), np.linspace(-0.5, 0.5, height)
    fall = 1.0 + phone.shading[0] * across[None, :] + phone.shading[1] * down[:, None]
    light = _blurred(light * fall[:, :, None], phone.blur_px) * phone.exposure
    light = light + rng.normal(0.0, phone.noise, light.shape) * np.sqrt(np.clip(light, 0.02, None))
    light = np.clip(light, 0.0, 1.0) ** phone.tone
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)
    image = Image.fromarray(np.round(255.0 * codes).astype(np.uint8), "RGB")
    out = io.BytesIO()
    image.save(out, "JPEG", quality=phone.quality)
    return Image.open(io.BytesIO(out.getvalue())).convert("RGB")


def _blurred(light: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    from scipy.ndimage import gaussian_filter

    return np.asarray(gaussian_filter(light, (sigma, sigma, 0), mode="nearest"))


def spot(image: Image.Image, box: tuple[int, int, int, int], inset: float = 0.25) -> tuple[float, float, float]:
    """The mean of a box's middle in linear light, as sRGB 0 to 255: what the page hands over."""
    left, top, right, bottom = box
    dx, dy = max(3, round(inset * (right - left))), max(3, round(inset * (bottom - top)))
    if bottom - top <= 2 * dy:
        dy = (bottom - top) // 3
    codes = np.asarray(image)[top + dy : bottom - dy, left + dx : right - dx].reshape(-1, 3)
    red, green, blue = _code(_light(codes).mean(axis=0))
    return (red, green, blue)


def _light(code: Any) -> Any:
    v = np.asarray(code) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _code(light: Any) -> list[float]:
    v = np.asarray(light)
    out = 255.0 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.abs(v) ** (1 / 2.4) - 0.055)
    return [round(float(c), 2) for c in out]


def record_of(shot: Shot, values: Mapping[str, Sequence[float]] = PADS) -> dict[str, Any]:
    """The `picture` of an event line: pads with the paper beside each, and fields.

    The card is seen beside every field, and each field is scaled to the card's one figure, as light is uneven across
    a picture.
    """
    names = shot.substances
    cards = {
        (k, i): _light(spot(shot.image, shot.boxes[f"card {k} {i}"])) for k in names for i in range(len(values[k]))
    }
    card = np.mean(list(cards.values()), axis=0)
    strips = {k: spot(shot.image, shot.boxes[f"paper {k}"]) for k in names}
    mean_strip = np.mean([_light(s) for s in strips.values()], axis=0)
    record: dict[str, Any] = {"paper": {"chart": _code(card), "strip": _code(mean_strip)}}
    for k in names:
        fields = [
            [
                float(v),
                _code(_light(spot(shot.image, shot.boxes[f"field {k} {i}"])) * card / np.maximum(cards[k, i], 1e-4)),
            ]
            for i, v in enumerate(values[k])
        ]
        pad = list(spot(shot.image, shot.boxes[f"pad {k}"]))
        record[k] = {"strip": pad, "paper": list(strips[k]), "chart": fields}
    return record
